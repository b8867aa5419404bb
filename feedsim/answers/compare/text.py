"""A comparison as text: decisions in words, then the table of differences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.answers.compare.study.results import Comparisons, LetteredSetup
from feedsim.answers.compare.words import FIGURES, OneDifference, points_number, sentences, state_of
from feedsim.answers.limit.islands import comes_and_goes
from feedsim.answers.run.product.points import product_cells, product_heads, tells_products
from feedsim.answers.run.stops_text import STOP_HEADS, stop_cells
from feedsim.metrics.paired import LengthDifference, ShareDifference
from feedsim.metrics.percent import DASH
from feedsim.metrics.results import Results
from feedsim.quantities import System, display_unit
from feedsim.render.layout import one_line, table, wrapped
from feedsim.render.wording import counted, length_number, speed

_HEAD = 16


def compare_text(compared: Comparisons, *, units: System = "metric") -> str:
    """Return the whole text of a comparison."""
    lines = [*_top(compared), *_accepted(compared, units)]
    for number in range(len(compared.points[0].results[0].results.feeders)):
        for place, setup in enumerate(compared.setups[1:]):
            pair = _Pair(compared, number, place)
            lines += ["", f"{pair.name}: {setup.setup} against A", *_words(pair, units)]
            unit = display_unit("length", units).label
            head = f"{setup.setup} - A, 95 % intervals; lengths: {unit}, shares: percentage points"
            lines += ["", *wrapped(head, "  "), *_table(pair, units)]
    lines += [*_products(compared, units), *_stops(compared, units)]
    return "\n".join([*lines, "", *_caveats(compared)])


def _products(compared: Comparisons, units: System) -> Iterator[str]:
    """Give each setup's products, where that adds to the feeder's figures."""
    results = [one.results for one in compared.points[0].results]
    if not any(tells_products(one) for one in results):
        return
    # setups with a gate and without one have their own columns
    gated = next((one for one in results if one.products.diverted), results[0])
    heads = product_heads(gated)
    rows = [("speed", "setup", *heads)]
    for point in compared.points:
        for one in point.results:
            cells = dict(zip(product_heads(one.results), product_cells(one.results), strict=True))
            at = speed(point.line_speed_mm_s, units)
            rows.append((at, one.setup, *(cells.get(head, DASH) for head in heads)))
    yield from ("", "Products", *table(rows, "r", keys=2))


def _stops(compared: Comparisons, units: System) -> Iterator[str]:
    """Say how often each setup stopped the line and at what cost, if any did."""
    if not any(one.results.stops.count for p in compared.points for one in p.results):
        return
    rows: list[tuple[str, ...]] = [("speed", "setup", *STOP_HEADS)]
    for point in compared.points:
        at = speed(point.line_speed_mm_s, units)
        rows += [(at, one.setup, *stop_cells(one.results)) for one in point.results]
    yield ""
    yield from wrapped(
        "Stops of the line (a few stops say little: run more carriers, or other seeds)"
    )
    yield from table(rows, "r", keys=2)


class _Pair:
    """One other setup and the first, at one feeder, at all speeds."""

    def __init__(self, compared: Comparisons, number: int, place: int) -> None:
        points = compared.points
        self.speeds = [point.line_speed_mm_s for point in points]
        self.usual = compared.setups[0].scenario.line.speed
        self.letters = ("A", compared.setups[1 + place].setup)
        self.hourly = [p.differences[place].complete_per_hour for p in points]
        self.differences = [p.differences[place].feeders[number] for p in points]
        one, two = self.differences[0].first_name, self.differences[0].name
        self.name = one if one == two else f"{one} (A), {two} ({self.letters[1]})"


def named(setup: LetteredSetup, first: LetteredSetup) -> str:
    """Return the name of a setup in a legend, without its letter."""
    if not setup.changes:
        return setup.name
    name = f"{setup.name}: " if setup.name else ""
    return f"{name}{first.name} but {setup.changes}"


def _top(compared: Comparisons) -> Iterator[str]:
    setups, runs = compared.setups, compared.replications
    first = setups[0].scenario
    carriers = counted(first.run.carriers, "carrier")
    if runs > 1:
        carriers = f"{runs} runs of {carriers}"
    yield one_line(compared.title)
    yield from wrapped(
        f"{len(setups)} setups with common random numbers: seed {first.seed}, {carriers} at each "
        "speed"
    )
    for setup in setups:
        yield from wrapped(named(setup, setups[0]), f"  {setup.setup}  ")
    yield from (line for note in compared.notes for line in wrapped(note, "  note: "))


def _accepted(compared: Comparisons, units: System) -> list[str]:
    points = compared.points
    accepted: list[str] = []
    refused: list[str] = []
    unsure: list[str] = []
    islands: list[str] = []
    for place, (letter, highest) in enumerate(compared.highest_accepted_speed_mm_s.items()):
        results = [p.results[place].results for p in points]
        sure = "" if _is_sure(results, highest) else " (so far)"
        if highest is None:
            (unsure if sure else refused).append(letter)
        else:
            accepted.append(f"{letter} {speed(highest, units)}{sure}")
        words = comes_and_goes_words(compared, letter, results, units=units)
        islands += wrapped(words, f"{letter}: ") if words else []
    lowest = speed(points[0].line_speed_mm_s, units)
    parts = [
        f"{words}: {', '.join(letters)}"
        for words, letters in (
            ("Accepted at every speed of these up to", accepted),
            (f"Not decided even at {lowest}", unsure),
            (f"Not accepted even at {lowest}", refused),
        )
        if letters
    ]
    return [*(line for part in parts for line in wrapped(part)), *islands]


def comes_and_goes_words(
    compared: Comparisons, letter: str, results: Sequence[Results], *, units: System
) -> str:
    """Say where acceptance of one setup comes and goes with speed, if it does."""
    return comes_and_goes(
        results,
        compared.closed_form_refused[letter],
        highest=compared.highest_accepted_speed_mm_s[letter],
        looked_to=compared.closed_form_complete_to_mm_s[letter],
        units=units,
    )


def _is_sure(results: Sequence[Results], highest: float | None) -> bool:
    """Return whether all speeds up to the highest are surely accepted, and the next is not."""
    count = sum(1 for r in results if highest is not None and r.line_speed_mm_s <= highest)
    below, above = results[:count], results[count : count + 1]
    return all(r.decided for r in below) and all(r.refused for r in above)


def _words(pair: _Pair, units: System) -> Iterator[str]:
    told = sentences(
        pair.differences, pair.speeds, letters=pair.letters, usual_mm_s=pair.usual, units=units
    )
    for name, said in told:
        yield from wrapped(said[0], f"  {name}".ljust(_HEAD))
        for more in said[1:]:
            yield from wrapped(more, " " * _HEAD)


def _table(pair: _Pair, units: System) -> Iterator[str]:
    rows = [["speed", *(f.name.lower() for f in FIGURES), "per hour"]]
    for mm_s, difference, hourly in zip(pair.speeds, pair.differences, pair.hourly, strict=True):
        cells = [difference_cell(f.of(difference), pair.letters, units) for f in FIGURES]
        more = DASH if hourly is None else f"{round(hourly):+}" if round(hourly) else "0"
        rows.append([speed(mm_s, units), *cells, more])
    yield from table(rows, "r")


def difference_cell(d: OneDifference, letters: tuple[str, str], units: System) -> str:
    """Write a difference with the half-width of its interval, and the letter of the better one."""
    if d.size is None or d.interval is None:
        return f"{DASH}  "
    mark = {"first": letters[0], "other": letters[1]}.get(state_of(d), " ")
    low, high = d.interval
    if isinstance(d, ShareDifference):
        half = max(high - d.size, d.size - low)
        return f"{points_number(d.size, half, sign=True)} ±{points_number(half, half)} {mark}"
    size = length_number(d.size, units, sign=True)
    if d.exact:
        return f"{size} exact {mark}"
    return f"{size} ±{length_number(0.5 * (high - low), units)} {mark}"


def _caveats(compared: Comparisons) -> Iterator[str]:
    found = [
        figure.of(feeder)
        for point in compared.points
        for difference in point.differences
        for feeder in difference.feeders
        for figure in FIGURES
    ]
    several = sum(
        1 for d in found if d.interval and not (isinstance(d, LengthDifference) and d.exact)
    )
    yield from wrapped(
        "Differences are those of the same carriers in both setups: placement over those placed in "
        "both, missed and jam risk (a hazard in the carrier's feed cycle) over all. A letter in "
        "the table names the setup that is better, at 95 % confidence; no letter: not decided; "
        "exact: every insert moved by as much.",
    )
    if compared.replications == 1:
        yield from wrapped(
            "One run each: the intervals hold for the encoder and tick phases of that run; "
            "--replications draws others.",
        )
    if several > 1:
        yield from wrapped(
            f"One interval in 20 misses the true difference by chance, and there are {several} "
            "here. All speeds share their random numbers, so chance may favour one setup at "
            "several of them: try another seed too (--set seed=N).",
        )
