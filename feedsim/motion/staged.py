"""Where the controller believes an insert rests, from its edge (feedsim/MODEL.md, section 8)."""

from __future__ import annotations


def stage_correction(
    ran_mm: float, speed_mm_s: float, *, delay_s: float, stage_mm: float, ratio: float
) -> float:
    """Return (stage estimate − stage position)/g, in belt travel (mm).

    ``ran_mm``: feed travel from the capture of the edge to rest; the estimate adds what the feed
    ran in the eye's nominal ``delay_s`` at the speed that the controller knew.
    """
    estimate = ran_mm + speed_mm_s * delay_s
    return (estimate - stage_mm) / ratio


def jog_end(captured_mm: float, speed_mm_s: float, *, delay_s: float, stage_mm: float) -> float:
    """Return where on the feed's command a jog is to stop (mm): the stage position past the edge.

    The edge is believed to be what the feed ran in ``delay_s`` behind where it was captured.
    """
    return captured_mm - speed_mm_s * delay_s + stage_mm
