"""Why a carrier was lost behind an input filter or at a polled eye, in words and numbers."""

from __future__ import annotations

from feedsim.answers.explain.study.record import Miss
from feedsim.answers.explain.study.source import StorySource
from feedsim.answers.explain.study.words import Say
from feedsim.motion.ticks import SAME_INSTANT_S

__all__ = ["bridged", "too_short"]


def too_short(run: StorySource, carrier: int, say: Say) -> Miss | None:
    """Return why a carrier's level did not last; None where it was hidden or missed."""
    output_on_s = run.time_of(carrier, "carrier_eye", "output_on")
    if output_on_s is None:
        return None
    eye, scan_s = run.machine.carrier_eye, run.machine.controller.scan_s
    on_s = run.time_of(carrier, "carrier_eye", "input_on")
    off_s = _goes_off(run, carrier)
    lasted = f"The carrier eye's output was on for {say.s(max(off_s - output_on_s, 0.0))}"
    if on_s is None:
        short_s = eye.filter_s - (off_s - output_on_s)
        why = f"{lasted}, and its input filter lets nothing through that is shorter than "
        return Miss((f"{why}{say.s(eye.filter_s)}: the program never saw it.",), short_s)
    short_s = run.master.scan_tick(on_s) - (off_s + eye.filter_s)
    return Miss(
        (
            f"{lasted}, between two scans of the program, which come {say.s(scan_s)} apart: a "
            "polled eye sees only what is there at a scan.",
            f"It was over {say.s(max(short_s, 0.0))} before the next scan.",
        ),
        short_s,
    )


def bridged(run: StorySource, carrier: int, before: int, say: Say) -> Miss | None:
    """Return why the gap in front of a carrier did not count; None where the output stayed on."""
    eye = run.machine.carrier_eye
    if not (eye.polled or eye.filter_s):
        return None
    card = run.carriers[carrier]
    passes_s, off_s = run.belt.time_at(card.seen_edge_mm), _goes_off(run, before)
    if passes_s < off_s - SAME_INSTANT_S:
        return None
    gap_s = passes_s + card.eye_delay_s - off_s
    said = f"The carrier eye saw it and carrier {before} as one: between them its output was off "
    said += f"for {say.s(gap_s)}, "
    if gap_s < eye.filter_s:
        why = f"and its input filter bridges gaps shorter than {say.s(eye.filter_s)}."
        return Miss((said + why,), eye.filter_s - gap_s)
    short_s = run.master.scan_tick(off_s + eye.filter_s) - (passes_s + card.eye_delay_s)
    scan = say.s(run.machine.controller.scan_s)
    why = f"between two scans of the program, which come {scan} apart: a polled eye does not see "
    return Miss((said + why + "a gap that is there at no scan.",), max(short_s - eye.filter_s, 0.0))


def _goes_off(run: StorySource, carrier: int) -> float:
    """Return when the output goes off behind a carrier (s)."""
    tail_mm = run.carriers[carrier].leading_edge_mm + run.machine.carriers.length_mm
    return run.belt.time_at(tail_mm) + run.machine.carrier_eye.off_response_s
