"""Setups compared with common random numbers: which is better, and where it is undecided."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.compare.study.results import (
    Comparisons,
    Difference,
    SetupResults,
    SetupsTogether,
    forms_of,
    run_compare,
)
from feedsim.answers.compare.study.setups import Comparison, setups_of
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.where import where_of
from feedsim.metrics.paired import Better
from feedsim.quantities import System
from feedsim.render.csv_table import Cells, csv_table, ends
from feedsim.running.axes import parse_speeds, speeds_of
from feedsim.running.engines import get_ready
from feedsim.running.executor import Cluster, Where, nobody
from feedsim.running.run import machine_of
from feedsim.scenario import at_line_speed

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, repr=False)
class Compared(Comparisons, Answer):
    """Setups compared with the first; the table has a row per speed, feeder and setup."""

    name: ClassVar[str] = "compare"

    def _text(self, units: System) -> str:
        from feedsim.answers.compare.text import compare_text

        return compare_text(self, units=units)

    def _csv(self) -> dict[str, bytes]:
        return {"compare": compare_csv(self.points)}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return a figure for each feeder."""
        from feedsim.answers.compare.figure import compare_figures

        return compare_figures(self, units=units)


def contest(
    lines: Sequence[Line], *, but: Sequence[str] = (), speeds: str | None = None
) -> Comparison:
    """Return the setups and speeds to run; see :func:`compare`."""
    setups = setups_of([(line.name, line.scenario) for line in lines], but)
    sweep = setups[0].scenario.sweep
    units = lines[0].units
    axis = speeds_of(sweep.speeds_mm_s) if speeds is None else parse_speeds(speeds, units)
    return Comparison(setups, axis, sweep.replications, units)


def compared(
    comparison: Comparison,
    *,
    where: Where,
    on_point: Callable[[int], None] = nobody,
    on_lost: Callable[[str], None] = nobody,
) -> Compared:
    """Run a comparison; `on_point` gets the number of speeds, then of setups, that are done."""
    if not isinstance(where, Cluster):  # before there are several processes
        speed, runs = comparison.axis.numbers[0], len(comparison.axis.values)
        lines = [at_line_speed(setup.scenario, speed) for setup in comparison.setups]
        each = runs * comparison.replications
        get_ready(*((machine_of(line), each * line.run.carriers) for line in lines))
    points = run_compare(comparison, where=where, on_point=on_point, on_lost=on_lost)
    forms = forms_of(
        comparison, where=where, on_done=lambda n: on_point(len(points) + n), on_lost=on_lost
    )
    return Compared.of(comparison, points, forms)


@typed
def compare(
    *lines: Line,
    but: Sequence[str] = (),
    speeds: str | None = None,
    jobs: int | None = 1,
    cluster: str | None = None,
) -> Compared:
    """Compare setups with common random numbers.

    Parameters
    ----------
    *lines : Line
        The others are compared with the first; names distinguish them.
    but : sequence of str
        Each adds a setup: the first line with keys changed, ``"NAME: KEY=VALUE; KEY=VALUE"``.
    speeds : str, optional
        As in :func:`feedsim.sweep`; those of ``[sweep]`` of the first if left out.
    jobs, cluster
        As in :func:`feedsim.sweep`.

    Raises
    ------
    FeedsimError
        If there are fewer than two setups or more than eight, or a change is wrong.
    """
    where = where_of(None if cluster else jobs, cluster)
    return compared(contest(lines, but=but, speeds=speeds), where=where)


def compare_csv(points: Sequence[SetupsTogether]) -> bytes:
    """Return the table of a comparison, its columns with units in their names.

    Shares and their differences are fractions, not per cent; ``better`` has the letter of the setup
    that is better with 95 % confidence.
    """
    rows = [
        dict(_row(point.results[0], other, pair, number))
        for point in points
        for number in range(len(point.results[0].results.feeders))
        for other, pair in zip(point.results[1:], point.differences, strict=True)
    ]
    return csv_table(rows)


def _row(first: SetupResults, other: SetupResults, pair: Difference, number: int) -> Cells:
    difference = pair.feeders[number]
    yield "line_speed_mm_s", first.results.line_speed_mm_s
    yield "feeder", number
    yield "setup", pair.setup
    yield "against", pair.against
    yield "accepted", int(other.results.accepted)
    yield "against_accepted", int(first.results.accepted)
    yield "complete_per_hour_difference", pair.complete_per_hour
    for which, results in (("against", first.results), ("setup", other.results)):
        yield f"good_per_hour_{which}", results.products.good_per_hour
        yield f"stops_{which}_count", results.stops.count
        yield f"downtime_{which}_s", results.stops.downtime_s
        yield f"availability_{which}", results.stops.availability
        yield f"lost_carriers_{which}_count", results.stops.lost
    lengths = {
        "placement_mean": difference.placement_mean,
        "placement_sd": difference.placement_sd,
    }
    for name, d in lengths.items():
        yield f"{name}_n", d.n
        yield f"{name}_against_mm", d.first_mm
        yield f"{name}_setup_mm", d.other_mm
        yield f"{name}_difference_mm", d.difference_mm
        yield from ends(f"{name}_difference", d.ci95_mm, "_mm")
        yield from ends(f"{name}_difference_unpaired", d.unpaired_ci95_mm, "_mm")
        yield f"{name}_exact", int(d.exact)
        yield f"{name}_better", _letter(d.better, pair)
    shares = {
        "within_tolerance": difference.within_tolerance,
        "missed": difference.missed,
        "jam_risk": difference.jam_risk,
    }
    for name, s in shares.items():
        yield f"{name}_n", s.n
        yield f"{name}_against", s.first
        yield f"{name}_setup", s.other
        yield f"{name}_only_against_count", s.only_first
        yield f"{name}_only_setup_count", s.only_other
        yield f"{name}_difference", s.difference
        yield from ends(f"{name}_difference", s.ci95)
        yield from ends(f"{name}_difference_unpaired", s.unpaired_ci95)
        yield f"{name}_better", _letter(s.better, pair)


def _letter(better: Better | None, pair: Difference) -> str | None:
    if better is None:
        return None
    return pair.against if better == "first" else pair.setup
