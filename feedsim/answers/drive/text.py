"""Drive sizing in words: what the axis needs, which candidates meet it, which one is chosen."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.drive.study.results import (
    CandidateAt,
    FeederSizing,
    RampInTime,
    RampInTravel,
    Sizing,
)
from feedsim.drivetrain.limits import Criterion
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display, display_unit
from feedsim.render.cautions import CAUTIONS, DRIVE_CAUTIONS
from feedsim.render.layout import items, table, wrapped
from feedsim.render.wording import acceleration, speed, time

_SHORT = ("peak", "RMS", "speed", "ratio", "duty")


def drive_text(found: Sizing, *, units: System) -> str:
    """Return the whole answer."""
    lines = [found.title]
    for feeder in found.feeders:
        lines += ["", *_feeder(feeder, found, units)]
    lines += ["", "Cautions", *items([*DRIVE_CAUTIONS, *CAUTIONS])]
    return "\n".join(lines)


def _feeder(feeder: FeederSizing, found: Sizing, units: System) -> Iterator[str]:
    yield f"{feeder.name}: the mechanism"
    yield from _mechanism(feeder, units)
    yield ""
    yield "What the axis needs, without its motor's own rotor"
    yield from table(_demand_rows(feeder, units))
    if feeder.candidates:
        yield ""
        yield from _candidates(feeder, units)
    yield ""
    yield from items(_words(feeder, found, units))


def _mechanism(feeder: FeederSizing, units: System) -> Iterator[str]:
    def inertia(value: float) -> str:
        return display(value, "inertia", units=units)

    rows = [("Inertia at the feed roller", inertia(feeder.load_inertia_kg_m2))]
    if feeder.reduction_ratio != 1.0:
        rows.append(("Reduction", f"{feeder.reduction_ratio:.4g} : 1"))
    rows.append(("Inertia at the motor", inertia(feeder.reflected_inertia_kg_m2)))
    friction = feeder.friction_limited_acceleration_mm_s2
    if friction is not None:
        free = feeder.free_friction_limited_acceleration_mm_s2
        said = _acceleration(friction, units)
        if free is not None and free != friction:
            said += f" while the magazine holds it, {_acceleration(free, units)} after"
        rows.append(("The insert follows up to", said))
    yield from table(rows, "l")


def _demand_rows(feeder: FeederSizing, units: System) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [
        ("line", "cycle", "moving", "feed", "acceleration", "motor", "peak", "RMS", "RMS power")
    ]
    for point in feeder.speeds:
        line, moving = speed(point.line_speed_mm_s, units), point.moving
        if moving is None:
            rows.append((line, "no feed cycles"))
            continue
        load = moving.load_alone
        rows.append(
            (
                line,
                time(moving.cycle_s),
                percent(round(moving.moving_share, 3)),
                speed(moving.peak_feed_speed_mm_s, units),
                _acceleration(moving.peak_acceleration_mm_s2, units),
                display(load.peak_speed_rpm, "angular speed"),
                _torque(load.peak_torque_n_m, units),
                _torque(load.rms_torque_n_m, units),
                display(load.rms_power_w, "power", digits=3),
            )
        )
    return rows


def _candidates(feeder: FeederSizing, units: System) -> Iterator[str]:
    for place, point in enumerate(feeder.speeds):
        if not point.candidates:
            continue
        if place:
            yield ""
        label = display_unit("torque", units).label
        at = speed(point.line_speed_mm_s, units)
        yield from wrapped(
            f"Candidates at {at}: torques in {label}, then margins in % (!: not met)"
        )
        rows: list[tuple[str, ...]] = [
            ("", "", "peak", "RMS", "regen J", "ratio", "reserve", *(f"{n} " for n in _SHORT))
        ]
        rows += [_candidate_row(one, units) for one in point.candidates]
        yield from table(rows)
    yield ""
    yield "Highest line speed of each candidate"
    rows = []
    for one in feeder.candidates:
        highest, most = one.highest_line_speed_mm_s, one.available_acceleration_mm_s2
        said = "none" if highest is None else speed(highest, units)
        said = "no limit found" if one.no_limit_found else said
        rows.append((one.name, said, f"ramps up to {_acceleration(most, units)}"))
    yield from table(rows)


def _candidate_row(one: CandidateAt, units: System) -> tuple[str, ...]:
    return (
        one.name,
        "pass" if one.passes else "FAIL",
        _torque(one.demand.peak_torque_n_m, units).split()[0],
        _torque(one.demand.rms_torque_n_m, units).split()[0],
        f"{one.demand.regenerated_energy_j:.3g}",
        f"{one.inertia_ratio:.3g}",
        margin_words(one.acceleration_reserve),
        *(_margin(criterion) for criterion in one.criteria.each.values()),
    )


def margin_words(margin: float | None) -> str:
    """Write a margin in per cent with its sign, without the percent sign.

    >>> margin_words(0.346), margin_words(-0.0516), margin_words(15.2), margin_words(None)
    ('+35', '-5.2', '>+999', '-')
    """
    if margin is None:
        return "-"
    if margin >= 9.995:
        return ">+999"
    shown = 100.0 * margin
    return f"{shown:+.0f}" if abs(shown) >= 9.95 else f"{shown:+.1f}"


def _margin(criterion: Criterion) -> str:
    return margin_words(criterion.margin) + (" " if criterion.met else "!")


def _words(feeder: FeederSizing, found: Sizing, units: System) -> Iterator[str]:
    """Say what stands out and what was assumed."""
    if feeder.load_inertia_kg_m2 == 0.0:
        yield (
            "Nothing that moves has a mass: give the rollers, the belts and the inserts, or this "
            "sizing means little."
        )
    slips = [(p, p.moving) for p in feeder.speeds if p.moving and p.moving.insert_slips]
    if slips:
        point, moving = slips[0]
        yield (
            f"The insert slips from {speed(point.line_speed_mm_s, units)} on: the ramps ask for "
            f"more than friction gives; {_shortest(moving.shortest_ramp, units)}."
        )
    for one in feeder.candidates:
        if one.power_does_not_fit:
            told = display(one.motor.rated_power_w, "power")
            makes = display(one.power_at_rated_torque_and_speed_w, "power")
            yield (
                f"{one.name}: rated torque at rated speed gives {makes}, but its rated power is "
                f"given as {told}; check its data."
            )
    most = feeder.max_acceleration_mm_s2
    if feeder.chosen and math.isfinite(most):
        given = found.scenario.feeder[feeder.number].servo.max_acceleration
        how = "taken from it" if given == "auto" else "as given"
        limit = _acceleration(most, units)
        yield f"Chosen: {feeder.chosen}; servo.max_acceleration is {limit}, {how}."
    yield (
        f"By common practice (no source), and yours to change: service_factor "
        f"{feeder.service_factor:g} on torques and power, allowed_inertia_ratio "
        f"{feeder.allowed_inertia_ratio:g}; rated torque up to rated speed, then rated power; "
        "peak torque up to rated speed, then straight down to the highest speed."
    )
    yield (
        f"Margins, with the service factor {feeder.service_factor:g} in them, compare the peak "
        "torque at each speed of the cycle, the RMS torque of the cycles, the highest speed, the "
        "reflected inertia over the rotor's, and the RMS power (duty). A motor at rest is taken to "
        "give nothing; reductions lose the same share either way. Regen: energy that a cycle "
        "gives back to the drive, in J. Ratio: inertia at the motor over its rotor's. Reserve: "
        "acceleration that the peak torque gives beyond the demand."
    )


def _shortest(ramp: RampInTime | RampInTravel, units: System) -> str:
    if isinstance(ramp, RampInTime):
        said = ramp.shortest_ramp_s and time(ramp.shortest_ramp_s)
    else:
        said = ramp.shortest_ramp_mm and display(ramp.shortest_ramp_mm, "length", units=units)
    if not said:
        return "friction alone cannot pull it off the magazine"
    return f"the shortest ramp that it follows there is {said}"


def _acceleration(value: float, units: System) -> str:
    return "any" if math.isinf(value) else acceleration(value, units)


def _torque(value: float, units: System) -> str:
    return display(value, "torque", units=units, digits=3)
