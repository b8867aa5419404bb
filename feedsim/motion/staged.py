"""Where the controller believes an insert rests, and when (feedsim/MODEL.md, section 8)."""

from __future__ import annotations

from feedsim.motion.master import Master, next_motion_tick


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


def jog_stop(master: Master, known_s: float, far_mm: float, *, speed_mm_s: float) -> float:
    """Return when a jog is stopped (s) whose command is short of its end as the edge is known.

    ``far_mm``: by that much; below 0 it is past the end, and stops at the next motion tick.
    """
    return known_s + far_mm / speed_mm_s if far_mm >= 0.0 else next_motion_tick(master, known_s)


def ready_at(rest_s: float, opens_s: float, *, settle_s: float) -> float:
    """Return when the next insert is staged (s): once the command rests and has settled.

    ``opens_s``: the drive acts on the opening; a clutch that opens the instant it closed has rested
    since before that.
    """
    return max(rest_s, opens_s) + settle_s
