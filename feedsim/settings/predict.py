"""Mean behaviour of a line in closed form: placement, stage, cycle, late marks and openings.

The simulation never sees these; it is checked against them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from feedsim.machine import SAME_STEP, SAME_TRAVEL_MM, DistancesAndLeads, Eye
from feedsim.motion.ramps import ramp_demand
from feedsim.probability.distribution import Distribution
from feedsim.settings.acts import is_locked, mean_act, side_acts
from feedsim.settings.corrected_acts import corrected_acts, corrected_mean
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.late_acts import late_engage_mean, late_opening_behind, late_opening_mean
from feedsim.settings.nominal import engaged_time, following_time, ready_time
from feedsim.settings.nominal_cycle import (
    left_at_opening,
    left_unsettled,
    nominal_landing,
    usual_landing,
    usually_left,
)
from feedsim.settings.right import right_settings

_HARDLY_MM = 1e-3


class Expected(NamedTuple):
    """Mean errors of stage (above 0: past its position) and placement (above 0: late), mm."""

    stage_mm: float
    error_mm: float


@dataclass(frozen=True, slots=True)
class Shift:
    """One part of the mean placement error (mm; above 0: too far back)."""

    name: str
    mean_mm: float


@dataclass(frozen=True, slots=True)
class _Off(DistancesAndLeads):
    """The feeder's settings less the right ones: mm of counted travel, s."""

    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float


@term
def _off(at: FeederAtSpeed) -> _Off:
    given, right = at.settings, right_settings(at)
    return _Off(
        given.engage_distance_mm - right.engage_distance_mm,
        given.engage_lead_s - right.engage_lead_s,
        given.disengage_distance_mm - right.disengage_distance_mm,
        given.disengage_lead_s - right.disengage_lead_s,
    )


def opening_acts(at: FeederAtSpeed) -> Distribution:
    """Return opening less what settings assume (mm of belt travel), counts and ticks included."""
    return side_acts(at, at.eye, at.opening_travel_mm)


def corrected_point(at: FeederAtSpeed) -> Distribution:
    """Return the effect of acts on the placement with stage correction (mm of belt travel).

    The correction moves E by the insert's actual stage error: by the acts of its opening
    (:func:`feedsim.settings.corrected_acts.corrected_acts`) and the error of the opening's
    settings: E + ΔU in place of E (feedsim/MODEL.md, section 13, fact 1).
    """
    distance = at.settings.engage_distance_mm + opened_off(at)
    return corrected_acts(at, distance - at.settings.engage_lead_s * at.counted_mm_s)


def corrected_bias(at: FeederAtSpeed, engage: float, opening: float) -> float:
    """Return the mean of :func:`corrected_point` (mm) for given E and U."""
    opened = right_settings(at).opening_travel_mm(at.counted_mm_s)
    return corrected_mean(at, engage + opening - opened, opening)


def opened_off(at: FeederAtSpeed) -> float:
    """Return ΔU, the error of U = distance − lead·v_c (mm, counted; feedsim/MODEL.md, 8)."""
    return _off(at).opening_travel_mm(at.counted_mm_s)


@term
def known_bias(at: FeederAtSpeed) -> float:
    """Return the mean placement error that right settings leave (mm).

    From rounding to whole counts and, for scanned eyes, locked ticks (feedsim/MODEL.md, section 13,
    fact 1): that of E less that of U; with stage correction, that of the corrected E.
    """
    if at.settings.stage_correction:
        return corrected_point(at).average
    engage = engage_bias(at, at.engage_travel_mm)
    return at.scale * (engage - opening_bias(at, at.opening_travel_mm))


def engage_bias(at: FeederAtSpeed, travel: float) -> float:
    """Return the mean deviation (mm, counted travel) of closings from what settings assume.

    ``travel``: E, counted and not rounded.
    """
    return mean_act(at, travel, scanned=at.carrier_eye.scanned)


def opening_bias(at: FeederAtSpeed, travel: float) -> float:
    """Return the same as :func:`engage_bias` for openings, with U."""
    return mean_act(at, travel, scanned=at.eye.scanned)


@term
def expected_offsets(at: FeederAtSpeed) -> Expected:
    """Return the mean errors of stage and placement with the feeder's settings.

    Includes the deviation from the right settings, the known terms, and late acts
    (:mod:`feedsim.settings.late_acts`), but not the shift of the scale error.
    """
    by_engage = error_by_engage(at, at.opening_travel_mm, right_settings(at))
    error_mm = by_engage(at.engage_travel_mm) + at.scale * late_engage_mean(at)
    return Expected(staged_off(at), error_mm)


def error_by_engage(
    at: FeederAtSpeed, opening: float, right: DistancesAndLeads
) -> Callable[[float], float]:
    """Return the mean placement error (mm) as a function of E, for a U, without late marks.

    (1+ε)·(ΔE − ΔU + their mean acts − late openings), with stage correction (1+ε)·ΔE and the
    corrected act, and landings of inserts staged off (feedsim/MODEL.md, section 13, facts 1, 7 and
    9). ``opening``: U; E and U are counted and not rounded. ``right``: the settings from which ΔE
    and ΔU count.
    """
    scale, settings = at.scale, at.settings
    usual = right.engage_travel_mm(at.counted_mm_s)
    opened, late, bias = _opens_later(at, opening, right)
    landing = landing_shift(at, settings.speed_ratio * (opened + late + bias))

    def mean(engage: float) -> float:
        off = engage - usual
        if settings.stage_correction:
            return scale * off + corrected_bias(at, engage, opening) + landing
        known = engage_bias(at, engage) - bias
        return scale * (off - opened - late + known) + landing

    return mean


def opened_further(at: FeederAtSpeed, opening: float, right: DistancesAndLeads) -> float:
    """Return by how much a U opens later than right settings assume (mm, counted).

    ``opening``, ``right``: as in :func:`error_by_engage`.
    """
    opened, late, bias = _opens_later(at, opening, right)
    return opened + late + bias


def _opens_later(
    at: FeederAtSpeed, opening: float, right: DistancesAndLeads
) -> tuple[float, float, float]:
    """Return ΔU, late openings and the mean act (mm, counted)."""
    opened = opening - right.opening_travel_mm(at.counted_mm_s)
    return opened, late_opening_behind(at, opening), opening_bias(at, opening)


@term
def staged_off(at: FeederAtSpeed) -> float:
    """Return how far past the stage position inserts rest on average (mm).

    g·(ΔU + mean opening act) (derived in feedsim/MODEL.md, section 13, facts 1 and 7).
    """
    return _staged_off(at, late_mm=late_opening_mean(at))


@term
def staged_off_in_time(at: FeederAtSpeed) -> float:
    """Return the same without late openings."""
    return _staged_off(at, late_mm=0.0)


def _staged_off(at: FeederAtSpeed, *, late_mm: float) -> float:
    acts = late_mm + opening_bias(at, at.opening_travel_mm)
    return settings_off(at).stage_mm + at.settings.speed_ratio * acts


@term
def corrected_later(at: FeederAtSpeed) -> float:
    """Return how much later (mm of belt travel) stage correction engages on average.

    Only while an insert is staged (feedsim/MODEL.md, section 5). 0 if it engages sooner: a point
    that is past is acted on at once.
    """
    if not at.settings.stage_correction:
        return 0.0
    return max(0.0, staged_off(at) * at.belt_per_feed)


@term
def landing_shift(at: FeederAtSpeed, further_mm: float) -> float:
    """Return how late inserts staged further on land (mm) because ramp and lag are not over.

    Compares the nominal cycle from both positions, without the effect of the shorter way
    (feedsim/MODEL.md, section 13, fact 9). 0 if one of the two does not land in its cycle.
    """
    if abs(further_mm) < _HARDLY_MM:
        return 0.0
    if usually_left(at) < _HARDLY_MM and left_unsettled(at, further_mm=further_mm) < _HARDLY_MM:
        return 0.0
    usual, sooner = usual_landing(at), nominal_landing(at, further_mm=further_mm)
    if usual is None or sooner is None:
        return 0.0
    later_s = max(0.0, sooner) - usual
    return at.line_mm_s * later_s + further_mm / at.settings.speed_ratio


@term
def settings_off(at: FeederAtSpeed) -> Expected:
    """Return the effect on stage and error of the settings' deviation from the right ones.

    With ΔE and ΔU the deviations, the error is (1+ε)·(ΔE − ΔU), or (1+ε)·ΔE with stage correction,
    and the stage is off by g·ΔU (derived in feedsim/MODEL.md, section 13).
    """
    error, opened = _off(at).engage_travel_mm(at.counted_mm_s), opened_off(at)
    if not at.settings.stage_correction:
        error -= opened
    return Expected(at.settings.speed_ratio * opened, at.scale * error)


def scale_shift(at: FeederAtSpeed) -> float:
    """Return the shift of the placement by the encoder's scale error (mm), at any speed.

    ε·(D + target + mean carrier slip) (feedsim/MODEL.md, section 13, fact 5).
    """
    return at.scale_error * (at.feeder.to_target_mm + at.carriers.slip_mm)


def placement_shifts(at: FeederAtSpeed) -> list[Shift]:
    """Return the nonzero parts of :func:`expected_offsets`, and the shift of the scale error."""
    return [shift for shift in _shifts(at) if abs(shift.mean_mm) > SAME_TRAVEL_MM]


def mean_shift(shifts: Sequence[Shift]) -> float:
    """Return the mean placement error (mm)."""
    return sum(shift.mean_mm for shift in shifts)


def _shifts(at: FeederAtSpeed) -> Iterator[Shift]:
    off, corrected = _off(at), at.settings.stage_correction
    yield Shift("encoder scale error", scale_shift(at))
    yield Shift("engage distance not the right one", at.scale * off.engage_distance_mm)
    yield Shift("engage lead off the sum of delays", -off.engage_lead_s * at.speed_mm_s)
    yield Shift("late marks", at.scale * late_engage_mean(at))
    yield Shift("ramp or lag not over, staged off", landing_shift(at, staged_off(at)))
    if corrected:
        yield Shift("engage point in steps of locked ticks", known_bias(at))
        return
    yield Shift("disengage distance not the right one", -at.scale * off.disengage_distance_mm)
    yield Shift("disengage lead off the sum of delays", off.disengage_lead_s * at.speed_mm_s)
    engage, opening = _how_known(at, at.carrier_eye), _how_known(at, at.eye)
    yield Shift(f"engage point {engage}", at.scale * engage_bias(at, at.engage_travel_mm))
    yield Shift(f"disengage point {opening}", -at.scale * opening_bias(at, at.opening_travel_mm))
    yield Shift("late openings", -at.scale * late_opening_mean(at))


def _how_known(at: FeederAtSpeed, eye: Eye) -> str:
    if is_locked(eye, at.controller):
        return "in steps of locked ticks"
    return "rounded to whole counts"


@term
def cycle_time(at: FeederAtSpeed) -> float:
    """Return the mean time of one feed cycle (s), closing to ready, without waiting for a tick.

    Of an insert pitch (:func:`feedsim.settings.nominal.ready_time`).
    """
    clutch, counted, ratio = at.feeder.clutch, at.counted_mm_s, at.settings.speed_ratio
    engaged = engaged_time(clutch, at.inserts.pitch_mm, ratio=ratio, counted_mm_s=counted)
    return ready_time(clutch, at.feeder.servo, engaged, counted_mm_s=counted)


def until_next_tick(at: FeederAtSpeed) -> float:
    """Return how long a ready feeder waits for a motion tick (s), on the opening's grid.

    Engage ticks and readiness share one grid, so ramp-out, settling and command delay are rounded
    up to whole motion cycles (derived in feedsim/MODEL.md, sections 5 and 6).
    """
    cycle = at.controller.motion_cycle_s
    takes = ready_time(at.feeder.clutch, at.feeder.servo, 0.0, counted_mm_s=at.counted_mm_s)
    return cycle * math.ceil(takes / cycle - SAME_STEP) - takes if cycle else 0.0


def nose_at_opening(at: FeederAtSpeed, staged_mm: float) -> float:
    """Return where the next insert's nose is when the clutch opens (mm from its eye).

    The feed runs on until the nose rests at ``staged_mm``: as in the nominal cycle, with the rest
    of ramp-in and lag; without such a cycle, by its lag, the command delay and half the ramp-out
    (feedsim/MODEL.md, section 13, fact 10).
    """
    left = left_at_opening(at)
    if left is not None:
        return staged_mm - left
    counted, servo, clutch = at.counted_mm_s, at.feeder.servo, at.feeder.clutch
    _, ramp_out = clutch.ramps_s(counted)
    still_s = following_time(servo) + servo.command_delay_s + 0.5 * ramp_out
    return staged_mm - at.feed_mm_s * still_s


def largest_demand(at: FeederAtSpeed) -> float:
    """Return the larger acceleration that the two ramps demand of the drive (mm/s²)."""
    counted, clutch = at.counted_mm_s, at.feeder.clutch
    ratio, travel_ramp = at.settings.speed_ratio, clutch.travel_ramp
    return max(
        ramp_demand(counted, length, ratio=ratio, travel_ramp=travel_ramp)
        for length in (clutch.ramp_in, clutch.ramp_out)
    )


def late_share(at: FeederAtSpeed, travel: float, *, scanned: bool) -> float:
    """Return the share of edges known only after a travel (mm, counted) from the capture.

    From capture to scan tick a time uniform on 0…scan passes (latched), or none (scanned, captured
    at the tick): 1 − travel/(v_c·scan) (feedsim/MODEL.md, section 13, fact 7).
    """
    if travel < 0.0:
        return 1.0
    wait = 0.0 if scanned else at.counted_mm_s * at.controller.scan_s
    return max(0.0, 1.0 - travel / wait) if wait > 0.0 else 0.0
