"""Random valid scenarios from their keys: every arrival law and policy, wide ranges."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from feedsim.errors import FeedsimError
from feedsim.scenario import Scenario, override, scenario_from_text

BASE = (Path(__file__).parents[1] / "scenarios" / "membership_card.toml").read_text("utf-8")
F = "feeder.0."

Rng = np.random.Generator


def random_scenario(seed: int, *, wide: bool = True, **always: str) -> Scenario:
    """Return a scenario drawn from its keys; equal seeds give equal scenarios.

    Parameters
    ----------
    seed : int
    wide : bool
        Odd values as well (coarse counts, slow programs, lags, lengths out of proportion); else
        such as a line may have.
    always : str
        Keys that are set in any case, ``__`` for a dot.
    """
    rng = np.random.default_rng(seed)
    given = [f"{key.replace('__', '.')}={value}" for key, value in always.items()]
    for _ in range(200):
        changes = [*_line(rng, wide), *_eyes(rng, wide), *_feeder(rng, wide), *given]
        try:
            return override(scenario_from_text(BASE), changes)
        except FeedsimError:
            continue
    raise RuntimeError(f"no valid scenario from seed {seed}")


def _one(rng: Rng, *values: object) -> object:
    return values[int(rng.integers(len(values)))]


def _line(rng: Rng, wide: bool) -> list[str]:
    length = float(rng.uniform(60.0, 300.0))
    pitch = length + float(np.exp(rng.uniform(np.log(8.0), np.log(300.0))))
    law = str(_one(rng, "paced", "paced", "random", "recorded"))
    found = [f"carrier.length={length} mm", f"line.speed={rng.uniform(5.0, 130.0)} m/min"]
    found += [f"controller.not_ready={_one(rng, 'skip', 'engage')}"]
    found += [f"controller.late_mark={_one(rng, 'skip', 'engage')}"]
    found += [f"controller.mark_memory={_one(rng, 1, 2, 3, 8, 8, 8)}"]
    ticks = [(0.0, 1.0), (1.0, 1.0), (2.0, 0.888), (5.0, 2.0), (10.0, 4.0)]
    if wide:
        ticks += [(0.0, 0.0), (3.1, 0.007), (50.0, 20.0), (1.0, 333.0), (7.0, 0.0)]
    scan, cycle = ticks[int(rng.integers(len(ticks)))]
    found += [f"controller.scan={scan} ms", f"controller.motion_cycle={cycle} ms"]
    counts = _one(rng, 500, 2500, 10000, *((20, 100_000) if wide else ()))
    found += [f"line.encoder.counts_per_rev={counts}"]
    found += [f"line.encoder.scale_error={_one(rng, 0.0, 0.1, -0.3)} %"]
    if law == "recorded":
        count = int(_one(rng, 40, 300, *((3, 5000) if wide else ())))
        spread = float(_one(rng, 0.5, 4.0, 30.0))
        pitches = np.maximum(length + 1.0, pitch + spread * rng.normal(size=count))
        rows = ", ".join(f'"{x:.3f} mm"' for x in pitches)
        return [*found, "carrier.arrival=recorded", f"carrier.record=[{rows}]"]
    found += [f"carrier.arrival={law}", f"carrier.pitch={pitch} mm"]
    found += [f"carrier.min_gap={_one(rng, 0.0, 1.0, 5.0)} mm"]
    found += [f"carrier.missing={_one(rng, 0.0, 0.0, 3.0, 30.0)} %"]
    if law == "paced":
        found += [
            f"carrier.pitch_sd={_one(rng, 0.3, 2.0, 10.0, *((0.0, 80.0) if wide else ()))} mm"
        ]
    return found


def _eyes(rng: Rng, wide: bool) -> list[str]:
    found = []
    for eye in ("carrier_eye.", F + "eye."):
        found += [
            f"{eye}capture={_one(rng, 'latched', 'latched', 'scanned')}",
            f"{eye}response={_one(rng, 0.3, 2.0)} ms",
            f"{eye}response_jitter={_one(rng, 0.0, 0.2)} ms",
            f"{eye}off_response={_one(rng, 0.5, 2.0, 15.0)} ms",
            f"{eye}edge_sd={_one(rng, 0.02, 0.2, *((0.0, 2.0) if wide else ()))} mm",
            f"{eye}missed={_one(rng, 0.0, 0.0, 0.1, 2.0)} %",
        ]
    return [x for x in found if wide or "response_jitter=0.0" not in x]


def _feeder(rng: Rng, wide: bool) -> list[str]:
    length, stage = float(rng.uniform(50.0, 150.0)), float(rng.uniform(25.0, 70.0))
    gap = float(rng.uniform(10.0, 120.0))
    run_up = float(rng.uniform(20.0, 100.0))
    found = {
        "insert.length": f"{length} mm",
        "insert.gap": f"{gap} mm",
        "insert.gap_sd": f"{_one(rng, 0.3, 2.0, *((0.0, 15.0) if wide else ()))} mm",
        "insert.slip": f"{_one(rng, 0.0, 0.3, 1.0)} mm",
        "insert.slip_sd": f"{_one(rng, 0.05, 0.3)} mm",
        "insert.misfeed": f"{_one(rng, 0.0, 0.0, 0.3, 3.0)} %",
        "insert.double": f"{_one(rng, 0.0, 0.0, 0.1, 1.0)} %",
        "eye_to_placement": f"{rng.uniform(run_up + 40.0, 900.0)} mm",
        "insert_eye_to_placement": f"{stage + run_up} mm",
        "grip_end": f"{rng.uniform(10.0, stage + run_up - 2.0)} mm",
        "nose_limit": f"{stage + float(_one(rng, 2.0, 8.0))} mm",
        "clutch.ramp_in": f"{_one(rng, 10.0, 20.0, 40.0)} ms",
        "clutch.ramp_out": f"{_one(rng, 10.0, 20.0, 40.0)} ms",
        "clutch.settle": f"{_one(rng, 0.0, 5.0, 30.0)} ms",
        "servo.loop_gain": f"{_one(rng, 100.0, 300.0, *((25.0,) if wide else ()))} 1/s",
        "servo.velocity_feedforward": f"{_one(rng, 70.0, 95.0, 100.0)} %",
        "servo.command_delay": f"{_one(rng, 0.0, 1.0)} ms",
        "servo.max_acceleration": "200 m/s^2",
        "settings.stage_position": f"{stage} mm",
        "settings.target_offset": f"{rng.uniform(2.0, 40.0)} mm",
        "settings.speed_ratio": f"{_one(rng, 1.0, 1.0, 1.0, 1.02, 0.97)}",
        "settings.stage_correction": str(_one(rng, "true", "false", "false")),
    }
    tolerance, mismatch = _one(rng, 1.5, 3.0, 8.0), _one(rng, 2.0, 5.0, 25.0)
    return [
        *(f"{F}{key}={value}" for key, value in found.items()),
        f"acceptance.placement_tolerance={tolerance} mm",
        f"limits.speed_mismatch={mismatch} %",
    ]
