"""A comparison as text: what is decided in words, then the table of differences."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.answers.compare.words import FIGURES, Figure, points_number, sentences, state_of
from feedsim.answers.limit.islands import island_words, overlooked_words
from feedsim.answers.limit.study.closed import RefusedSpeeds
from feedsim.answers.run.product.points import product_cells, product_heads, tells_products
from feedsim.quantities import System, display, display_unit, parse
from feedsim.render.canvas import one_line
from feedsim.render.wording import DASH, length_number

__all__ = ["compare_text", "named"]

_WIDTH = 100
_HEAD = 16
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|mm|in|m/min|ft/min)(?:\W|$))")
_KEPT = "\N{NO-BREAK SPACE}"


def compare_text(comparison: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the whole text of a comparison.

    Parameters
    ----------
    comparison : mapping
        As ``compare.json`` holds it.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    others = comparison["setups"][1:]
    lines = [*_top(comparison), _accepted(comparison, units)]
    for number in range(len(comparison["points"][0]["results"][0]["feeders"])):
        for place, setup in enumerate(others):
            pair = _Pair(comparison, number, place)
            lines += ["", f"{pair.name}: {setup['setup']} against A", *_words(pair, units)]
            lines += ["", f"  {setup['setup']} - A, 95 % intervals", *_table(pair, units)]
    lines += [*_products(comparison, units), *_stops(comparison, units)]
    return "\n".join([*lines, "", *_caveats(comparison)])


def _products(comparison: Mapping[str, Any], units: System) -> Iterator[str]:
    """Say what became of each setup's products, where that says more than the feeder does."""
    points, setups = comparison["points"], comparison["setups"]
    results = points[0]["results"]
    if not any(tells_products(one) for one in results):
        return
    # setups with a gate and without one have their own columns
    gated = next((one for one in results if one["products"]["diverted"]), results[0])
    heads = product_heads(gated)
    rows = [("speed", "setup", *heads)]
    for point in points:
        for setup, one in zip(setups, point["results"], strict=True):
            named_cells = dict(zip(product_heads(one), product_cells(one), strict=True))
            speed = display(point["line_speed_mm_s"], "speed", units=units)
            rows.append((speed, setup["setup"], *(named_cells.get(head, DASH) for head in heads)))
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    yield ""
    yield "Products"
    for row in rows:
        yield "  " + "  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True))


def _stops(comparison: Mapping[str, Any], units: System) -> Iterator[str]:
    """Say how often each setup stopped the line, and what that cost, if any did."""
    points, setups = comparison["points"], comparison["setups"]
    if not any(results["stops"]["count"] for p in points for results in p["results"]):
        return
    rows = [("speed", "setup", "stops", "downtime", "availability", "lost", "good an hour")]
    for point in points:
        for setup, results in zip(setups, point["results"], strict=True):
            stops, per_hour = results["stops"], results["complete"]["per_hour"]
            rows.append(
                (
                    display(point["line_speed_mm_s"], "speed", units=units),
                    setup["setup"],
                    str(stops["count"]),
                    display(stops["downtime_s"], "time"),
                    f"{100.0 * stops['availability']:.2f} %",
                    str(stops.get("lost_carriers", 0)),
                    DASH if per_hour is None else f"{per_hour:.0f}",
                )
            )
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    yield ""
    yield "Stops of the line (a few stops say little: run more carriers, or other seeds)"
    for row in rows:
        yield "  " + "  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True))


class _Pair:
    """One other setup and the first, at one feeder, at all speeds."""

    def __init__(self, comparison: Mapping[str, Any], number: int, place: int) -> None:
        self.points: Sequence[Mapping[str, Any]] = comparison["points"]
        self.speeds = [point["line_speed_mm_s"] for point in self.points]
        self.usual = parse(comparison["setups"][0]["scenario"]["line"]["speed"], "speed")
        self.letters = ("A", comparison["setups"][1 + place]["setup"])
        self.hourly = [p["differences"][place]["complete_per_hour"] for p in self.points]
        self.differences = [p["differences"][place]["feeders"][number] for p in self.points]
        one, two = self.differences[0]["first_name"], self.differences[0]["name"]
        self.name = one if one == two else f"{one} (A), {two} ({self.letters[1]})"


def named(setup: Mapping[str, Any], first: Mapping[str, Any]) -> str:
    """Return how a setup is called in a legend, without its letter."""
    if not setup["changes"]:
        return str(setup["name"])
    name = f"{setup['name']}: " if setup["name"] else ""
    return f"{name}{first['name']} but {setup['changes']}"


def _top(comparison: Mapping[str, Any]) -> Iterator[str]:
    setups = comparison["setups"]
    first, runs = setups[0]["scenario"], comparison["replications"]
    carriers = f"{first['run']['carriers']} carriers"
    if runs > 1:
        carriers = f"{runs} runs of {carriers}"
    yield one_line(str(comparison["title"]), _WIDTH)
    yield f"{len(setups)} setups on the same cards: seed {first['seed']}, {carriers} at each speed"
    for setup in setups:
        yield from _hung(f"  {setup['setup']}  ", named(setup, setups[0]))
    yield from (f"  note: {note}" for note in comparison["notes"])


def _accepted(comparison: Mapping[str, Any], units: System) -> str:
    points = comparison["points"]
    accepted: list[str] = []
    refused: list[str] = []
    unsure: list[str] = []
    for place, (letter, speed) in enumerate(comparison["highest_accepted_speed_mm_s"].items()):
        sure = "" if _is_sure([p["results"][place] for p in points], speed) else " (not for sure)"
        if speed is None:
            (unsure if sure else refused).append(letter)
        else:
            accepted.append(f"{letter} {display(speed, 'speed', units=units)}{sure}")
    parts = []
    if accepted:
        parts.append(f"Accepted at every speed of these up to: {', '.join(accepted)}")
    lowest = display(points[0]["line_speed_mm_s"], "speed", units=units)
    if unsure:
        parts.append(f"Not decided even at {lowest}: {', '.join(unsure)}")
    if refused:
        parts.append(f"Not accepted even at {lowest}: {', '.join(refused)}")
    speeds = [point["line_speed_mm_s"] for point in points]
    for place, (letter, highest) in enumerate(comparison["highest_accepted_speed_mm_s"].items()):
        verdicts = [point["results"][place]["accepted"] for point in points]
        stretches = [RefusedSpeeds(**row) for row in comparison["closed_form_refused"][letter]]
        said = (
            island_words(speeds, verdicts, units=units),
            overlooked_words(stretches, speeds, highest=highest, units=units),
        )
        parts += ["\n".join(_hung(f"{letter}: ", words)) for words in said if words]
    return "\n".join(parts)


def _is_sure(results: Sequence[Mapping[str, Any]], highest: float | None) -> bool:
    """Tell whether all speeds up to the highest are accepted for sure, and the next is not."""
    count = sum(1 for r in results if highest is not None and r["line_speed_mm_s"] <= highest)
    below, above = results[:count], results[count : count + 1]
    return all(r["decided"] for r in below) and all(r["refused"] for r in above)


def _words(pair: _Pair, units: System) -> Iterator[str]:
    told = sentences(
        pair.differences, pair.speeds, letters=pair.letters, usual_mm_s=pair.usual, units=units
    )
    for name, said in told:
        yield from _hung(f"  {name}".ljust(_HEAD), said[0])
        for more in said[1:]:
            yield from _hung(" " * _HEAD, more)


def _hung(head: str, text: str) -> list[str]:
    """Break a text into lines, the first after its head, no number parted from its unit."""
    lines = textwrap.wrap(
        _BEFORE_UNIT.sub(_KEPT, text),
        _WIDTH,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_KEPT, " ") for line in lines]


def _table(pair: _Pair, units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    heads = [f"{f.name.lower()}, {unit if f.is_length else '%'}" for f in FIGURES]
    rows = [["speed", *heads, "per hour"]]
    for place, speed in enumerate(pair.speeds):
        cells = [_cell(f, pair.differences[place][f.key], pair.letters, units) for f in FIGURES]
        hourly = pair.hourly[place]
        more = DASH if hourly is None else f"{hourly:+.0f}"
        more = more if more == DASH or float(more) else "0"
        rows.append([display(speed, "speed", units=units), *cells, more])
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        yield "  " + "  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)).rstrip()


def _cell(figure: Figure, d: Mapping[str, Any], letters: tuple[str, str], units: System) -> str:
    """Write a difference with the half-width of its interval, and the letter of the better one."""
    state = state_of(d)
    mark = {"first": letters[0], "other": letters[1]}.get(state, " ")
    if state == "none":
        return f"{DASH}  "
    if not figure.is_length:
        low, high = d["ci95"]
        half = max(high - d["difference"], d["difference"] - low)
        size = points_number(d["difference"], half, sign=True)
        return f"{size} ±{points_number(half, half)} {mark}"
    size = length_number(d["difference_mm"], units, sign=True)
    if d["exact"]:
        return f"{size} exact {mark}"
    low, high = d["ci95_mm"]
    return f"{size} ±{length_number(0.5 * (high - low), units)} {mark}"


def _caveats(comparison: Mapping[str, Any]) -> Iterator[str]:
    found = [
        feeder[figure.key]
        for point in comparison["points"]
        for difference in point["differences"]
        for feeder in difference["feeders"]
        for figure in FIGURES
    ]
    several = sum(1 for d in found if not d.get("exact") and d.get("ci95", d.get("ci95_mm")))
    yield from _hung(
        "",
        "Differences are those of the same carriers in both setups: placement over those placed in "
        "both, missed and jam risk (a hazard in the carrier's feed cycle) over all. A letter in "
        "the table is that of the setup that is better for sure at 95 %; no letter: not decided; "
        "exact: every card moved alike.",
    )
    if comparison["replications"] == 1:
        yield from _hung(
            "",
            "One run each: the intervals hold for the encoder and tick phases that it drew; "
            "--replications brings in others.",
        )
    if several > 1:
        yield from _hung(
            "",
            f"One interval in 20 misses the true difference by chance, and there are {several} "
            "here. All speeds have the same cards, so that chance may do alike at several of "
            "them: look at other cards too (--set seed=N).",
        )
