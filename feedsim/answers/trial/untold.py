"""What a trial could not tell, said plainly."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.trial.study.fit import FeederFit, TrialFit
from feedsim.quantities import System, display
from feedsim.settings.acts import locked_step

__all__ = ["untold_words"]

_NOT_STRAIGHT = 0.05
_FAR = 3.0


def untold_words(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    """Say what cannot be told apart, and what the fit rests on that may not hold."""
    found = feeder.found
    line = found.placement
    if line is not None and line.per_speed_s is None:
        at = display(feeder.speeds[0].speed_mm_s, "speed", units=units)
        yield (
            "One speed: what belongs to the distance and what to the lead cannot be told. All of "
            f"it is put on the distance, which is right at {at} only. Measure at others."
        )
    elif line is not None and line.speeds == 2:
        yield "Two speeds: whether it is a straight line between them cannot be told."
    if found.stage is None and line is not None:
        yield _stage_unknown(feeder)
    yield from _not_straight(fit, feeder, units)
    yield from _speeds(fit, feeder, units)


def _stage_unknown(feeder: FeederFit) -> str:
    if feeder.old.stage_correction:
        return (
            "The stage was not measured: nothing is known of the disengage side, since with "
            "stage_correction the placement does not show it."
        )
    return (
        "The stage was not measured. Whether the carrier side is late or the insert side early "
        "cannot be told: all of it is put on the engage side. A delay that both share does not "
        "show in the placement at all; the stage may still walk with speed, until a nose "
        "strikes or a tail is held. Measure stage_position as well."
    )


def _not_straight(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    found = feeder.found
    bent = [
        name
        for name, line in (("placement error", found.placement), ("stage", found.stage))
        if line is not None and line.straight is not None and line.straight < _NOT_STRAIGHT
    ]
    if not bent:
        return
    verb = "does" if len(bent) == 1 else "do"
    yield (
        f"The {' and the '.join(bent)} {verb} not lie on a straight line over the speed; the "
        "intervals are as wide as that makes them. Another run at each speed tells whether it "
        "was chance."
    )
    step = locked_step(fit.machine.controller)
    eyes = (fit.machine.carrier_eye.scanned, fit.machine.feeders[feeder.number].eye.scanned)
    if step and any(eyes):
        travel = display(step * feeder.speeds[-1].speed_mm_s, "length", units=units, digits=2)
        yield (
            f"Scan and motion ticks are locked: points act in steps of up to {travel}, which no "
            "distance takes out. Latch the eyes, or shorten the motion cycle."
        )


def _speeds(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    line_speed = fit.scenario.line.speed
    slowest, fastest = (feeder.speeds[place].speed_mm_s for place in (0, -1))
    shown = display(line_speed, "speed", units=units)
    if fastest * _FAR < line_speed or slowest > line_speed * _FAR:
        tried = display(fastest, "speed", units=units)
        yield (
            f"The fastest speed tried is {tried}, the line's is {shown}: is the unit of the "
            "column right?"
        )
    elif fastest > slowest and not 0.99 * slowest <= line_speed <= 1.01 * fastest:
        yield (
            f"Line speed, {shown}, lies outside the speeds that were tried: there the "
            "corrections rest on a line that nobody has looked at."
        )
    target = feeder.old.stage_position_mm
    reach = fit.machine.feeders[feeder.number].inserts.length_mm / 2.0
    means = [there.stage.mean_mm for there in feeder.speeds if there.stage.mean_mm is not None]
    if any(abs(mean - target) > reach for mean in means):
        yield (
            "The stage positions are far off the one that is set: they have to be measured from "
            "the insert eye to the resting nose."
        )
