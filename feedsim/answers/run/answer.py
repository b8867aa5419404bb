"""A run of a line: where the inserts land, which carriers are missed, what may jam."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

from feedsim.answers.answer import Answer, Table
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.run.tables import (
    Kept,
    LogAsked,
    carrier_columns,
    carriers_csv,
    counted_carriers,
    events_csv,
    kept_of,
    kept_rows,
    kept_words,
    log_csv,
    products_csv,
    stops_csv,
)
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.files.new_files import Content
from feedsim.logs.recorder import LoggedRun
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.plain import Plain, as_object
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.render.wording import counted
from feedsim.running.engines import refuse_compiled
from feedsim.running.run import ScenarioRun, criteria_of, machine_of, run_scenario, trace

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.explain.answer import Explained


@dataclass(frozen=True, slots=True, repr=False)
class Run(Answer):
    """A run and its outcome.

    Attributes
    ----------
    ran : ScenarioRun
        Machine, records and results.
    around : int or None
        Carrier in the middle of the timing diagram; None: the second counted one.
    traced : bool
        Whether every event is among the files.
    kept : str
        Whose rows ``carriers.csv`` has: ``"all"``, ``"missed"`` (or at risk); ``"none"``: no file.
    logged : LogAsked or None
        The log among the files, as a recorder on the machine would write it.
    timing : callable or None
        Gives the pictures of :func:`timing_figures` if they are drawn beside the run.
    """

    line: Line
    ran: ScenarioRun
    around: int | None = None
    traced: bool = False
    kept: Kept = "all"
    logged: LogAsked | None = None
    timing: Callable[[], Mapping[str, bytes]] | None = field(default=None, compare=False)
    name: ClassVar[str] = "results"
    command: ClassVar[str] = "run"

    @property
    def results(self) -> Results:
        """All figures, under the names of ``results.json``."""
        return self.ran.results

    @property
    def feeders(self) -> tuple[FeederResults, ...]:
        """The figures of each feeder."""
        return self.results.feeders

    @property
    def accepted(self) -> bool:
        """Whether every figure meets ``[acceptance]``; `results` shows whether that is decided."""
        return self.results.accepted

    @property
    def carriers(self) -> dict[str, Any]:
        """The records of the counted carriers as columns: a row per carrier and feeder.

        NumPy arrays of one length under the names of ``carriers.csv``; `outcome` in words. NaN, or
        −1 for an insert, if nothing of the kind happened.
        """
        records = self.ran.records
        return carrier_columns(records, counted_carriers(records))

    @typed
    def explain(self, carrier: int, *, feeder: int | None = None) -> Explained:
        """Tell the story of one carrier, by its number in :attr:`carriers`."""
        from feedsim.answers.explain.answer import explain

        return explain(self.line, carrier, feeder=feeder)

    def plain(self) -> Mapping[str, Plain]:
        """Return what ``results.json`` holds."""
        return as_object(self.ran.figures())

    def _text(self, units: System) -> str:
        from feedsim.answers.run.summary import summary

        criteria = criteria_of(self.line.scenario)
        text = summary(self.results, machine=self.ran.machine, criteria=criteria, units=units)
        said = kept_words(self.kept, self.results)
        return f"{text}\n{said}\n" if said else text

    def tables(self) -> dict[str, Table]:
        """Return :attr:`carriers`."""
        return {"carriers": self.carriers}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return the overview of each feeder, and its timing around a carrier."""
        return self._of_all(units) | timing_figures(self.line, self.around, units=units)

    def _of_all(self, units: System) -> dict[str, Figure]:
        """Return the figures of all carriers."""
        from feedsim.answers.run.overview.figure import overview_figures
        from feedsim.answers.run.product.figure import product_figure

        ran, scenario = self.ran, self.line.scenario
        figures = overview_figures(
            ran.results, ran.records, ran.machine, criteria=criteria_of(scenario), units=units
        )
        if len(scenario.feeder) > 1:
            figures["product"] = product_figure(ran.results, ran.machine, units=units)
        return figures

    def _files(self, units: System) -> dict[str, Content]:
        from feedsim.render.canvas import pictures

        ran = self.ran
        files: dict[str, Content] = {"results.json": self.json().encode()}
        if self.kept != "none":
            rows = kept_rows(self.kept, ran)
            files["carriers.csv"] = carriers_csv(ran.records, rows)
            if len(ran.machine.feeders) > 1 or ran.machine.divert is not None:
                criteria = criteria_of(ran.scenario)
                files["products.csv"] = products_csv(
                    ran.records, ran.machine, rows, criteria=criteria
                )
        if ran.records.stops:
            files["stops.csv"] = stops_csv(ran.records)
        if self.traced or self.logged is not None:
            records, kept = trace(ran.scenario)
            if self.traced:
                files["events.csv"] = events_csv(kept)
            if self.logged is not None:
                draws = RunDraws(ran.machine, ran.scenario.seed)
                run = LoggedRun(ran.machine, records, kept, draws)
                files["log.csv"] = log_csv(run, self.logged, seed=ran.scenario.seed)
        if self.timing is None:
            return files | self.pictures(units=units)
        return {**files, **pictures(self._of_all(units)), **self.timing()}

    def __repr__(self) -> str:
        return f"<Run of {self.line.name}: {counted(self.results.carriers, 'carrier')}>"


@typed
def run(
    line: Line,
    *,
    around: int | None = None,
    traced: bool = False,
    replications: int = 1,
    records: Kept | None = None,
    log: LogAsked | None = None,
    progress: Callable[[int], None] | None = None,
) -> Run:
    """Run a line.

    Parameters
    ----------
    line : Line
        ``line.but({"run.carriers": 20000, "seed": 2})`` runs longer, with other random numbers.
    around : int, optional
        Carrier in the middle of the timing diagram, by its number in ``carriers``.
    traced : bool
        Write every event to a file too.
    replications : int
        Number of runs, 1 to 10,000, each with its own random numbers; all enter the figures.
    records : str, optional
        Whose rows ``carriers.csv`` and ``products.csv`` have: ``"all"``, ``"missed"`` for carriers
        missed or at risk, ``"none"`` for no such files. By default all up to 100,000 carriers, and
        of more those missed or at risk.
    log : LogAsked, optional
        Write a log too, as a recorder on the machine would.
    progress : callable, optional
        Called now and then with the number of carriers that have passed their eye.

    Raises
    ------
    FeedsimError
        If `around` is no carrier of the run, `replications` is out of range, or a trace or a log is
        wanted and the compiled engine is requested.
    """
    if not 1 <= replications <= 10_000:
        raise FeedsimError(Fault(argument("replications"), str(replications), "1 to 10000"))
    may_be_told(traced=traced, logged=log is not None)
    middle_of(line, around)
    ran = run_scenario(line.scenario, replications=replications, progress=progress)
    return Run(line, ran, around, traced, kept_of(records, ran.results), log)


def may_be_told(*, traced: bool, logged: bool) -> None:
    """Refuse (FeedsimError) the events or the log of a run that is to be on the compiled engine."""
    if traced or logged:
        refuse_compiled("every event of a run" if traced else "a log of its signals")


def timing_figures(
    line: Line, around: int | None, *, units: System | None = None
) -> dict[str, Figure]:
    """Return each feeder's timing around a carrier, from a run of its own.

    Empty if that carrier does not come, because the run is given up before.
    """
    from feedsim.answers.run.timing.figure import timing_figure
    from feedsim.answers.run.timing.view import carriers_around

    scenario, middle = line.scenario, middle_of(line, around)
    machine = machine_of(scenario)
    records, kept = trace(scenario, around=carriers_around(machine, middle))
    came = records.carriers.eye_time_s[middle] >= 0.0  # a comparison with NaN is false
    if not came:
        return {}
    alone = len(scenario.feeder) == 1
    return {
        "timing" if alone else f"timing-{number}": timing_figure(
            machine,
            records,
            kept,
            feeder=number,
            carrier=middle,
            title=f"{scenario.title} · {feeder.name}",
            units=units or line.units,
        )
        for number, feeder in enumerate(scenario.feeder)
    }


def middle_of(line: Line, around: int | None) -> int:
    """Return the carrier in the middle of the timing diagram; FeedsimError if there is none."""
    counted = line.scenario.run
    last = counted.warm_up + counted.carriers - 1
    if around is None:
        return min(counted.warm_up + 1, last)
    if not 0 <= around <= last:
        raise FeedsimError(
            Fault(argument("around"), found=str(around), allowed=f"a carrier from 0 to {last}")
        )
    return around
