"""``compare.csv``: a row per speed, feeder and other setup."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.compare.study.results import Difference, SetupResults, Together
from feedsim.metrics.paired import Better
from feedsim.render.csv_table import Cells, csv_table, ends


def compare_csv(points: Sequence[Together]) -> bytes:
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
    for name, d in (
        ("placement_mean", difference.placement_mean),
        ("placement_sd", difference.placement_sd),
    ):
        yield f"{name}_n", d.n
        yield f"{name}_against_mm", d.first_mm
        yield f"{name}_setup_mm", d.other_mm
        yield f"{name}_difference_mm", d.difference_mm
        yield from ends(f"{name}_difference", d.ci95_mm, "_mm")
        yield from ends(f"{name}_difference_unpaired", d.unpaired_ci95_mm, "_mm")
        yield f"{name}_exact", int(d.exact)
        yield f"{name}_better", _letter(d.better, pair)
    for name, s in (
        ("within_tolerance", difference.within_tolerance),
        ("missed", difference.missed),
        ("jam_risk", difference.jam_risk),
    ):
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
