"""Why a line may spread differently from its error budget."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from feedsim.answers.check.study import placing, timing
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.metrics.percent import percent
from feedsim.settings.acts import locked_step
from feedsim.settings.nominal_cycle import landing_from_rest
from feedsim.settings.sources import LAG, placement_sources

_NEARLY = 0.98
_TURNS = 2.0  # of all phases, so that each is met about equally often


@dataclass(frozen=True, slots=True)
class Caveat:
    """One reason why a budget may not hold.

    ``kind``: a short, stable name (``run_up``, ``late_openings`` …); ``words``: a sentence or two.
    """

    kind: str
    words: str


def caveats_of(checked: CheckedFeeder) -> Iterator[Caveat]:
    """Yield what makes the budget of one feeder uncertain at the line's speed, if anything.

    The budget assumes that ramps and lags are over in time, that points are known in time, that an
    insert lands at belt speed, and that cards meet every phase of the ticks.
    """
    for kind, check in _CHECKS:
        yield from (Caveat(kind, words) for words in check(checked))


def late_engages(late: int, placed: int) -> Caveat:
    """Say that some of the inserts placed in a run were engaged late."""
    return Caveat(
        "late_engages",
        f"The clutch closed late for {late} of the {placed} inserts placed, since the mark or "
        f"the feeder came late: their errors are in the simulated spread and in no line of the "
        f"budget.",
    )


def stops(count: int) -> Caveat:
    """Say that the line stopped in a run."""
    times = "once" if count == 1 else f"{count} times"
    return Caveat(
        "stops",
        f"The line stopped {times} in the run: what was placed while it slowed down or started "
        f"again is in the simulated spread, and the budget is for a steady speed.",
    )


def _run_up(s: CheckedFeeder) -> Iterator[str]:
    """Say what a run-up too short for ramp and lag costs.

    The nose makes up a position error at its own speed, so the error counts more by the factor by
    which the nose is slower than the feed will be.
    """
    if not any(timing.run_up(s)):
        return
    _, pace = landing_from_rest(s.here)
    if pace > _NEARLY:
        yield (
            f"The ramp-in or the servo's lag is not quite over when an insert lands, or when the "
            f"next one comes to its eye, {s.at_speed}: an error made there counts for a little "
            f"more or less than the budget says."
        )
        return
    sources = placement_sources(s.here)
    if any(source.name == LAG for source in sources):
        return  # the budget has it
    parts = [
        source.contribution_mm / (pace if source.side == "insert" else 1.0) for source in sources
    ]
    yield (
        f"The run-up is too short {s.at_speed}: an insert lands at {percent(pace)} of the speed "
        f"that the feed runs up to, so that errors of the insert side count {1.0 / pace:.3g} times "
        f"as much: a standard deviation of {s.say(math.hypot(*parts))}."
    )


def _busy(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a late correction where the feeder is ready only at the last moment."""
    if s.feeder.settings.stage_correction and any(timing.cycle(s)):
        yield (
            f"A feed cycle hardly fits between two carriers {s.at_speed}. The stage correction "
            f"takes effect once the feeder is ready: where it moves the engage point to a place "
            f"that the belt has already passed, the insert is engaged late."
        )


def _uneven_ticks(s: CheckedFeeder) -> Iterator[str]:
    """Warn of cards too regular to meet every phase of ticks that rarely coincide.

    For a scanned eye, scan and motion ticks return to the same phase after their least common
    multiple. Over n cards the phase walks by √n times the spread of a pitch.
    """
    controller, c = s.machine.controller, s.machine.carriers
    step, cycle = locked_step(controller), controller.motion_cycle_s
    scanned = s.machine.carrier_eye.scanned or s.feeder.eye.scanned
    if not scanned or step == 0.0 or round(cycle / step) == 1:
        return
    period = s.speed * controller.scan_s * cycle / step
    spread = min(s.feeder.inserts.gap_sd_mm, c.arrival.sd_mm)
    if spread * math.sqrt(s.scenario.run.carriers) < _TURNS * period:
        yield (
            f"Scan and motion ticks meet in the same way every {s.say(period)} of belt travel "
            f"{s.at_speed}, and {s.scenario.run.carriers} cards as regular as these do not meet "
            f"every phase of it: with another seed the run may have another spread."
        )


_CHECKS: tuple[tuple[str, Callable[[CheckedFeeder], Iterator[str]]], ...] = (
    ("run_up", _run_up),
    ("landing", placing.landing),
    ("next_nose", placing.next_nose),
    ("merging", placing.merging),
    ("late_openings", timing.late_openings),
    ("late_marks", timing.late_marks),
    ("busy", _busy),
    ("aliasing", timing.aliasing),
    ("uneven_ticks", _uneven_ticks),
    ("locked_counts", timing.locked_counts),
)
