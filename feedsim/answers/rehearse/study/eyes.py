"""When the photo-eyes of a stretch are blocked: their outputs, as the program gets them."""

from __future__ import annotations

from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.machine import Eye
from feedsim.metrics.plain import Plain
from feedsim.motion.ticks import next_tick
from feedsim.running.replay.eyes import Level, carrier_eye_runs, program_levels


def carrier_eye_blocked(stretch: Excerpt) -> list[Level]:
    """Return when the carrier eye's output is on; a merged carrier holds it on longer.

    It goes off ``off_response`` after the trailing edge (model, section 4).
    """
    return in_stretch(carrier_eye_runs(stretch), stretch)


def program_input(runs: list[Level], eye: Eye, stretch: Excerpt) -> list[Level]:
    """Return what the program has of an output that has a filter, or is polled; else nothing."""
    phase_s, scan_s = stretch.draws.phases().ticks_s, stretch.machine.controller.scan_s
    levels = program_levels(runs, eye, lambda t: next_tick(t, phase_s, period=scan_s))
    return in_stretch(levels, stretch)


def in_stretch(found: list[Level], stretch: Excerpt) -> list[Level]:
    """Return those that last, and overlap the stretch."""
    return [
        b
        for b in found
        if b.from_s < b.to_s and b.to_s >= stretch.from_s and b.from_s <= stretch.to_s
    ]


def blocked_plain(found: list[Level]) -> dict[str, Plain]:
    """Return the stretches as columns; one that does not end has ``inf``."""
    return {
        "from_s": column([b.from_s for b in found]),
        "to_s": column([b.to_s for b in found]),
        "number": column([b.number for b in found], "i4"),
    }
