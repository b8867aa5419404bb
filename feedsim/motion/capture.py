"""Photo-eyes: how long an edge waits for its capture, and how long the output is on.

What moves past an eye is given as its motion, the belt's or a feed's, and ``time_at``, the function
of that motion and a travel (mm) that says when the travel is first reached (s).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from feedsim.machine import SAME_INSTANT_S, Controller, Eye

Motion = TypeVar("Motion")
_SURELY_MM = 1.0


def eye_delay(eye: Eye, controller: Controller) -> float:
    """Return d, the mean time from an edge passing an eye to its capture (s).

    d = response + filter_time (+ scan/2) (derived in feedsim/MODEL.md, section 13): half a scan if
    the travel is stored at a scan tick, since an edge comes at a uniform phase of the scan.
    """
    scan_wait_s = 0.5 * controller.scan_s if eye.scanned else 0.0
    return eye.response_s + eye.filter_s + scan_wait_s


@dataclass(slots=True)
class Output:
    """The output of a photo-eye.

    ``reach_mm``: an object that far behind a tail surely finds the output off. ``held_mm``: tail of
    the last object that holds it on.
    """

    off_response_s: float
    reach_mm: float
    held_mm: float = -math.inf


def output_of(eye: Eye, *, fastest_mm_s: float) -> Output:
    """Return the output of an eye before the first object; ``fastest_mm_s``: what it moves at."""
    return Output(eye.off_response_s, fastest_mm_s * eye.off_response_s + _SURELY_MM)


def off_behind(
    time_at: Callable[[Motion, float], float],
    motion: Motion,
    tail_mm: float,
    *,
    off_response_s: float,
) -> float:
    """Return when an output goes off behind a tail (s); ``-inf`` for none."""
    return tail_mm if tail_mm == -math.inf else time_at(motion, tail_mm) + off_response_s


def still_on(t: float, off_s: float) -> bool:
    """Return whether an output that goes off at ``off_s`` is on at ``t`` (s)."""
    return t < off_s - SAME_INSTANT_S


def merges(
    output: Output,
    time_at: Callable[[Motion, float], float],
    motion: Motion,
    edge_mm: float,
    *,
    passes_s: float,
) -> bool:
    """Return whether the output is still on as an edge passes."""
    if edge_mm - output.held_mm > output.reach_mm:
        return False
    off_s = off_behind(time_at, motion, output.held_mm, off_response_s=output.off_response_s)
    return still_on(passes_s, off_s)
