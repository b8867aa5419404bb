"""What a comparison decided and what it left open, in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal, NamedTuple

from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.intervals import Interval, upper95
from feedsim.metrics.paired import LengthDifference, ShareDifference
from feedsim.metrics.paired_feeders import FeederDifference
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display_unit
from feedsim.render.wording import length, length_number, seldom, speed

OneDifference = LengthDifference | ShareDifference

State = Literal["other", "first", "differ", "same", "tiny", "unseen", "open", "none"]
"""What is known at one speed: which is better; they differ, but not which is better; every card
lies alike; the difference is surely negligible; no carrier differs; nothing decided; no figure."""

_TINY_MM = 0.0005
"""A difference surely below this counts as none, even where it is decided."""


class ComparedFigure(NamedTuple):
    """A compared figure.

    ``words``: what the better one does. ``sign`` of the better one: −1 where less is better, 1
    where more is, 0 where neither is. ``of`` finds the differences, ``value`` a setup's own figure.
    """

    name: str
    title: str
    words: str
    sign: int
    of: Callable[[FeederDifference], OneDifference]
    value: Callable[[FeederResults], float | None]


MEAN = ComparedFigure(
    "Mean error",
    "Mean error",
    "lies nearer to the target",
    0,
    lambda d: d.placement_mean,
    lambda f: f.placement_error.mean_mm,
)
SPREAD = ComparedFigure(
    "Spread",
    "Spread, sd",
    "spreads less",
    -1,
    lambda d: d.placement_sd,
    lambda f: f.placement_error.sd_mm,
)
WITHIN = ComparedFigure(
    "In tolerance",
    "In tolerance",
    "has more in tolerance",
    1,
    lambda d: d.within_tolerance,
    lambda f: f.placement_error.within_tolerance,
)
MISSED = ComparedFigure(
    "Missed", "Missed", "misses fewer", -1, lambda d: d.missed, lambda f: f.missed.share
)
RISK = ComparedFigure(
    "Jam risk",
    "Jam risk",
    "has fewer hazards",
    -1,
    lambda d: d.jam_risk,
    lambda f: f.jam_risk.share,
)
LENGTHS = (MEAN, SPREAD)
FIGURES = (*LENGTHS, WITHIN, MISSED, RISK)


@dataclass(frozen=True, slots=True)
class _Told:
    """What the sentences about one figure need."""

    figure: ComparedFigure
    letters: tuple[str, str]
    speeds_mm_s: tuple[float, ...]
    differences: tuple[OneDifference, ...]
    usual_mm_s: float
    units: System
    apart: bool


def state_of(d: OneDifference) -> State:
    """Return what is known about one difference."""
    if d.interval is None:
        return "none"
    if isinstance(d, ShareDifference):
        alike = d.only_first == d.only_other == 0
        return d.better or ("unseen" if alike else "open")
    low, high = d.interval
    if d.exact and d.difference_mm == 0.0:
        return "same"
    if max(-low, high) < _TINY_MM:
        return "tiny"
    return d.better or ("differ" if low > 0.0 or high < 0.0 else "open")


def sentences(
    differences: Sequence[FeederDifference],
    speeds_mm_s: Sequence[float],
    *,
    letters: tuple[str, str],
    usual_mm_s: float,
    units: System = "metric",
    apart: bool = False,
) -> list[tuple[str, list[str]]]:
    """Return the name of each figure with sentences: which setup is better, where, and by how much.

    ``differences``: of one feeder and one other setup, at each speed, rising. ``letters``: of the
    first setup and of the other. ``usual_mm_s``: the speed whose figures are quoted, or the nearest
    speed's. ``apart``: the two run at speeds of their own, so no speed is named.
    """
    told = []
    for figure in FIGURES:
        what = _Told(
            figure,
            letters,
            tuple(speeds_mm_s),
            tuple(figure.of(d) for d in differences),
            usual_mm_s,
            units,
            apart,
        )
        told.append((figure.name, list(_of_figure(what))))
    return told


def _of_figure(told: _Told) -> Iterator[str]:
    states = [state_of(d) for d in told.differences]
    first, other = told.letters
    says: dict[State, str] = {
        "other": f"{other} {told.figure.words}",
        "first": f"{first} {told.figure.words}",
        "differ": "not decided which is nearer to the target, though they differ,",
        "same": "exactly the same on these carriers",
        "tiny": "the same to a thousandth of a mm",
        "unseen": "no difference seen",
        "open": "not decided",
        "none": "too few carriers to decide",
    }
    for state, words in says.items():
        places = [place for place, found in enumerate(states) if found == state]
        if not places:
            continue
        place = min(places, key=lambda p: (abs(told.speeds_mm_s[p] - told.usual_mm_s), p))
        at = where(told.speeds_mm_s, places, no=state in {"unseen", "open"}, units=told.units)
        quote = _quote(told, place, state)
        if quote and len(places) > 1:
            quote = f"at {speed(told.speeds_mm_s[place], told.units)} {quote}"
        found = words.rstrip(",") if told.apart else f"{words} {at}"
        yield found + (f": {quote}" if quote else "")


def where(
    speeds_mm_s: Sequence[float],
    places: Sequence[int],
    *,
    no: bool = False,
    units: System = "metric",
) -> str:
    """Say at which speeds: ``at every speed from 12 to 30 m/min``, ``at 12 to 18 and 30 m/min``.

    ``places``: which of all speeds, both rising. ``no``: say ``at any speed`` where all are meant.
    """
    shown = [speed(mm_s, units).partition(" ")[0] for mm_s in speeds_mm_s]
    unit = display_unit("speed", units).label
    if len(places) == len(shown) > 1:
        return "at any speed" if no else f"at every speed from {shown[0]} to {shown[-1]} {unit}"
    parts = []
    for _, group in groupby(enumerate(places), key=lambda pair: pair[1] - pair[0]):
        row = [shown[place] for _, place in group]
        parts += [f"{row[0]} to {row[-1]}"] if len(row) > 2 else row
    head, last = parts[:-1], parts[-1]
    return f"at {', '.join(head)} and {last} {unit}" if head else f"at {last} {unit}"


def _quote(told: _Told, place: int, state: State) -> str:
    d = told.differences[place]
    if state in {"same", "tiny"} or d.size is None or d.interval is None:
        return ""
    if isinstance(d, LengthDifference):
        return _length_quote(told, d, d.size, d.interval)
    low, high = d.interval
    if state == "unseen":
        most = max(-low, high)
        within = f"within ±{points_number(most, most)} percentage points (95 %)"
        return f"{within}; both {_share(told, d.first, most, d.n)}"
    half = 0.5 * (high - low)
    size = points_number(d.size, half, sign=True)
    ends = " to ".join(points_number(end, half, sign=True) for end in (low, high))
    own = _both(told, *(_share(told, share, half, d.n) for share in (d.first, d.other)))
    return f"{size} percentage points (95 %: {ends}); {own}"


def _share(told: _Told, share: float | None, half: float, n: int) -> str:
    """Write a share, to the digits that the half-width of its difference supports."""
    if share == 0.0 and told.figure is not WITHIN:
        return seldom(share, None, upper95(n))
    if share is None or half <= 0.0:
        return percent(share)
    return percent(share, Interval(max(0.0, share - half), min(1.0, share + half)))


def _length_quote(told: _Told, d: LengthDifference, size_mm: float, ends_mm: Interval) -> str:
    unit = display_unit("length", told.units).label
    size = length_number(size_mm, told.units, sign=True)
    own = _both(
        told,
        *(
            length(value or 0.0, told.units, sign=told.figure is MEAN)
            for value in (d.first_mm, d.other_mm)
        ),
    )
    if d.exact:
        return f"{size} {unit}, exact on these carriers (every one moved by as much); {own}"
    ends = " to ".join(length_number(end, told.units, sign=True) for end in ends_mm)
    return f"{size} {unit} (95 %: {ends} {unit}); {own}"


def _both(told: _Told, first: str, other: str) -> str:
    return f"{told.letters[0]} {first}, {told.letters[1]} {other}"


def points_number(share: float, half: float, *, sign: bool = False) -> str:
    """Write a difference of shares in per cent, to two digits of the half-width of its interval.

    >>> points_number(0.0492, 0.0137, sign=True), points_number(-1e-9, 0.01, sign=True)
    ('+4.9', '0.0')
    """
    places = 1 if half <= 0.0 else min(6, max(1, 1 - math.floor(math.log10(100.0 * half))))
    text = f"{100.0 * share:{'+' if sign else ''}.{places}f}"
    return text if float(text) else text.lstrip("+-")
