"""Random valid scenarios from their keys: every arrival law and policy, wide ranges."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from feedsim.errors import FeedsimError
from feedsim.scenario import (
    Scenario,
    override,
    scenario_from_dict,
    scenario_from_text,
    scenario_to_dict,
)

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


def pick(rng: Rng, *values: Any) -> Any:
    """Return one of the values, each as likely as the others."""
    return values[int(rng.integers(len(values)))]


def _line(rng: Rng, wide: bool) -> list[str]:
    length = float(rng.uniform(60.0, 300.0))
    pitch = length + float(np.exp(rng.uniform(np.log(8.0), np.log(300.0))))
    law = str(pick(rng, "paced", "paced", "random", "recorded"))
    found = [f"carrier.length={length} mm", f"line.speed={rng.uniform(5.0, 130.0)} m/min"]
    found += [f"controller.not_ready={pick(rng, 'skip', 'engage')}"]
    found += [f"controller.late_mark={pick(rng, 'skip', 'engage')}"]
    found += [f"controller.mark_memory={pick(rng, 1, 2, 3, 8, 8, 8)}"]
    ticks = [(0.0, 1.0), (1.0, 1.0), (2.0, 0.888), (5.0, 2.0), (10.0, 4.0)]
    if wide:
        ticks += [(0.0, 0.0), (3.1, 0.007), (50.0, 20.0), (1.0, 333.0), (7.0, 0.0)]
    scan, cycle = ticks[int(rng.integers(len(ticks)))]
    found += [f"controller.scan={scan} ms", f"controller.motion_cycle={cycle} ms"]
    counts = pick(rng, 500, 2500, 10000, *((20, 100_000) if wide else ()))
    found += [f"line.encoder.counts_per_rev={counts}"]
    found += [f"line.encoder.scale_error={pick(rng, 0.0, 0.1, -0.3)} %"]
    if law == "recorded":
        count = int(pick(rng, 40, 300, *((3, 5000) if wide else ())))
        spread = float(pick(rng, 0.5, 4.0, 30.0))
        pitches = np.maximum(length + 1.0, pitch + spread * rng.normal(size=count))
        rows = ", ".join(f'"{x:.3f} mm"' for x in pitches)
        return [*found, "carrier.arrival=recorded", f"carrier.record=[{rows}]"]
    found += [f"carrier.arrival={law}", f"carrier.pitch={pitch} mm"]
    found += [f"carrier.min_gap={pick(rng, 0.0, 1.0, 5.0)} mm"]
    found += [f"carrier.missing={pick(rng, 0.0, 0.0, 3.0, 30.0)} %"]
    if law == "paced":
        found += [
            f"carrier.pitch_sd={pick(rng, 0.3, 2.0, 10.0, *((0.0, 80.0) if wide else ()))} mm"
        ]
    return found


def _eyes(rng: Rng, wide: bool) -> list[str]:
    found = []
    for eye in ("carrier_eye.", F + "eye."):
        found += [
            f"{eye}capture={pick(rng, 'latched', 'latched', 'scanned')}",
            f"{eye}response={pick(rng, 0.3, 2.0)} ms",
            f"{eye}response_jitter={pick(rng, 0.0, 0.2)} ms",
            f"{eye}off_response={pick(rng, 0.5, 2.0, 15.0)} ms",
            f"{eye}edge_sd={pick(rng, 0.02, 0.2, *((0.0, 2.0) if wide else ()))} mm",
            f"{eye}missed={pick(rng, 0.0, 0.0, 0.1, 2.0)} %",
        ]
    return [x for x in found if wide or "response_jitter=0.0" not in x]


def _feeder(rng: Rng, wide: bool) -> list[str]:
    length, stage = float(rng.uniform(50.0, 150.0)), float(rng.uniform(25.0, 70.0))
    gap = float(rng.uniform(10.0, 120.0))
    run_up = float(rng.uniform(20.0, 100.0))
    found = {
        "insert.length": f"{length} mm",
        "insert.gap": f"{gap} mm",
        "insert.gap_sd": f"{pick(rng, 0.3, 2.0, *((0.0, 15.0) if wide else ()))} mm",
        "insert.slip": f"{pick(rng, 0.0, 0.3, 1.0)} mm",
        "insert.slip_sd": f"{pick(rng, 0.05, 0.3)} mm",
        "insert.misfeed": f"{pick(rng, 0.0, 0.0, 0.3, 3.0)} %",
        "insert.double": f"{pick(rng, 0.0, 0.0, 0.1, 1.0)} %",
        "eye_to_placement": f"{rng.uniform(run_up + 40.0, 900.0)} mm",
        "insert_eye_to_placement": f"{stage + run_up} mm",
        "grip_end": f"{rng.uniform(10.0, stage + run_up - 2.0)} mm",
        "nose_limit": f"{stage + float(pick(rng, 2.0, 8.0))} mm",
        "clutch.ramp_in": f"{pick(rng, 10.0, 20.0, 40.0)} ms",
        "clutch.ramp_out": f"{pick(rng, 10.0, 20.0, 40.0)} ms",
        "clutch.settle": f"{pick(rng, 0.0, 5.0, 30.0)} ms",
        "servo.loop_gain": f"{pick(rng, 100.0, 300.0, *((25.0,) if wide else ()))} 1/s",
        "servo.velocity_feedforward": f"{pick(rng, 70.0, 95.0, 100.0)} %",
        "servo.command_delay": f"{pick(rng, 0.0, 1.0)} ms",
        "servo.max_acceleration": "200 m/s^2",
        "settings.stage_position": f"{stage} mm",
        "settings.target_offset": f"{rng.uniform(2.0, 40.0)} mm",
        "settings.speed_ratio": f"{pick(rng, 1.0, 1.0, 1.0, 1.02, 0.97)}",
        "settings.stage_correction": str(pick(rng, "true", "false", "false")),
    }
    tolerance, mismatch = pick(rng, 1.5, 3.0, 8.0), pick(rng, 2.0, 5.0, 25.0)
    return [
        *(f"{F}{key}={value}" for key, value in found.items()),
        f"acceptance.placement_tolerance={tolerance} mm",
        f"limits.speed_mismatch={mismatch} %",
    ]


def scenario_of_all_keys(seed: int, *, stops: bool = True) -> Scenario:
    """Return a scenario drawn from all keys there are; equal seeds give equal scenarios.

    Two of three have odd values as well. ``stops``: also with what stops or changes a line
    (supervision, faults, adjustments, jams, magazine), which no closed form knows.
    """
    rng = np.random.default_rng([seed, 2])
    wide = seed % 3 > 0
    for attempt in range(200):
        # each attempt begins from other values, so that none that is refused is drawn for ever
        data = scenario_to_dict(random_scenario(seed + 100_003 * attempt, wide=wide))
        _line_rest(rng, data)
        feeders = [data["feeder"][0]]
        if rng.random() < 0.25:
            other = scenario_to_dict(random_scenario(seed + 1_000_003 + attempt))["feeder"][0]
            feeders.append(other | {"name": "second"})
        data["feeder"] = feeders
        for feeder in feeders:
            _feeder_rest(rng, feeder)
        _product_rest(rng, data)
        if stops and rng.random() < 0.3:
            _stops_rest(rng, data)
        try:
            return scenario_from_dict(data)
        except FeedsimError:
            continue
    raise RuntimeError(f"no valid scenario from seed {seed}")


def _line_rest(rng: Rng, data: dict[str, Any]) -> None:
    """Draw what :func:`random_scenario` leaves as it is: run, belt, encoder, program, judgement."""
    data["title"], data["seed"] = f"drawn {rng.integers(1000)}", int(rng.integers(1, 1000))
    data["run"] = {
        "carriers": int(pick(rng, 300, 500)),
        "warm_up": int(pick(rng, 0, 20)),
        "master": pick(rng, "encoder", "encoder", "virtual"),
        "start": pick(rng, "staged", "staged", "empty"),
    }
    line = data["line"]
    line["acceleration"] = f"{rng.uniform(0.2, 2.0)} m/s^2"
    if rng.random() < 0.1:
        line["profile"] = [["0 s", line["speed"]], ["1 s", "10 m/min"], ["2 s", line["speed"]]]
    line["encoder"] |= {
        "kind": pick(rng, "incremental", "absolute"),
        "wheel_circumference": f"{rng.uniform(200.0, 600.0)} mm",
        "home_time": f"{rng.uniform(1.0, 20.0)} s",
    }
    carrier = data["carrier"]
    carrier |= {"slip": f"{pick(rng, 0.0, 0.5)} mm", "slip_sd": f"{pick(rng, 0.0, 0.2)} mm"}
    if carrier.get("arrival") == "recorded":
        carrier["after_record"] = "repeat"
        if len(carrier["record"]) > data["run"]["carriers"] + 50 and rng.random() < 0.5:
            carrier["after_record"] = "end"
    data["controller"] |= {
        "speed_filter": f"{pick(rng, 0.0, 0.0, 20.0)} ms",
        "search_limit": f"{pick(rng, 10.0, 10.0, 0.6)} m",
    }
    for eye in (data["carrier_eye"], *(f["eye"] for f in data["feeder"])):
        if rng.random() < 0.3:
            eye |= {"capture": "polled"}
        eye["filter_time"] = f"{pick(rng, 0.0, 0.0, 1.0, 4.0)} ms"
    data["limits"]["overhang"] = f"{pick(rng, 0.0, 5.0)} mm"
    data["acceptance"] |= {
        "within_tolerance": f"{pick(rng, 97.0, 99.7, 99.7)} %",
        "missed": f"{pick(rng, 0.1, 1.0, 3.0)} %",
        "jam_risk": f"{pick(rng, 0.1, 0.5, 2.0)} %",
    }
    speeds = {"from": "20 m/min", "to": f"{pick(rng, 60, 100)} m/min", "step": "20 m/min"}
    data["sweep"] = {"speeds": speeds, "replications": int(pick(rng, 1, 2))}


def _feeder_rest(rng: Rng, feeder: dict[str, Any]) -> None:
    settings = feeder["settings"]
    feeder["jog_speed"] = f"{pick(rng, 50.0, 150.0)} mm/s"
    feeder["insert"]["min_gap"] = f"{pick(rng, 0.0, 1.0)} mm"
    if rng.random() < 0.3:
        found = {
            "finds": f"{pick(rng, 0.0, 90.0)} %",
            "false_alarm": f"{pick(rng, 0.0, 0.5)} %",
        }
        feeder["double_check"] |= found
    if rng.random() < 0.3:
        ramps = {"ramp_in": "12 mm", "ramp_out": "9 mm"}
        feeder["clutch"] |= {"ramp": "travel"} | ramps
    settings["speed_trim"] = f"{pick(rng, 0.0, 0.0, 0.5)} %"
    if rng.random() < 0.3:
        distance, counts = pick(rng, ("0 mm", 1), ("0.1 mm", 0), ("0 mm", 0))  # type: ignore[misc]
        settings["resolution"] = {
            "distance": distance,
            "distance_counts": counts,
            "lead": f"{pick(rng, 0.0, 0.1, 1.0)} ms",
            "ratio": int(pick(rng, 0, 1000)),
        }
    if rng.random() < 0.2:  # typed in, about right at a usual speed
        settings |= {"engage_lead": f"{rng.uniform(1.0, 25.0)} ms"}
    if rng.random() < 0.1:
        settings |= {
            "engage_distance": f"{rng.uniform(100.0, 400.0)} mm",
            "disengage_distance": f"{rng.uniform(20.0, 60.0)} mm",
            "disengage_lead": f"{rng.uniform(1.0, 25.0)} ms",
        }
    if rng.random() < 0.2:
        feeder["drive"] = drive(rng)
        feeder["servo"]["max_acceleration"] = str(pick(rng, "auto", "200 m/s^2"))


def drive(rng: Rng) -> dict[str, Any]:
    motor = {
        "name": "a motor", "rated_torque": "3 Nm", "peak_torque": "9 Nm", "rated_speed": "3000 rpm",
        "max_speed": "5000 rpm", "rotor_inertia": "0.0003 kg*m^2", "rated_power": "940 W",
        "over_temperature_factor": 0.95,
    }  # fmt: skip
    roller = {
        "diameter": "38 mm", "bore": "20 mm", "length": f"{rng.uniform(100.0, 300.0)} mm",
        "density": "7850 kg/m^3", "inertia": "0 kg*m^2", "count": int(pick(rng, 1, 2)),
    }  # fmt: skip
    return {
        "roller_diameter": "40 mm", "belt_mass": "0.4 kg", "insert_mass": "0.005 kg",
        "inserts_carried": 2, "friction_torque": f"{rng.uniform(0.0, 0.2)} Nm",
        "pull_off_force": "4 N", "pull_off_from": "10 mm", "pull_off_travel": "20 mm",
        "friction_coefficient": 0.4, "normal_force": "8 N", "service_factor": 1.3,
        "allowed_inertia_ratio": 12.0, "roller": [roller],
        "reduction": [{"ratio": 2.0, "efficiency": "95 %", "inertia": "0.00001 kg*m^2"}],
        "motor": [motor], "chosen": "a motor",
    }  # fmt: skip


def _product_rest(rng: Rng, data: dict[str, Any]) -> None:
    names = [feeder["name"] for feeder in data["feeder"]]
    if len(names) > 1 and rng.random() < 0.5:
        data["product"] = {"needs": [names[0]], "may_overlap": bool(rng.random() < 0.5)}
        places = [float(str(f["eye_to_placement"]).split()[0]) for f in data["feeder"]]
        below, above = names if places[0] < places[1] else names[::-1]
        if rng.random() < 0.5:
            pair = {"min_overlap": "-300 mm", "max_overlap": "300 mm"}
            data["product"] |= {"pair": [{"below": below, "above": above} | pair]}
    if rng.random() < 0.25:
        data["divert"] = {
            "at": f"{rng.uniform(1000.0, 2000.0)} mm",
            "decide_before": f"{rng.uniform(0.0, 100.0)} mm",
            "gate_time": f"{pick(rng, 0.0, 50.0)} ms",
            "missed": True,
            "doubled": bool(rng.random() < 0.5),
            "late": bool(rng.random() < 0.5),
        }


def _stops_rest(rng: Rng, data: dict[str, Any]) -> None:
    data["supervision"] = {
        "no_insert": True, "insert_eye_blocked": "600 mm", "carrier_eye_blocked": "900 mm",
        "carrier_eye_silent": "50 m", "misses_in_a_row": int(pick(rng, 0, 5)),
        "double_found": bool(rng.random() < 0.5), "jam": True, "drive_overload": False,
        "stop_deceleration": "2 m/s^2", "emergency_deceleration": str(pick(rng, "auto", "4 m/s^2")),
        "clearing_time": str(pick(rng, "30 s", "60 s")),
    }  # fmt: skip
    names = ("nose_strike", "tail_held", "speed_mismatch", "off_carrier", "stray_insert", "double")
    data["limits"]["jam_probability"] = {name: f"{pick(rng, 0.0, 5.0)} %" for name in names}
    data["feeder"][0]["insert"] |= {
        "magazine": 400, "magazine_warning": int(pick(rng, 0, 40)), "refill_time": "20 s"
    }  # fmt: skip
    data["feeder"][0]["double_check"] |= {"action": str(pick(rng, "count", "stop"))}
    fault = pick(
        rng,
        {"carrier": 50, "kind": "eye_dirty", "eye": "carrier", "duration": "0.5 s"},
        {"at": "5 s", "kind": "emergency_stop"},
        {"carrier": 30, "kind": "insert_jam", "feeder": 0},
    )
    data["fault"] = [fault]
    change = {"set": {"line.speed": "20 m/min"}}
    data["adjust"] = [change | pick(rng, {"at": "6 s"}, {"carrier": 60})]  # type: ignore[operator]
