"""Line speeds at which the lattice of ticks and counts makes the clutch acts jump.

A clutch acts a whole number of steps γ and of counts after a capture
(:mod:`feedsim.settings.acts`). Over line speed the mean act is a sawtooth: straight until the point
reaches another step, E(v)/(v_c·γ) whole, or another count, E(v)/q half of an odd number, where it
jumps; likewise U. A share is worst beside such a jump, and a search that ignores jumps misses it.

With typed-in settings E(v) is straight, E = a + c·v, so the n-th jump is at
v = a/(n·γ/(1 + ε) − c), or v = ((n + ½)·q − a)/c (elementary, in
:mod:`feedsim.settings.straight`).
Settings that ``"auto"`` solves anew at each speed jump themselves
(:mod:`feedsim.settings.jumps_of_auto`); between two such jumps E(v) is straight again, and counts
have no effect within one step of the ticks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from feedsim.settings.acts import first_sd, is_locked, locked_step
from feedsim.settings.corrected_acts import corrected_acts
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.jumps_of_auto import At, jumps_of_settings
from feedsim.settings.predict import expected_offsets
from feedsim.settings.right import right_settings
from feedsim.settings.straight import BESIDE, Straight, beside

_NARROW = 2e-5
_FAR = 5.0  # standard deviations beyond which a share is nothing


@dataclass(frozen=True, slots=True)
class Jumps:
    """The effect of the lattice between two line speeds.

    Attributes
    ----------
    speeds_mm_s : tuple of float
        Line speeds (mm/s) right beside the jumps, rising.
    acts : tuple of (float, float, float)
        At each of these, the mean errors of placement and stage (mm), and the variance that steps
        and counts give the placement (mm²).
    reach : float
        The largest difference of error or stage among these, the two ends, and the given speeds.
    whole : bool
        Whether all jumps are included; else they are evenly thinned.
    """

    speeds_mm_s: tuple[float, ...]
    acts: tuple[tuple[float, float, float], ...]
    reach: float
    whole: bool

    def extremes(self) -> list[float]:
        """Return the speeds with the extreme errors of placement and stage, and the most spread."""
        if not self.speeds_mm_s:
            return []
        places = self._wide_enough()
        found = {min(places, key=lambda n: abs(self.acts[n][0]))}
        for which in (0, 1):
            found.add(min(places, key=lambda n: self.acts[n][which]))
            found.add(max(places, key=lambda n: self.acts[n][which]))
        found.add(max(places, key=lambda n: self.acts[n][0] ** 2 + self.acts[n][2]))
        return sorted(self.speeds_mm_s[n] for n in found)

    def worst(self, *, tolerance_mm: float, variance_mm2: float) -> set[float]:
        """Return where the tolerance is fewest standard deviations away, to either side.

        None where it is so far that nothing is out of it. ``variance_mm2``: what all but steps and
        counts give the placement.
        """

        def beyond(place: int, side: float) -> float:
            mean, _, variance = self.acts[place]
            return (side * mean - tolerance_mm) / math.sqrt(variance_mm2 + variance)

        found: set[float] = set()
        for side in (-1.0, 1.0):
            off = {place: beyond(place, side) for place in self._wide_enough()}
            worst = max(off, key=off.__getitem__, default=None)
            if worst is not None and off[worst] > -_FAR:
                found.add(self.speeds_mm_s[worst])
        return found

    def _wide_enough(self) -> list[int]:
        """Return the places without those on narrow stretches, if most are wide.

        Two points that jump at nearly the same speed leave a narrow stretch between them.
        """
        speeds = self.speeds_mm_s
        ends = [-math.inf, *speeds, math.inf]
        stretch = [
            max(speed - before, after - speed)
            for before, speed, after in zip(ends, speeds, ends[2:], strict=False)
        ]
        wide = [place for place, length in enumerate(stretch) if length > _NARROW * speeds[place]]
        return wide if 2 * len(wide) >= len(speeds) else list(range(len(speeds)))

    def crossings(self) -> list[float]:
        """Return approximately where the mean placement error crosses 0 between two jumps."""
        found = []
        pairs = zip(self.speeds_mm_s, (act[0] for act in self.acts), strict=True)
        for (low, before), (high, after) in pairwise(pairs):
            if before * after < 0.0 and high - low > 4.0 * BESIDE * high:
                found.append(low + (high - low) * before / (before - after))
        return found


def jumps_between(
    at: At,
    low: float,
    high: float,
    *,
    most: int,
    least_mm: float = 0.0,
    bent: Sequence[float] = (),
) -> Jumps:
    """Return the effect of the lattice between two nearby line speeds.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the feeder at that speed.
    low, high : float
        mm/s.
    most : int
        Largest number of jumps of one kind to check.
    least_mm : float
        Jumps by less than this are left out.
    bent : sequence of float
        Speeds between (mm/s) that count for ``reach`` as well.
    """
    if high <= low:
        return Jumps((), (), 0.0, True)
    ends = at(low), at(high)
    known = dict(zip((low, high), ends, strict=True))
    # settings equal at both ends are equal between them; the right ones need not be
    same = ends[0].settings == ends[1].settings
    lasting = same and not any(right_settings(end).unsettled for end in ends)

    def there(v: float) -> FeederAtSpeed:
        if v not in known:
            known[v] = ends[0].asked_at(v) if lasting else at(v)
        return known[v]

    jumps: list[tuple[float, float]] = []
    whole = True
    if not same:
        jumps, whole = jumps_of_settings(there, low, high, most=most, least_mm=least_mm)
    found = [side for jump in jumps for side in jump]
    for start, end in zip([low, *found[1::2]], [*found[::2], high], strict=True):
        for kind in _kinds(there(start), there(end)) if start < end else ():
            if not same and kind.keeps_its_step(start, end):
                continue
            few = math.ceil(most / (len(jumps) + 1))
            speeds, all_of_them = kind.jumps(start, end, most=few, least_mm=least_mm)
            found += [speed for speed in speeds if start < speed < end]
            whole &= all_of_them
    speeds = _apart(sorted(speed for speed in found if low < speed < high))
    acts = [act(each) for each in (ends[0], *map(there, speeds), ends[1])]
    reached = [*acts, *(act(at(v)) for v in bent)]
    reach = max(max(column) - min(column) for column in list(zip(*reached, strict=True))[:2])
    return Jumps(tuple(speeds), tuple(acts[1:-1]), reach, whole)


def act(at: FeederAtSpeed) -> tuple[float, float, float]:
    """Return the values that :class:`Jumps` keeps for a line speed."""
    off = expected_offsets(at)
    if at.settings.stage_correction:
        return off.error_mm, off.stage_mm, corrected_acts(at, at.engage_travel_mm).sd ** 2
    opened = first_sd(at, at.opening_travel_mm, scanned=at.eye.scanned)
    engaged = first_sd(at, at.engage_travel_mm, scanned=at.carrier_eye.scanned)
    return off.error_mm, off.stage_mm, engaged**2 + opened**2


def _apart(speeds: list[float]) -> list[float]:
    """Return rising speeds; of those as close as the sides of one jump, only the outer two.

    Two points may jump at the same speed, with no stretch between the two jumps.
    """
    around = zip([-math.inf, *speeds], speeds, [*speeds[1:], math.inf], strict=False)
    return [v for before, v, after in around if max(v - before, after - v) > 3.0 * BESIDE * v]


@dataclass(frozen=True, slots=True)
class _Kind:
    """Jumps of one point; ``step_s``: γ/(1 + ε) if reached in steps, else 0; ``count_mm``: q."""

    travel: Straight
    step_s: float
    count_mm: float

    def jumps(
        self, low: float, high: float, *, most: int, least_mm: float
    ) -> tuple[list[float], bool]:
        """Return the speeds beside the jumps between two speeds, and whether these are all."""
        found: list[float] = []
        whole = True
        for of, size in (
            (self._of_counts, self.count_mm),
            (self._of_steps, high * self.step_s),
        ):
            if size > least_mm:
                speeds, all_of_them = of(low, high, most=most)
                found += speeds
                whole &= all_of_them
        return found, whole

    def keeps_its_step(self, low: float, high: float) -> bool:
        """Return whether it reaches the same step of the ticks at any count."""
        if self.step_s == 0.0:
            return False
        steps = {
            math.ceil((self.travel.at(v) + more) / (v * self.step_s))
            for v in (low, high)
            for more in (-1.5 * self.count_mm, 0.5 * self.count_mm)
        }
        return len(steps) == 1

    def _of_counts(self, low: float, high: float, *, most: int) -> tuple[list[float], bool]:
        """List both sides of each place where the nearest count changes."""
        if self.count_mm == 0.0 or self.travel.c == 0.0:
            return [], True
        found, whole = self.travel.meets(0.0, self.count_mm, 0.5, ends=(low, high), most=most)
        return [side for _, speed in found for side in beside(speed)], whole

    def _of_steps(self, low: float, high: float, *, most: int) -> tuple[list[float], bool]:
        """List where the point reaches another step; counts spread the jump over a count."""
        if self.step_s == 0.0:
            return [], True
        reached, whole = self.travel.meets(self.step_s, 0.0, 0.0, ends=(low, high), most=most)
        found: list[float] = []
        for n, speed in reached:
            if n > 0 and self.count_mm == 0.0:
                found += beside(speed)
            elif n > 0:
                counts = round(self.travel.at(speed) / self.count_mm)
                found += [k * self.count_mm / (n * self.step_s) for k in (counts - 1, counts)]
        return found, whole


def _kinds(low: FeederAtSpeed, high: FeederAtSpeed) -> Iterator[_Kind]:
    """List the points of both clutch acts, and how they are reached."""
    step_s = locked_step(low.controller) / low.scale
    for below, above, eye in (
        (low.engage_travel_mm, high.engage_travel_mm, low.carrier_eye),
        (low.opening_travel_mm, high.opening_travel_mm, low.eye),
    ):
        travel = Straight.through((low.speed_mm_s, below), (high.speed_mm_s, above))
        step = step_s if is_locked(eye, low.controller) else 0.0
        yield _Kind(travel, step, low.count_mm)
