"""The sources of spread of the placement, one by one, as in a GUM budget.

Each source is a quantity that varies (an edge, a response, a wait for a tick, a count, a slip),
with its standard uncertainty and the sensitivity of the placement error to it. Lateness on the
carrier side places late; on the insert side it stages the insert further on, which places early.
An error x of feed travel on the insert side moves the placement by (1 + ε)·x/g of belt travel
(feedsim/MODEL.md, section 6). Shifts of the mean are in :mod:`feedsim.settings.predict`.

Each source also has its effect on the placement as a whole distribution; their sum is the placement
error (:func:`placement_spread`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal, NamedTuple

from feedsim.machine import SAME_TRAVEL_MM, Eye
from feedsim.probability.distribution import Distribution
from feedsim.settings.acts import (
    first_shifts,
    is_locked,
    later_ticks,
    locked_step,
    tick_wait_variance,
)
from feedsim.settings.acts_together import acts_together
from feedsim.settings.corrected_acts import fine_steps, opens_at_tick
from feedsim.settings.feeder_at_speed import FeederAtSpeed, lasting_term, term
from feedsim.settings.lag_left import lag_left
from feedsim.settings.late_acts import late_engage_mean, late_opening, openings_not_in_time
from feedsim.settings.nominal import clipped_slip_mean, clipped_slip_sd, rectangular_sd
from feedsim.settings.predict import (
    Shift,
    corrected_point,
    landing_shift,
    scale_shift,
    settings_off,
    staged_off,
    staged_off_in_time,
)
from feedsim.settings.spreads import slips

Shape = Literal["normal", "clipped normal", "rectangular", "discrete"]
Side = Literal["carrier", "insert"]
MOTION_CYCLE = "motion cycle"
LAG = "lag not over"
_COUNT = "encoder count"


@dataclass(frozen=True, slots=True)
class Source:
    """One source of spread, a line of the budget.

    Attributes
    ----------
    name : str
        In the machine's words.
    side : {"carrier", "insert"}
        Whether it moves the carrier (or its mark), or the insert (or its stage).
    cause : str
        What to change about the machine; several sources may have one cause.
    unit : {"mm", "s"}
        Of the quantity; the effect of a time grows with the speed.
    distribution : {"normal", "clipped normal", "rectangular", "discrete"}
        "discrete": a few values; for a tick equally likely ones at equal steps.
    half_width : float or None
        From the middle to either end (``unit``), if there is an end.
    standard_uncertainty : float
        Standard deviation of the quantity (``unit``).
    sensitivity_mm_per_unit : float
        Change of the placement error per ``unit`` (mm).
    """

    name: str
    side: Side
    cause: str
    unit: Literal["mm", "s"]
    distribution: Shape
    half_width: float | None
    standard_uncertainty: float
    sensitivity_mm_per_unit: float

    @property
    def contribution_mm(self) -> float:
        """Its own standard deviation of the placement error (mm), JCGM 100:2008 (GUM), 5.1.3."""
        return abs(self.sensitivity_mm_per_unit) * self.standard_uncertainty

    def share_of(self, combined_sd_mm: float) -> float:
        """Return its share (0…1) of the variance of a :func:`combined_sd` (by definition)."""
        return (self.contribution_mm / combined_sd_mm) ** 2 if combined_sd_mm > 0.0 else 0.0


class _Part(NamedTuple):
    """A source, and its effect on the placement error (mm); for an act, with its known mean.

    The source is built on demand: a search for the limit needs only errors.
    """

    source: Callable[[], Source]
    error: Distribution


def combined_sd(sources: Sequence[Source]) -> float:
    """Return the root of the sum of the squared contributions (mm).

    Combined standard uncertainty of independent quantities, JCGM 100:2008 (GUM), 5.1.2.
    """
    return math.sqrt(sum(source.contribution_mm**2 for source in sources))


@term
def placement_sources(at: FeederAtSpeed) -> tuple[Source, ...]:
    """Return the sources of the spread of the placement error; zero sources are left out."""
    captured, acts, slipped = _captured(at), _acts(at), _slipped(at)
    both: tuple[Side, Side] = ("carrier", "insert")
    made = [part.source() for part in (*captured, *acts)]
    found = [source for side in both for source in made if source.side == side]
    found += [part.source() for part in slipped]
    if (lag := lag_part(at)) is not None:
        found.append(Source(LAG, "insert", LAG, "mm", "discrete", None, lag.sd, 1.0))
    return tuple(source for source in found if source.standard_uncertainty > 0.0)


def placement_sd(at: FeederAtSpeed) -> float:
    """Return the standard deviation of the placement error (mm)."""
    return combined_sd(placement_sources(at))


def sd_without_slips(at: FeederAtSpeed) -> float:
    """Return the standard deviation of the placement error without slips and lag (mm)."""
    slips = math.hypot(at.carriers.slip_sd_mm, clipped_slip_sd(at.inserts) * at.belt_per_feed)
    timed = combined_sd([source for source in placement_sources(at) if source.name != LAG])
    return math.sqrt(max(0.0, timed**2 - slips**2))


@term
def placement_spread(at: FeederAtSpeed, *, late: bool = True, lag: bool = True) -> Distribution:
    """Return the placement error (mm, above 0: late) for marks known in time.

    ``late``: include late openings, after which the insert starts further on and comes early.
    ``lag``: include what is left of the lag in cycles that are unlike (:func:`lag_part`).
    """
    left = lag_part(at) if lag else None
    if lag and left is None:
        return placement_spread(at, late=late, lag=False)
    if not late:
        alone = _alone(at)
        return alone if left is None else alone.plus(left.shifted(-_landing_in_time(at)))
    if (acts := late_acts_of_placement(at)) is not None:
        there = _alone(at, opening=False).plus(acts.times(-at.scale))
        shift = left or Distribution(_landing(at))
        return there.plus(shift.shifted(-_landing_in_time(at)))
    behind = Distribution() if at.settings.stage_correction else late_opening(at)
    rarely = tuple((share, -at.scale * length) for share, length in behind.rarely)
    mean = _landing(at) - _landing_in_time(at) if left is None else 0.0
    late_ones = Distribution(mean - at.scale * behind.mean, rarely=rarely)
    return placement_spread(at, late=False, lag=lag).plus(late_ones)


def late_acts_of_placement(at: FeederAtSpeed) -> Distribution | None:
    """Return when openings act that are not all in time (mm), if the placement has it.

    :func:`feedsim.settings.late_acts.openings_not_in_time`; a stage correction makes up for it.
    """
    return None if at.settings.stage_correction else openings_not_in_time(at)


@term
def _landing(at: FeederAtSpeed) -> float:
    return landing_shift(at, staged_off(at))


@term
def _landing_in_time(at: FeederAtSpeed) -> float:
    return landing_shift(at, staged_off_in_time(at))


@term
def lag_part(at: FeederAtSpeed) -> Distribution | None:
    """Return what a lag that is not over brings (mm), inserts that are staged off included.

    None where it hardly matters (:func:`feedsim.settings.lag_left.lag_left`).
    """
    return lag_left(at, _alone(at).sd)


def lag_shifts(at: FeederAtSpeed) -> list[Shift]:
    """Return what it adds to the mean beyond :func:`feedsim.settings.predict.placement_shifts`."""
    left = lag_part(at)
    return [] if left is None else [Shift("lag left in unlike cycles", left.average - _landing(at))]


@term
def _alone(at: FeederAtSpeed, *, opening: bool = True) -> Distribution:
    """Return the placement error (mm) in cycles that are all alike, without late openings.

    ``opening``: include how tick and count of an opening on a latched edge spread.
    """
    acts, whole = _acts(at), _without_acts(at)
    if not opening:
        (tick, count), acts = acts[:2], acts[2:]
        whole = whole.shifted(tick.error.average + count.error.average)
    return whole.plus(*(act.error for act in reversed(acts)))


@term
def _without_acts(at: FeederAtSpeed) -> Distribution:
    mean = settings_off(at).error_mm + scale_shift(at)
    mean += _landing_in_time(at)
    if not at.controller.late_mark_engages:
        mean += at.scale * late_engage_mean(at)
    mean -= clipped_slip_mean(at.inserts) * at.belt_per_feed
    carrier_slip, insert_slip = (part.error for part in _slipped(at))
    edges = [*(part.error for part in _captured(at)), carrier_slip]
    whole = Distribution(
        mean,
        math.hypot(*(part.normal_sd for part in edges)),
        tuple(half for part in edges for half in part.half_widths),
    )
    return whole.plus(insert_slip)


def _captured(at: FeederAtSpeed) -> tuple[_Part, ...]:
    """List both sides' sources from edge to capture."""
    carrier, insert = _Late(at, "carrier", at.speed_mm_s), _Late(at, "insert", -at.speed_mm_s)
    return (
        *_side(at, at.carrier_eye, carrier, per_mm=1.0),
        *_side(at, at.eye, insert, per_mm=-at.belt_per_feed),
    )


def _side(at: FeederAtSpeed, eye: Eye, late: _Late, *, per_mm: float) -> Iterator[_Part]:
    yield _of_length(f"{late.side} eye edge", late.side, eye.edge_sd_mm, per_mm=per_mm)
    yield late.anywhere(f"{late.side} eye jitter", eye.response_jitter_s)
    if eye.scanned:
        scan = 0.5 * at.controller.scan_s
        yield late.anywhere(f"{late.side} eye scan", scan, cause="scan")


@lasting_term
def _slipped(at: FeederAtSpeed) -> tuple[_Part, _Part]:
    """List the slips of carrier and insert."""
    per_feed, sd = at.belt_per_feed, clipped_slip_sd(at.inserts)
    insert = partial(
        Source, "insert slip", "insert", "insert slip", "mm", "clipped normal", None, sd, per_feed
    )
    return (
        _of_length("carrier slip", "carrier", at.carriers.slip_sd_mm, per_mm=-1.0),
        _Part(insert, slips(at).times(per_feed)),
    )


@term
def _acts(at: FeederAtSpeed) -> tuple[_Part, ...]:
    """List the sources of points, counts and ticks of both sides."""
    carrier = _Late(at, "carrier", at.speed_mm_s)
    insert = _Late(at, "insert", -at.speed_mm_s)
    if at.settings.stage_correction:
        return tuple(_corrected(at, carrier, insert))
    if (both := acts_together(at)) is not None:
        steps = _of_steps("counts of both eyes", "carrier", _COUNT, both, sd_mm=both.sd)
        return insert.tick(scanned=True), carrier.tick(scanned=True), steps
    # the sum adds the acts in reverse: for each side first its count, then its tick
    return (
        *_act(at, at.eye, insert, at.opening_travel_mm),
        *_act(at, at.carrier_eye, carrier, at.engage_travel_mm),
    )


def _act(at: FeederAtSpeed, eye: Eye, late: _Late, travel: float) -> Iterator[_Part]:
    """List the sources of one side's point, count and tick.

    If locked, the fraction of a count at the storing tick decides the step: it spreads only if the
    point lies within a count of a step.
    """
    yield late.tick(scanned=eye.scanned)
    first, factor = first_shifts(at, travel, scanned=eye.scanned), at.scale * late.sign
    if is_locked(eye, at.controller):
        name, placed = f"{late.side} eye count", first.times(factor)
        yield _of_steps(name, late.side, _COUNT, placed, sd_mm=at.scale * first.sd)
    else:
        yield late.count(factor * first.average)


def _corrected(at: FeederAtSpeed, carrier: _Late, insert: _Late) -> Iterator[_Part]:
    """List the sources of point, counts and tick with stage correction.

    They are those of :func:`feedsim.settings.predict.corrected_point`; a tick locked to the scan
    and one step of its correction make up a whole motion cycle.
    """
    yield carrier.tick(scanned=at.carrier_eye.scanned)
    name, locked = "steps of correction", is_locked(at.carrier_eye, at.controller)
    at_tick = opens_at_tick(at, at.opening_travel_mm)
    if not (at_tick or is_locked(at.eye, at.controller)):
        if locked:
            yield carrier.anywhere(name, 0.5 * locked_step(at.controller), cause=MOTION_CYCLE)
        yield carrier.count()
        yield insert.count()
        return
    steps = corrected_point(at).choices
    if not locked or not steps or fine_steps(at):
        yield carrier.count()
    if steps:
        moved = Distribution(choices=steps)
        yield _of_steps(name, "carrier", MOTION_CYCLE, moved, sd_mm=moved.sd)
    else:  # a count has so many steps that it is practically uniform
        yield insert.count()


def _of_steps(name: str, side: Side, cause: str, error: Distribution, *, sd_mm: float) -> _Part:
    sd_mm, sign = sd_mm if sd_mm > SAME_TRAVEL_MM else 0.0, 1.0 if side == "carrier" else -1.0
    return _Part(partial(Source, name, side, cause, "mm", "discrete", None, sd_mm, sign), error)


@dataclass(slots=True)
class _Late:
    """Builds the sources of one side; ``speed``: mm/s, below 0 if lateness places early."""

    at: FeederAtSpeed
    side: Side
    speed: float

    @property
    def sign(self) -> float:
        """1 if lateness places late, −1 if it places early."""
        return math.copysign(1.0, self.speed)

    def anywhere(self, name: str, half_width_s: float, *, cause: str = "") -> _Part:
        """Return a time uniform within ± the half-width."""
        u, of = rectangular_sd(half_width_s), cause or name
        source = partial(
            Source, name, self.side, of, "s", "rectangular", half_width_s, u, self.speed
        )
        return _Part(source, Distribution(half_widths=(abs(self.speed) * half_width_s,)))

    def tick(self, *, scanned: bool) -> _Part:
        """Return the wait for a motion tick: uniform, or from a scan tick one of a few steps γ."""
        name = "closing tick" if self.side == "carrier" else "opening tick"
        cycle = self.at.controller.motion_cycle_s
        step = locked_step(self.at.controller) if scanned else 0.0
        if step == 0.0:
            return self.anywhere(name, 0.5 * cycle, cause=MOTION_CYCLE)
        u = math.sqrt(tick_wait_variance(cycle, step)) if round(cycle / step) > 1 else 0.0
        half = 0.5 * (cycle - step)
        source = partial(
            Source, name, self.side, MOTION_CYCLE, "s", "discrete", half, u, self.speed
        )
        return _Part(source, later_ticks(self.at, abs(self.speed)).times(self.sign))

    def count(self, mean_mm: float = 0.0) -> _Part:
        """Return an encoder count at any phase, with a given mean (mm)."""
        half, per_mm = 0.5 * self.at.count_mm, self.sign * self.at.scale
        u, name = rectangular_sd(half), f"{self.side} eye count"
        source = partial(Source, name, self.side, _COUNT, "mm", "rectangular", half, u, per_mm)
        return _Part(source, Distribution(mean_mm, half_widths=(abs(per_mm) * half,)))


def _of_length(name: str, side: Side, sd_mm: float, *, per_mm: float) -> _Part:
    source = partial(Source, name, side, name, "mm", "normal", None, sd_mm, per_mm)
    return _Part(source, Distribution(normal_sd=abs(per_mm) * sd_mm))
