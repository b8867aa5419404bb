"""Random valid machines: everything the model knows, in odd combinations.

There is one list of what a machine may be. A generator of numbers chooses from it by a seed
(:func:`random_machine`), or Hypothesis does, which then looks for the simplest that fails
(:func:`any_machine`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from hypothesis import strategies as st

from feedsim.arrivals import Paced, RandomGaps
from feedsim.machine import (
    Carriers,
    Clutch,
    Controller,
    Divert,
    DoubleCheck,
    Encoder,
    Eye,
    Feeder,
    Inserts,
    Line,
    Machine,
    Servo,
    Settings,
)
from feedsim.settings.solve import solve


class Choice(Protocol):
    """What chooses; the first of several values is the simplest."""

    def one(self, *values: Any) -> Any:
        """Return one of these."""

    def whole(self, low: int, high: int) -> int:
        """Return a whole number, `high` too."""

    def between(self, low: float, high: float) -> float:
        """Return a number."""

    def is_so(self, share: float) -> bool:
        """Return true in this share of the cases, or in some."""


class ByNumbers:
    """Chooses by a generator of random numbers."""

    def __init__(self, *seeds: int) -> None:
        self._rng = np.random.default_rng(seeds if len(seeds) > 1 else seeds[0])

    def one(self, *values: Any) -> Any:
        return values[int(self._rng.integers(len(values)))]

    def whole(self, low: int, high: int) -> int:
        return int(self._rng.integers(low, high + 1))

    def between(self, low: float, high: float) -> float:
        return float(self._rng.uniform(low, high))

    def is_so(self, share: float) -> bool:
        return bool(self._rng.random() < share)


class ByHypothesis:
    """Lets Hypothesis choose, numbers with few digits as they are typed into a machine."""

    def __init__(self, draw: st.DrawFn) -> None:
        self._draw = draw

    def one(self, *values: Any) -> Any:
        return self._draw(st.sampled_from(values))

    def whole(self, low: int, high: int) -> int:
        return self._draw(st.integers(low, high))

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self._draw(st.integers(0, 64)) / 64

    def is_so(self, share: float) -> bool:
        return self._draw(st.booleans())


@st.composite
def any_machine(draw: st.DrawFn) -> Machine:
    """Return machines without a divert gate; some have an eye that may switch at once."""
    choose = ByHypothesis(draw)
    machine = _drawn(choose, None)
    if choose.is_so(0.5):
        eye = machine.carrier_eye
        machine = replace(machine, carrier_eye=replace(eye, response_jitter_s=eye.response_s))
    return _perturbed(choose, solve(machine))


def filtered_machine(seed: int, *, feeders: int | None = None) -> Machine:
    """Return a random machine whose eyes have input filters, or are polled, or both.

    Half of them with scans and filters as long as cards and gaps take to pass.
    """
    machine = random_machine(seed, feeders=feeders)
    choose = ByNumbers(seed, 1)
    carriers, speed = machine.carriers, machine.line.speed_mm_s
    gap = max(carriers.pitch_mm - carriers.length_mm, carriers.arrival.min_gap_mm) / speed
    card = carriers.length_mm / speed
    spans = [gap, card, *(f.inserts.gap_mm / speed for f in machine.feeders)]
    long = choose.is_so(0.5)

    def filtered(eye: Eye) -> Eye:
        polled = choose.is_so(0.6)
        some = choose.one(0.0005, 0.003, 0.01)
        if long:
            some = choose.one(*spans) * choose.between(0.3, 1.2)
        some *= float(choose.is_so(0.6)) if polled else 1.0
        return replace(eye, polled=polled, scanned=eye.scanned or polled, filter_s=some)

    scan = machine.controller.scan_s
    if long:
        scan = choose.one(*spans) * choose.between(0.4, 2.0)
    names = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")
    anew = dict.fromkeys(names, math.nan) if choose.is_so(0.6) else {}
    feeders = tuple(
        replace(f, eye=filtered(f.eye), settings=replace(f.settings, **anew))
        for f in machine.feeders
    )
    return solve(
        replace(
            machine,
            controller=replace(machine.controller, scan_s=scan),
            carrier_eye=filtered(machine.carrier_eye),
            feeders=feeders,
        )
    )


def hurried_machine(seed: int, *, feeders: int | None = None) -> Machine:
    """Return a random machine of which many a clutch opens as it closes.

    At a closing for a mark that has waited, a scan shows the next insert at that very instant, and
    its point lies behind it. The feed runs on for most of a motion cycle, an insert comes to the
    eye in each, and scans see its gap.
    """
    machine = random_machine(seed, feeders=feeders)
    choose = ByNumbers(seed, 2)
    cycle_s, speed = choose.one(0.04, 0.1), machine.line.speed_mm_s

    def hurried(feeder: Feeder) -> Feeder:
        far = speed * feeder.settings.speed_ratio * cycle_s
        length, gap = far * choose.between(0.5, 0.6), far * choose.between(0.4, 0.5)
        eye = replace(feeder.eye, response_s=0.0, response_jitter_s=0.0, off_response_s=0.0)
        distance = -choose.between(0.0, 5.0)
        return replace(
            feeder,
            inserts=replace(feeder.inserts, length_mm=length, gap_mm=gap, min_gap_mm=0.4 * far),
            eye=replace(eye, polled=True, scanned=True),
            servo=replace(feeder.servo, command_delay_s=cycle_s * choose.between(0.7, 0.95)),
            clutch=replace(feeder.clutch, settle_s=0.0, ramp_out=0.0),
            settings=replace(feeder.settings, disengage_distance_mm=distance, disengage_lead_s=0.0),
        )

    controller = replace(
        machine.controller,
        scan_s=0.5 * cycle_s,
        motion_cycle_s=cycle_s,
        search_limit_mm=10_000.0,
        not_ready_engages=True,
    )
    return replace(
        machine,
        line=replace(machine.line, profile=()),
        controller=controller,
        feeders=tuple(map(hurried, machine.feeders)),
    )


def random_machine(seed: int, *, feeders: int | None = None) -> Machine:
    """Return a machine drawn from wide ranges; equal seeds give equal machines."""
    choose = ByNumbers(seed)
    return _with_gate(choose, _perturbed(choose, solve(_drawn(choose, feeders))))


def _drawn(choose: Choice, feeders: int | None) -> Machine:
    speed = choose.one(50.0, 400.0, 1000.0, 1733.0, 2500.0)
    length = choose.between(20.0, 220.0)
    values = {
        "pitch_mm": length + choose.between(5.0, 250.0),
        "pitch_sd_mm": choose.one(0.0, 1.0, 8.0),
        "min_gap_mm": choose.one(0.0, 2.0),
    }
    law = RandomGaps if choose.is_so(0.3) else Paced
    carriers = Carriers(
        law(length, **values),
        missing=choose.one(0.0, 0.1),
        slip_mm=choose.one(0.0, 0.7),
        slip_sd_mm=choose.one(0.0, 0.2),
    )
    controller = Controller(
        scan_s=choose.one(0.0, 0.002, 0.0031, 0.02),
        motion_cycle_s=choose.one(0.0, 0.001, 0.0025),
        speed_filter_s=choose.one(0.0, 0.03),
        search_limit_mm=choose.one(10_000.0, 500.0),
        mark_memory=int(choose.one(1, 2, 8)),
        late_mark_engages=choose.is_so(0.5),
        not_ready_engages=choose.is_so(0.5),
    )
    count = feeders or int(choose.one(1, 1, 2))
    return Machine(
        line=Line(speed, choose.between(200.0, 2000.0), _profile(choose, speed)),
        encoder=Encoder(choose.one(0.0, 0.05, 0.313), choose.one(0.0, 0.003, -0.01)),
        carriers=carriers,
        carrier_eye=_eye(choose),
        controller=controller,
        feeders=tuple(_feeder(choose, i) for i in range(count)),
        start_empty=choose.is_so(0.3),
    )


def _with_gate(choose: Choice, machine: Machine) -> Machine:
    """Put a divert gate on two lines of three; drawn last, so that it changes nothing else."""
    if choose.is_so(1.0 / 3.0):
        return machine
    last = max(f.eye_to_placement_mm for f in machine.feeders)
    gate = Divert(
        at_mm=last + choose.between(0.0, 600.0),
        decide_before_mm=choose.between(0.0, 200.0),
        gate_time_s=choose.one(0.0, 0.03, 0.1),
        missed=choose.is_so(0.8),
        doubled=choose.is_so(0.8),
        late=choose.is_so(0.5),
    )
    return replace(machine, divert=gate)


def _profile(choose: Choice, speed: float) -> tuple[tuple[float, float], ...]:
    if choose.is_so(0.5):
        return ()
    t, points = choose.one(0.0, 0.4), []
    for _ in range(choose.whole(2, 5)):
        points.append((t, choose.one(0.0, 0.3, 1.0, 1.4) * speed))
        t += choose.between(0.1, 2.0)
    return (*points, (t, speed))


def _eye(choose: Choice) -> Eye:
    response = choose.one(0.0, 0.0005, 0.003)
    return Eye(
        response_s=response,
        response_jitter_s=response * choose.one(0.0, 0.4),
        off_response_s=choose.one(0.0, 0.0005, 0.02),
        edge_sd_mm=choose.one(0.0, 0.1, 1.5),
        missed=choose.one(0.0, 0.0, 0.1),
        scanned=choose.is_so(0.5),
    )


def _feeder(choose: Choice, number: int) -> Feeder:
    length, stage = choose.between(40.0, 150.0), choose.between(10.0, 80.0)
    gap = stage - length + choose.between(10.0, 120.0)
    gap = max(gap, 3.0)
    run_up = choose.between(2.0, min(length + gap - 1.0, 150.0))
    travel = choose.is_so(0.4)
    ramps = (0.0, 5.0, 30.0) if travel else (0.0, 0.01, 0.05)
    return Feeder(
        eye_to_placement_mm=run_up + choose.between(20.0, 600.0) + 300.0 * number,
        insert_eye_to_placement_mm=stage + run_up,
        grip_end_mm=stage + run_up - 5.0,
        nose_limit_mm=stage + 5.0,
        jog_speed_mm_s=choose.one(30.0, 100.0),
        inserts=Inserts(
            length_mm=length,
            gap_mm=gap,
            gap_sd_mm=choose.one(0.0, 1.0, 6.0),
            min_gap_mm=choose.one(0.0, 1.0),
            slip_mm=choose.one(0.0, 0.3),
            slip_sd_mm=choose.one(0.0, 0.3),
            misfeed=choose.one(0.0, 0.0, 0.1),
            double=choose.one(0.0, 0.0, 0.1),
        ),
        eye=_eye(choose),
        double_check=DoubleCheck(choose.one(0.0, 0.7), choose.one(0.0, 0.05)),
        clutch=Clutch(travel, choose.one(*ramps), choose.one(*ramps), choose.one(0.0, 0.003)),
        servo=Servo(
            choose.one(math.inf, 20.0, 200.0),
            choose.one(0.0, 0.8, 1.0),
            choose.one(math.inf, 100_000.0),
            choose.one(0.0, 0.0013),
        ),
        settings=Settings(
            target_offset_mm=choose.between(0.0, 18.0),
            stage_position_mm=stage,
            engage_distance_mm=math.nan,
            engage_lead_s=math.nan,
            disengage_distance_mm=math.nan,
            disengage_lead_s=math.nan,
            speed_ratio=choose.one(1.0, 1.0, 1.07),
            stage_correction=choose.is_so(0.4),
        ),
    )


def _perturbed(choose: Choice, machine: Machine) -> Machine:
    """Shift some settings off their right values, so that late marks and openings come up."""

    def shifted(feeder: Feeder) -> Feeder:
        s = feeder.settings
        if choose.is_so(0.5):
            s = replace(
                s,
                engage_distance_mm=s.engage_distance_mm * choose.between(0.1, 1.1),
                disengage_distance_mm=s.disengage_distance_mm * choose.between(0.3, 1.1),
            )
        return replace(feeder, settings=s)

    return replace(machine, feeders=tuple(shifted(f) for f in machine.feeders))
