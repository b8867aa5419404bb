"""``compare.csv``: a row per speed, feeder and other setup."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.render.csv_table import csv_table

__all__ = ["compare_csv"]

_LENGTHS = ("placement_mean", "placement_sd")
_SHARES = ("within_tolerance", "missed", "jam_risk")


def compare_csv(points: Sequence[Mapping[str, Any]]) -> bytes:
    """Return the table of a comparison, its columns with units in their names.

    Parameters
    ----------
    points : sequence of mapping
        As ``compare.json`` holds them. Shares and their differences are fractions, not per cent;
        ``better`` has the letter of the setup that is better with 95 % confidence.
    """
    rows = [
        dict(_row(point, place, number))
        for point in points
        for number in range(len(point["results"][0]["feeders"]))
        for place in range(len(point["differences"]))
    ]
    return csv_table(rows)


def _row(point: Mapping[str, Any], place: int, number: int) -> Iterator[tuple[str, Any]]:
    pair = point["differences"][place]
    difference = pair["feeders"][number]
    first, other = point["results"][0], point["results"][1 + place]
    yield "line_speed_mm_s", point["line_speed_mm_s"]
    yield "feeder", number
    yield "setup", pair["setup"]
    yield "against", pair["against"]
    yield "accepted", int(other["accepted"])
    yield "against_accepted", int(first["accepted"])
    yield "complete_per_hour_difference", pair["complete_per_hour"]
    for which, results in (("against", first), ("setup", other)):
        yield f"good_per_hour_{which}", results["products"]["good_per_hour"]
        stops = results["stops"]
        yield f"stops_{which}_count", stops["count"]
        yield f"downtime_{which}_s", stops["downtime_s"]
        yield f"availability_{which}", stops["availability"]
        yield f"lost_carriers_{which}_count", stops.get("lost_carriers", 0)
    for name in _LENGTHS:
        d = difference[name]
        yield f"{name}_n", d["n"]
        yield f"{name}_against_mm", d["first_mm"]
        yield f"{name}_setup_mm", d["other_mm"]
        yield f"{name}_difference_mm", d["difference_mm"]
        yield from _ends(f"{name}_difference", d["ci95_mm"], "_mm")
        yield from _ends(f"{name}_difference_unpaired", d["unpaired_ci95_mm"], "_mm")
        yield f"{name}_exact", int(d["exact"])
        yield f"{name}_better", _letter(d, pair)
    for name in _SHARES:
        d = difference[name]
        yield f"{name}_n", d["n"]
        yield f"{name}_against", d["first"]
        yield f"{name}_setup", d["other"]
        yield f"{name}_only_against_count", d["only_first"]
        yield f"{name}_only_setup_count", d["only_other"]
        yield f"{name}_difference", d["difference"]
        yield from _ends(f"{name}_difference", d["ci95"])
        yield from _ends(f"{name}_difference_unpaired", d["unpaired_ci95"])
        yield f"{name}_better", _letter(d, pair)


def _ends(name: str, interval: Sequence[float] | None, unit: str = "") -> Iterator[tuple[str, Any]]:
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high


def _letter(d: Mapping[str, Any], pair: Mapping[str, Any]) -> str | None:
    if d["better"] is None:
        return None
    return str(pair["against" if d["better"] == "first" else "setup"])
