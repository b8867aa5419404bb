"""What to change where inserts are staged or placed off target: the rule at the machine."""

from __future__ import annotations

from dataclasses import dataclass, replace

from feedsim.machine import Settings

__all__ = ["OffTarget", "adjusted"]


@dataclass(frozen=True, slots=True)
class OffTarget:
    """Where inserts are staged and placed: so much off, and so much more with speed.

    Attributes
    ----------
    stage_mm, stage_s : float
        Stage position off its target at standstill (mm, past it above 0), and its growth with
        line speed (mm per mm/s).
    placement_mm, placement_s : float
        Placement error at standstill (mm, late above 0), and its growth with line speed.
    """

    stage_mm: float
    stage_s: float
    placement_mm: float
    placement_s: float


def adjusted(settings: Settings, off: OffTarget) -> Settings:
    """Return settings that stage and place on target.

    The stage comes first. A nose that rests x too far comes back by x if the disengage distance
    gets x/g shorter; one that walks on by y per speed, if the disengage lead grows by y/g. As
    the stage comes back by x inserts land x/g later, but with stage correction, which makes up
    for it. What is then late at every speed comes off the engage distance; what grows with
    speed goes onto the engage lead. (From the sums of :mod:`feedsim.settings.solve`, where a
    distance enters as it is, and a lead with the controller's speed.)

    Parameters
    ----------
    settings : Settings
        Those in force.
    off : OffTarget
        What was measured with them.
    """
    g = settings.speed_ratio
    moved = 0.0 if settings.stage_correction else 1.0 / g
    return replace(
        settings,
        disengage_distance_mm=settings.disengage_distance_mm - off.stage_mm / g,
        disengage_lead_s=settings.disengage_lead_s + off.stage_s / g,
        engage_distance_mm=settings.engage_distance_mm - (off.placement_mm + moved * off.stage_mm),
        engage_lead_s=settings.engage_lead_s + (off.placement_s + moved * off.stage_s),
    )
