"""Random valid machines: everything the model knows, in odd combinations."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

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

Rng = np.random.Generator


def filtered_machine(seed: int, *, feeders: int | None = None) -> Machine:
    """Return a random machine whose eyes have input filters, or are polled, or both.

    Half of them with scans and filters as long as cards and gaps take to pass.
    """
    machine = random_machine(seed, feeders=feeders)
    rng = np.random.default_rng([seed, 1])
    carriers, speed = machine.carriers, machine.line.speed_mm_s
    gap = max(carriers.pitch_mm - carriers.length_mm, carriers.min_gap_mm) / speed
    card = carriers.length_mm / speed
    spans = [gap, card, *(f.inserts.gap_mm / speed for f in machine.feeders)]
    long = bool(rng.random() < 0.5)

    def filtered(eye: Eye) -> Eye:
        polled = bool(rng.random() < 0.6)
        some = _pick(rng, 0.0005, 0.003, 0.01)
        if long:
            some = _pick(rng, *spans) * float(rng.uniform(0.3, 1.2))
        some *= float(rng.random() < 0.6) if polled else 1.0
        return replace(eye, polled=polled, scanned=eye.scanned or polled, filter_s=some)

    scan = machine.controller.scan_s
    if long:
        scan = _pick(rng, *spans) * float(rng.uniform(0.4, 2.0))
    names = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")
    anew = dict.fromkeys(names, math.nan) if rng.random() < 0.6 else {}
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


def random_machine(seed: int, *, feeders: int | None = None) -> Machine:
    """Return a machine drawn from wide ranges; equal seeds give equal machines."""
    rng = np.random.default_rng(seed)
    speed = _pick(rng, 50.0, 400.0, 1000.0, 1733.0, 2500.0)
    length = float(rng.uniform(20.0, 220.0))
    carriers = Carriers(
        length_mm=length,
        pitch_mm=length + float(rng.uniform(5.0, 250.0)),
        pitch_sd_mm=_pick(rng, 0.0, 1.0, 8.0),
        min_gap_mm=_pick(rng, 0.0, 2.0),
        random=bool(rng.random() < 0.3),
        missing=_pick(rng, 0.0, 0.1),
        slip_mm=_pick(rng, 0.0, 0.7),
        slip_sd_mm=_pick(rng, 0.0, 0.2),
    )
    controller = Controller(
        scan_s=_pick(rng, 0.0, 0.002, 0.0031, 0.02),
        motion_cycle_s=_pick(rng, 0.0, 0.001, 0.0025),
        speed_filter_s=_pick(rng, 0.0, 0.03),
        search_limit_mm=_pick(rng, 10_000.0, 500.0),
        mark_memory=int(_pick(rng, 1, 2, 8)),
        late_mark_engages=bool(rng.random() < 0.5),
        not_ready_engages=bool(rng.random() < 0.5),
    )
    count = feeders or int(_pick(rng, 1, 1, 2))
    machine = Machine(
        line=Line(speed, float(rng.uniform(200.0, 2000.0)), _profile(rng, speed)),
        encoder=Encoder(_pick(rng, 0.0, 0.05, 0.313), _pick(rng, 0.0, 0.003, -0.01)),
        carriers=carriers,
        carrier_eye=_eye(rng),
        controller=controller,
        feeders=tuple(_feeder(rng, i) for i in range(count)),
        start_empty=bool(rng.random() < 0.3),
    )
    return _with_gate(rng, _perturbed(rng, solve(machine)))


def _with_gate(rng: Rng, machine: Machine) -> Machine:
    """Put a divert gate on two lines of three; drawn last, so that it changes nothing else."""
    if rng.random() < 1.0 / 3.0:
        return machine
    last = max(f.eye_to_placement_mm for f in machine.feeders)
    gate = Divert(
        at_mm=last + float(rng.uniform(0.0, 600.0)),
        decide_before_mm=float(rng.uniform(0.0, 200.0)),
        gate_time_s=_pick(rng, 0.0, 0.03, 0.1),
        missed=bool(rng.random() < 0.8),
        doubled=bool(rng.random() < 0.8),
        late=bool(rng.random() < 0.5),
    )
    return replace(machine, divert=gate)


def _pick(rng: Rng, *values: float) -> float:
    return values[int(rng.integers(len(values)))]


def _profile(rng: Rng, speed: float) -> tuple[tuple[float, float], ...]:
    if rng.random() < 0.5:
        return ()
    t, points = _pick(rng, 0.0, 0.4), []
    for _ in range(int(rng.integers(2, 6))):
        points.append((t, _pick(rng, 0.0, 0.3, 1.0, 1.4) * speed))
        t += float(rng.uniform(0.1, 2.0))
    return (*points, (t, speed))


def _eye(rng: Rng) -> Eye:
    response = _pick(rng, 0.0, 0.0005, 0.003)
    return Eye(
        response_s=response,
        response_jitter_s=response * _pick(rng, 0.0, 0.4),
        off_response_s=_pick(rng, 0.0, 0.0005, 0.02),
        edge_sd_mm=_pick(rng, 0.0, 0.1, 1.5),
        missed=_pick(rng, 0.0, 0.0, 0.1),
        scanned=bool(rng.random() < 0.5),
    )


def _feeder(rng: Rng, number: int) -> Feeder:
    length, stage = float(rng.uniform(40.0, 150.0)), float(rng.uniform(10.0, 80.0))
    gap = stage - length + float(rng.uniform(10.0, 120.0))
    gap = max(gap, 3.0)
    run_up = float(rng.uniform(2.0, min(length + gap - 1.0, 150.0)))
    travel = bool(rng.random() < 0.4)
    ramps = (0.0, 5.0, 30.0) if travel else (0.0, 0.01, 0.05)
    return Feeder(
        eye_to_placement_mm=run_up + float(rng.uniform(20.0, 600.0)) + 300.0 * number,
        insert_eye_to_placement_mm=stage + run_up,
        grip_end_mm=stage + run_up - 5.0,
        nose_limit_mm=stage + 5.0,
        jog_speed_mm_s=_pick(rng, 30.0, 100.0),
        inserts=Inserts(
            length_mm=length,
            gap_mm=gap,
            gap_sd_mm=_pick(rng, 0.0, 1.0, 6.0),
            min_gap_mm=_pick(rng, 0.0, 1.0),
            slip_mm=_pick(rng, 0.0, 0.3),
            slip_sd_mm=_pick(rng, 0.0, 0.3),
            misfeed=_pick(rng, 0.0, 0.0, 0.1),
            double=_pick(rng, 0.0, 0.0, 0.1),
        ),
        eye=_eye(rng),
        double_check=DoubleCheck(_pick(rng, 0.0, 0.7), _pick(rng, 0.0, 0.05)),
        clutch=Clutch(travel, _pick(rng, *ramps), _pick(rng, *ramps), _pick(rng, 0.0, 0.003)),
        servo=Servo(
            _pick(rng, math.inf, 20.0, 200.0),
            _pick(rng, 0.0, 0.8, 1.0),
            _pick(rng, math.inf, 100_000.0),
            _pick(rng, 0.0, 0.0013),
        ),
        settings=Settings(
            target_offset_mm=float(rng.uniform(0.0, 18.0)),
            stage_position_mm=stage,
            engage_distance_mm=math.nan,
            engage_lead_s=math.nan,
            disengage_distance_mm=math.nan,
            disengage_lead_s=math.nan,
            speed_ratio=_pick(rng, 1.0, 1.0, 1.07),
            stage_correction=bool(rng.random() < 0.4),
        ),
    )


def _perturbed(rng: Rng, machine: Machine) -> Machine:
    """Shift some settings off their right values, so that late marks and openings come up."""

    def shifted(feeder: Feeder) -> Feeder:
        s = feeder.settings
        if rng.random() < 0.5:
            s = replace(
                s,
                engage_distance_mm=s.engage_distance_mm * float(rng.uniform(0.1, 1.1)),
                disengage_distance_mm=s.disengage_distance_mm * float(rng.uniform(0.3, 1.1)),
            )
        return replace(feeder, settings=s)

    return replace(machine, feeders=tuple(shifted(f) for f in machine.feeders))
