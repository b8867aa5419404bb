"""The best setup of what may still be chosen, and how much it can bear."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.tune.study.after import Front, FrontPoint, Tuning
from feedsim.answers.tune.study.bench import Keep, bench_of
from feedsim.answers.tune.study.fresh import machines_needed
from feedsim.answers.tune.study.outcome import outcome
from feedsim.answers.tune.study.results import Aim
from feedsim.answers.tune.study.search import tuned
from feedsim.answers.tune.study.space import space_of
from feedsim.answers.tune.words import same, told_value
from feedsim.answers.where import where_of
from feedsim.errors import Fault, FeedsimError
from feedsim.metrics.percent import percent
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System, whole
from feedsim.render.csv_table import Cells, csv_table, ends
from feedsim.running.engines import get_ready
from feedsim.running.executor import Cluster, Where, nobody
from feedsim.running.run import machine_of
from feedsim.scenario import scenario_from_dict
from feedsim.scenario.tune_text import asked_as, with_tune

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, repr=False)
class Tune(Tuning, Answer):
    """The best setup, what each change buys, and how far each knob may be turned.

    Table ``tune`` has a row per knob, ``fronts`` one per front and speed.
    """

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "tune"

    def changes(self) -> dict[str, str]:
        """Return the best setup as changes for :meth:`Line.but`; empty if none is accepted."""
        if not self.feasible:
            return {}
        pairs = zip(self.knobs, self.best.values, strict=True)
        return {knob.key: text for knob, text in pairs if not same(text, knob.now)}

    def _text(self, units: System) -> str:
        from feedsim.answers.tune.text import tune_text

        return tune_text(self, units=units)

    def _csv(self) -> dict[str, bytes]:
        return {"tune": _tune_csv(self)} | ({"fronts": _fronts_csv(self)} if self.fronts else {})

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return the setup, its windows and its fronts; none if no setup is accepted."""
        from feedsim.answers.tune.figure import tune_figures

        return tune_figures(self, units=units)


def asked(
    line: Line,
    *,
    knobs: Sequence[str] = (),
    unsure: Sequence[str] = (),
    aim: Aim | None = None,
    speed: str | None = None,
    assurance: str | None = None,
    spend: float | None = None,
) -> Line:
    """Return a line with more in its tune table; see :func:`tune`.

    Raises FeedsimError as it does, before anything is searched or an unfinished search is
    forgotten.
    """
    keys = {"aim": aim, "speed": speed, "assurance": assurance, "spend": spend}
    data = with_tune(line.to_dict(), knobs=knobs, unsure=unsure, **keys)
    try:
        wanted = replace(line, scenario=scenario_from_dict(data))
        space_of(wanted.scenario)
    except FeedsimError as error:
        options = asked_as(data["tune"], knobs=knobs, unsure=unsure, **keys)
        raise FeedsimError(*(_as_asked(fault, options) for fault in error.faults)) from None
    return wanted


def _as_asked(fault: Fault, options: Mapping[str, str]) -> Fault:
    """Name the option that caused a fault, rather than its place in the table."""
    found = [path for path in options if f"{fault.key}.".startswith(f"{path}.")]
    return replace(fault, key=options[max(found, key=len)]) if found else fault


def needs(line: Line) -> str:
    """Say how many machines are drawn if the assurance asks for more than ``tune.draws``."""
    tune = line.scenario.tune
    if tune is None or not tune.unsure:
        return ""
    least = machines_needed(tune.assurance)
    if least <= tune.draws:
        return ""
    return (
        f"to show {percent(tune.assurance)} of what is unsure takes {whole(least)} drawn machines, "
        f"so {whole(least)} are run, not {whole(tune.draws)} (tune.draws)"
    )


def tuning(
    line: Line,
    *,
    where: Where,
    keep: Keep | None = None,
    told: Callable[[str], None] = nobody,
    on_lost: Callable[[str], None] = nobody,
) -> Tune:
    """Search, judge and turn; `told` is called with the progress in words, and the best so far."""
    tune = line.scenario.tune
    aim = tune.aim if tune else "speed"

    def say(what: str, best: float | None) -> None:
        so_far = "" if best is None else f", best so far {told_value(best, aim, line.units)}"
        told(what + so_far)

    if tune is not None and not isinstance(where, Cluster):
        with suppress(FeedsimError):  # a line that cannot run as it is may with other values
            get_ready((machine_of(line.scenario), tune.draws * tune.carriers))  # of one verdict
    with bench_of(line.scenario, where=where, keep=keep, told=say, on_lost=on_lost) as bench:
        found = outcome(bench, tuned(bench, line.scenario))
    return Tune(**{f.name: getattr(found, f.name) for f in fields(found)}, line=line)


@typed
def tune(
    line: Line,
    *,
    knobs: Sequence[str] = (),
    unsure: Sequence[str] = (),
    aim: Aim | None = None,
    speed: str | None = None,
    assurance: str | None = None,
    spend: float | None = None,
    jobs: int | None = 1,
    cluster: str | None = None,
) -> Tune:
    """Find the best setup of all that may be chosen, and how much it can bear.

    The line's ``[tune]`` lists what may be chosen and what is unsure; the arguments add to it or
    replace it.

    Parameters
    ----------
    knobs : sequence of str
        ``"feeder.0.settings.stage_position=40:90:1 mm"`` (from, to, step) or
        ``"controller.motion_cycle=0.5,1,2 ms"`` (available values).
    unsure : sequence of str
        ``"carrier_eye.response=±0.2 ms"``, followed by ``normal`` or ``triangular`` if it is not
        uniform.
    aim : {"speed", "jam_risk", "spread", "window"}, optional
    speed : str, optional
        Line speed for any aim other than speed; by default the line's own.
    assurance : str, optional
        Share of what is unsure for which it must be accepted: ``"95 %"``.
    spend : float, optional
        Budget for all changes together.
    jobs, cluster
        As in :func:`feedsim.sweep`.

    Raises
    ------
    FeedsimError
        If there is no knob, or with all faults of the table.

    Examples
    --------
    >>> import feedsim
    >>> few = {"run.carriers": 100, "tune.carriers": 100, "tune.unsure": [], "tune.knob": []}
    >>> line = feedsim.load("scenarios/coupon.toml", few)
    >>> found = feedsim.tune(line, aim="spread", knobs=["controller.motion_cycle=0.5,1 ms"])
    >>> found.changes()
    {'controller.motion_cycle': '0.5 ms'}
    """
    wanted = asked(
        line,
        knobs=knobs,
        unsure=unsure,
        aim=aim,
        speed=speed,
        assurance=assurance,
        spend=spend,
    )
    return tuning(wanted, where=where_of(None if cluster else jobs, cluster))


def _tune_csv(found: Tuning) -> bytes:
    """Return the knobs: their values, what these buy, and how far each may turn.

    Worths are in the unit of the aim: mm/s of speed, mm of spread, else fractions.
    """
    terms = {term.key: term for term in found.terms}
    windows = {window.key: window for window in found.windows}
    rows = []
    for knob in found.knobs:
        row: dict[str, object] = {
            "key": knob.key,
            "now": knob.now,
            "best": knob.best,
            "matters": int(knob.matters),
            "price": knob.price,
        }
        term, window = terms.get(knob.key), windows.get(knob.key)
        row["worth"] = term.worth if term else None
        row |= dict(ends("worth", term.interval if term else None))
        row["window_line_speed_mm_s"] = window.line_speed_mm_s if window else None
        row["window_low"], row["window_high"] = (window.low, window.high) if window else (None,) * 2
        again = window.retuned if window else None
        row["retuned_low"] = again.low if again else None
        row["retuned_high"] = again.high if again else None
        row["accepted"] = " ".join(window.held.accepted) if window else None
        rows.append(row)
    return csv_table(rows)


def _fronts_csv(found: Tuning) -> bytes:
    """Return the fronts: ``value`` is a share of the feed cycles, or mm of standard deviation."""
    keys = [knob.key for knob in found.knobs]
    return csv_table(
        [
            dict(_row(front, point, setup, keys))
            for front in found.fronts
            for setup, points in (("best", front.points), ("now", front.now))
            for point in points
        ]
    )


def _row(front: Front, point: FrontPoint, setup: str, keys: list[str]) -> Cells:
    yield "against", front.against
    yield "setup", setup
    yield "line_speed_mm_s", point.line_speed_mm_s
    yield "value", point.value
    yield from ends("value", point.interval)
    yield "met", int(point.met)
    yield from zip(keys, point.values, strict=True)
