"""Where ``"auto"`` departs from the sum of the delays, and what that costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.machine import SAME_RATIO, SIDES, Feeder, Resolution, SideName
from feedsim.metrics.percent import percent
from feedsim.quantities import Kind
from feedsim.running.run import criteria_of
from feedsim.scenario import machine_from
from feedsim.scenario.ratio import nearest_fraction
from feedsim.settings.acts import is_locked, locked_step
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import WORTH_MM
from feedsim.settings.late_acts import late_opening_mean
from feedsim.settings.mean import mean_error, placement_mean
from feedsim.settings.predict import expected_offsets
from feedsim.settings.right import solve_feeder
from feedsim.settings.solve import solve
from feedsim.settings.steps import nearest_step

_SAME_LEAD_S = 1e-7
_NOTHING_MM = 0.0005
_OFF_A_STEP, _LAST_DIGIT_MM = 1e-6, 0.0015
_MOST_SPEEDS = 50


def automatic_words(s: CheckedFeeder) -> Iterator[str]:
    """Say which leads "auto" moved off the sum of the delays, why, and what it costs."""
    given = s.scenario.feeder[s.number].settings
    right, exact = solve_feeder(s.machine, s.feeder), _without_steps(s)
    moved = False
    for side, eye in zip(SIDES, (s.machine.carrier_eye, s.feeder.eye), strict=True):
        more = exact.settings.side(side).lead_s - right.side(side).lead_s
        if f"{side}_lead" not in given.automatic or abs(more) < _SAME_LEAD_S:
            continue
        moved, locked = True, is_locked(eye, s.machine.controller)
        yield (
            f"The {side} lead is {s.say(abs(more), 'time')} {'more' if more > 0.0 else 'less'} "
            f"than the delays add up to: {_why(s, side, locked=locked)}."
        )
    rounding = _rounding(s, exact)
    if rounding:
        yield rounding
    if moved or rounding:
        yield _cost(s)
    if given.resolution.ratio:
        yield _fraction(s)


def mean_words(s: CheckedFeeder) -> Iterator[str]:
    """Say what waits add to the mean error, and how far the true mean may lie off."""
    found = mean_error(s.here, criteria_of(s.scenario))
    if found.waits_mm > WORTH_MM:
        yield (
            f"Carriers that wait for the feeder get their insert late: by {s.say(found.waits_mm)}, "
            f"averaged over all inserts, {s.at_speed}. The placement expected above is that of the "
            f"others."
        )
    if found.most_mm > WORTH_MM:
        by = (
            f"by up to {s.say(found.most_mm)}"
            if found.most_mm < s.machine.carriers.pitch_mm
            else "by an amount that no closed form gives"
        )
        names = ", ".join(each.name for each in found.besides)
        yield f"The mean error may differ from the closed form {by} {s.at_speed}: {names}."


def _without_steps(s: CheckedFeeder) -> Feeder:
    """Return the feeder as "auto" would set it if the controller took any value."""
    given = machine_from(s.scenario)
    f = given.feeders[s.number]
    stepless = replace(f, settings=replace(f.settings, resolution=Resolution()))
    return solve(replace(given, feeders=(stepless,))).feeders[0]


def _rounding(s: CheckedFeeder, exact: Feeder) -> str:
    """Say what the controller's steps cost at line speed; empty where nothing was rounded."""
    steps, v = s.feeder.settings.resolution, s.machine.line.speed_mm_s
    if exact.settings == replace(s.feeder.settings, resolution=Resolution()):
        return ""
    of = [f"{s.say(size, kind)} for {what}" for what, size, kind in _kinds(steps) if size > 0.0]
    both = [FeederAtSpeed(s.machine, f, v) for f in (s.feeder, exact)]
    staged_at = [expected_offsets(at).stage_mm for at in both]
    stage = staged_at[0] - staged_at[1]
    staged = ""
    if abs(stage) > _NOTHING_MM:
        staged = f", and stage them {s.say(abs(stage))} {'further' if stage > 0.0 else 'less far'}"
    rounded, stepless = (s.off(placement_mean(at)) for at in both)
    instead = ", as without rounding" if rounded == stepless else f", in place of {stepless}"
    return (
        f"Rounded to the controller's steps ({', '.join(of)}), settings place inserts on average "
        f"{rounded} at line speed{instead}{staged}."
    )


def _kinds(steps: Resolution) -> tuple[tuple[str, float, Kind], ...]:
    return ("distances", steps.distance_mm, "length"), ("leads", steps.lead_s, "time")


def _fraction(s: CheckedFeeder) -> str:
    given = s.scenario.feeder[s.number].settings
    fraction = nearest_fraction(given.speed_ratio, given.resolution.ratio)
    off = float(fraction) / given.speed_ratio - 1.0
    how = "exactly"
    if abs(off) > SAME_RATIO:
        more, faster = ("more", "faster") if off > 0.0 else ("less", "slower")
        how = f"{percent(abs(off))} {more}, so that the feed runs that much {faster}"
    return (
        f"The speed ratio {given.speed_ratio:g} is typed in as {fraction.numerator}/"
        f"{fraction.denominator}: {how}."
    )


def not_on_steps(s: CheckedFeeder) -> Iterator[str]:
    """Warn of typed-in settings that the controller does not take."""
    given, settings = s.scenario.feeder[s.number].settings, s.feeder.settings
    steps = settings.resolution
    rows: tuple[tuple[str, float, float, Kind], ...] = (
        ("target_offset", settings.target_offset_mm, steps.distance_mm, "length"),
        ("stage_position", settings.stage_position_mm, steps.distance_mm, "length"),
        ("engage_distance", settings.engage_distance_mm, steps.distance_mm, "length"),
        ("engage_lead", settings.engage_lead_s, steps.lead_s, "time"),
        ("disengage_distance", settings.disengage_distance_mm, steps.distance_mm, "length"),
        ("disengage_lead", settings.disengage_lead_s, steps.lead_s, "time"),
    )
    for name, value, step, kind in rows:
        nearest = nearest_step(value, step)
        # a length as printed on a sheet, in inches too, is on its step
        last = _LAST_DIGIT_MM if kind == "length" else 0.0
        if name in given.automatic or abs(value - nearest) <= max(_OFF_A_STEP * step, last):
            continue
        pairs = ([s.say(x, kind, digits=n) for x in (value, nearest)] for n in range(6, 17))
        here, there = next(pair for pair in pairs if pair[0] != pair[1])
        yield (
            f"{name} is {here}, which the controller does not take: "
            f"its steps are {s.say(step, kind)}. The nearest is {there}."
        )


def _why(s: CheckedFeeder, side: SideName, *, locked: bool) -> str:
    controller, line = s.machine.controller, s.machine.line
    if not locked:
        if is_locked(s.machine.carrier_eye, controller) or is_locked(s.feeder.eye, controller):
            return "it takes off what the locked ticks of the other eye leave"
        if side == "engage" and late_opening_mean(s.here) > 0.0:
            return "it takes off what late openings do on average"
        return "it takes off what rounding to whole counts leaves"
    step = line.speed_mm_s / s.machine.encoder.scale * locked_step(controller)
    room = step - s.machine.encoder.count_mm
    distance = s.feeder.settings.side(side).distance_mm
    words = (
        f"that puts its point in the middle of a step of the locked ticks, {s.say(step)} at line "
        f"speed"
    )
    if room <= 0.0 or distance <= 0.0:
        return words
    return f"{words}, which a speed up to {percent(0.5 * room / distance)} off does not leave"


def _cost(s: CheckedFeeder) -> str:
    """Say what the settings do at the speeds of the sweep, typed in."""
    speeds = s.scenario.sweep.speeds_mm_s
    some = speeds[:: max(1, len(speeds) // _MOST_SPEEDS)]
    found = []
    for speed in some:
        there = replace(s.machine, line=replace(s.machine.line, speed_mm_s=speed, profile=()))
        found.append((placement_mean(FeederAtSpeed(there, s.feeder, speed)), speed))
    least, most = min(found), max(found)
    if s.off(least[0]) == s.off(most[0]):
        ends = f"{s.off(most[0])} at each"
    else:
        both = (f"{s.off(error)} at {s.say(speed, 'speed')}" for error, speed in (least, most))
        ends = f"between {' and '.join(both)}"
    return (
        f"These leads are for {s.say(s.machine.line.speed_mm_s, 'speed')}. Typed in and run at "
        f"the speeds of the sweep, they place inserts on average {ends}."
    )
