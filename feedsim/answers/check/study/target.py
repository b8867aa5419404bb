"""Warnings about the target: the mean error, what it comes from, and the spread about it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.metrics.percent import percent
from feedsim.settings.acts import is_locked, rounded, step_travel
from feedsim.settings.known import best_engage_lead
from feedsim.settings.mean import placement_mean
from feedsim.settings.predict import expected_offsets, known_bias, mean_shift, scale_shift
from feedsim.settings.right import solve_feeder
from feedsim.settings.sources import lag_shifts, placement_sd, placement_spread

_WORTH_CHANGING_MM = 0.02


def off_target(s: CheckedFeeder) -> Iterator[str]:
    """Warn of settings that stage or place an insert off target, and say why."""
    expected = expected_offsets(s.here)
    worth_a_word = 0.1 * s.scenario.acceptance.placement_tolerance
    if abs(expected.stage_mm) > max(worth_a_word, _stage_of_auto(s)):
        yield (
            f"The settings stage an insert {s.say(abs(expected.stage_mm))} "
            f"{'past' if expected.stage_mm > 0.0 else 'short of'} the stage position {s.at_speed}."
        )
    shift, of_lag = scale_shift(s.here), mean_shift(lag_shifts(s.here))

    def matters(error: float) -> bool:
        return min(abs(error), abs(error + shift)) > worth_a_word

    if not matters(expected.error_mm + of_lag):
        return
    words = [f"The settings place inserts {s.off(placement_mean(s.here))} on average {s.at_speed}."]
    if abs(of_lag) > worth_a_word:
        words.append(
            f" Of that {s.off(of_lag)} comes from the servo's lag, which is not over in time: what "
            f"it leaves in cycles that are unlike, by gap, pitch or stage, does not cancel out. "
            f"More loop_gain or velocity_feedforward lessens it."
        )
    if matters(expected.error_mm):
        words.append(_because(s, worth_a_word))
    yield "".join(words)


def _stage_of_auto(s: CheckedFeeder) -> float:
    """Return how far "auto" itself may stage an insert off (mm): half a step of locked ticks."""
    given, controller = s.scenario.feeder[s.number].settings, s.machine.controller
    typed_in = given.disengage_distance != "auto" or given.disengage_lead != "auto"
    eyes = (s.machine.carrier_eye, s.feeder.eye)
    if typed_in or not any(is_locked(eye, controller) for eye in eyes):
        return 0.0
    step = step_travel(s.here) + s.machine.encoder.count_mm
    return 0.5 * s.feeder.settings.speed_ratio * step


def _because(s: CheckedFeeder, worth_a_word: float) -> str:
    """Say how much of a mean error comes from steps and counts, and what helps: a lead first."""
    lead = _better_lead(s)
    step = step_travel(s.here)
    if step and (s.machine.carrier_eye.scanned or s.feeder.eye.scanned):
        if not lead.words and abs(lead.leaves_mm) <= worth_a_word:
            return ""
        why = f" Scan and motion ticks are locked: points act in steps of {s.say(step)}."
        hardware = "latch the eyes, or shorten the motion cycle"
    else:
        left = known_bias(s.here)
        if abs(left) <= worth_a_word:
            return lead.words
        count = s.say(s.machine.encoder.count_mm)
        why = f" Of that {s.off(left)} comes from rounding to whole counts of {count}."
        hardware = "take a finer wheel"
    if not lead.words:
        return f"{why} {'No step' if step else 'No count'} lies nearer: {hardware}."
    return f"{why}{lead.words}" + (
        f" To come nearer still, {hardware}." if abs(lead.leaves_mm) > worth_a_word else ""
    )


@dataclass(frozen=True, slots=True)
class _Lead:
    """What the best engage lead leaves (mm), and words of advice where it is worth it."""

    leaves_mm: float
    words: str


def _better_lead(s: CheckedFeeder) -> _Lead:
    """Return the lead that leaves the least error; where a distance is off, that distance.

    A lead makes up for a distance at one speed only.
    """
    there = s.here.on_line_at(s.speed)
    best = best_engage_lead(there).engage_lead_s
    better, words = there.with_settings(engage_lead_s=best), s.say(best, "time", digits=4)
    what = f"An engage lead of {words}"
    whole = rounded(placement_spread(there).average, s.machine.encoder.count_mm)
    have = there.settings.engage_distance_mm
    right = solve_feeder(s.machine, s.feeder).engage_distance_mm
    if abs(right - (have - whole)) < abs(right - have) - _WORTH_CHANGING_MM - _a_step(s):
        better = there.with_settings(engage_distance_mm=have - whole)
        what = f"An engage distance of {s.say(have - whole, digits=6)}"
    tolerance = s.scenario.acceptance.placement_tolerance
    now, then = placement_spread(there), placement_spread(better)
    within = 1.0 - then.share_outside(-tolerance, tolerance)
    nearer = abs(now.average) - abs(then.average) > _WORTH_CHANGING_MM
    leaves = then.average - scale_shift(there) - mean_shift(lag_shifts(better))
    if not nearer and now.sd - then.sd <= _WORTH_CHANGING_MM:
        return _Lead(leaves, "")
    return _Lead(
        leaves,
        f" {what} would place them {s.off(then.average)} there, {percent(within)} within "
        f"±{s.say(tolerance)}.",
    )


def _a_step(s: CheckedFeeder) -> float:
    """Return how far a step of the locked ticks or of counts may shift a distance (mm)."""
    step = step_travel(s.here)
    return max(step, s.machine.encoder.count_mm, s.feeder.settings.resolution.distance_mm)


def scale(s: CheckedFeeder) -> Iterator[str]:
    """Warn of an encoder scale error that shifts the placement and that settings leave in."""
    shift, worth_a_word = scale_shift(s.here), 0.1 * s.scenario.acceptance.placement_tolerance
    mean = shift + expected_offsets(s.here).error_mm
    made_up_for = abs(mean) < 0.5 * abs(shift)
    if min(abs(shift), abs(mean)) > worth_a_word and not made_up_for:
        yield (
            f"The encoder's scale error shifts the placement by {s.say(shift)} at every speed. "
            f"Measure the wheel, or correct the engage distance."
        )


def spread(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a spread too wide for the tolerance."""
    sd = placement_sd(s.here)
    tolerance = s.scenario.acceptance.placement_tolerance
    whole = placement_spread(s.here, late=False)
    on_target = whole.shifted(-whole.average)
    within = 1.0 - on_target.share_outside(-tolerance, tolerance)
    wanted = s.scenario.acceptance.within_tolerance
    if within < wanted:
        yield (
            f"Even on target, a spread of {s.say(sd)} {s.at_speed} keeps only {percent(within)} "
            f"within ±{s.say(tolerance)} ({percent(wanted)} wanted).{_better_lead(s).words}"
        )
