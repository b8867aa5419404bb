"""Random lines as an engineer would build them: every key and policy, within usual ranges.

Each begins from one of ``scenarios/`` and is drawn anew throughout: ticks, eyes, ramps, geometry
that fits together, acceptance figures that leave room for what its parts lose anyway. So most are
accepted at some low speed and refused at some high one, which the lines of
:mod:`tests.random_scenarios` are not.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from feedsim.errors import FeedsimError
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, load_scenario, scenario_from_dict, scenario_to_dict
from tests.random_scenarios import Rng, drive, pick

__all__ = ["counted", "workable_scenario"]

_FOLDER = Path(__file__).parents[1] / "scenarios"
_BASES = (
    "membership_card",
    "hand_fed",
    "imperial",
    "recorded",
    "two_feeders",
    "bench",
    "from_standstill",
)
_ATTEMPTS = 100


def workable_scenario(seed: int, *, stops: bool = False) -> Scenario:
    """Return a line drawn within usual ranges; equal seeds give equal lines.

    ``stops``: one of six besides with what stops or changes it (supervision, jams, a magazine),
    which no closed form knows.
    """
    rng = np.random.default_rng([seed, 5])
    for _ in range(_ATTEMPTS):
        try:
            return _drawn(rng, seed, stops=stops)
        except FeedsimError:
            continue
    raise RuntimeError(f"no valid line from seed {seed}")


@cache
def _base(name: str) -> Scenario:
    return load_scenario(_FOLDER / f"{name}.toml")


def _drawn(rng: Rng, seed: int, *, stops: bool) -> Scenario:
    data = scenario_to_dict(_base(_BASES[seed % len(_BASES)]))
    _run(rng, data)
    _controller(rng, data)
    length = round(_length(data["carrier"]["length"]) * _some(rng, 0.9, 1.2), 1)
    data["carrier_eye"] = _eye(rng)
    feeders = data["feeder"]
    if len(feeders) == 1 and rng.random() < 0.05:
        feeders.append(scenario_to_dict(_base("two_feeders"))["feeder"][1])
    for number, feeder in enumerate(feeders):
        virtual = data["run"]["master"] == "virtual"
        _feeder(rng, feeder, length, first=number == 0, virtual=virtual)
    _carriers(rng, data, length)
    _memory(rng, data)
    _product(rng, data)
    _acceptance(rng, data)
    if stops and rng.random() < 1.0 / 6.0:
        _stops(rng, data)
    return _typed_in(rng, scenario_from_dict(data))


def _mm(value: float) -> str:
    return f"{value:.3f} mm"


def _some(rng: Rng, low: float, high: float, digits: int = 3) -> float:
    return round(float(rng.uniform(low, high)), digits)


def _length(text: object) -> float:
    """Return the millimetres of a length that was written here."""
    return float(str(text).split()[0])


def _run(rng: Rng, data: dict[str, Any]) -> None:
    data["seed"] = int(rng.integers(1, 1000))
    data["run"] = {
        "carriers": int(pick(rng, 2000, 5000, 5000)),
        "warm_up": int(pick(rng, 0, 20, 50)),
        "master": pick(rng, "encoder", "encoder", "encoder", "encoder", "virtual"),
        "start": pick(rng, "staged", "staged", "staged", "empty"),
    }
    line = data["line"] = {
        "speed": f"{_some(rng, 25.0, 90.0, 1)} m/min",
        "acceleration": f"{_some(rng, 0.3, 1.5, 2)} m/s^2",
    }
    if rng.random() < 0.04:
        line["profile"] = [["0 s", line["speed"]], ["4 s", "20 m/min"], ["8 s", line["speed"]]]
    line["encoder"] = {
        "kind": pick(rng, "incremental", "absolute"),
        "counts_per_rev": int(pick(rng, 1000, 2000, 4096, 5000, 10_000, 20_000)),
        "wheel_circumference": _mm(_some(rng, 200.0, 600.0, 0)),
        "scale_error": f"{pick(rng, 0.0, 0.0, 0.0, 0.05, -0.05, 0.1)} %",
        "home_time": f"{_some(rng, 3.0, 15.0, 0)} s",
    }


def _controller(rng: Rng, data: dict[str, Any]) -> None:
    ticks = (
        (0.0, 1.0), (0.5, 0.5), (1.0, 1.0), (1.0, 0.25), (1.0, 2.0), (2.0, 0.5), (2.0, 0.888),
        (2.0, 1.0), (2.0, 2.0), (3.0, 2.0), (4.0, 1.0), (4.0, 2.0), (5.0, 2.0), (8.0, 1.0),
        (10.0, 4.0), (10.0, 5.0),
    )  # fmt: skip
    scan, cycle = pick(rng, *ticks)
    data["controller"] = {
        "scan": f"{scan} ms",
        "motion_cycle": f"{cycle} ms",
        "speed_filter": f"{pick(rng, 0.0, 0.0, 10.0, 30.0)} ms",
        "search_limit": f"{pick(rng, 10.0, 10.0, 2.0)} m",
        "late_mark": pick(rng, "skip", "skip", "engage"),
        "not_ready": pick(rng, "skip", "skip", "skip", "engage"),
    }


def _carriers(rng: Rng, data: dict[str, Any], length: float) -> None:
    """Draw carriers that come no sooner than the slowest feeder draws, with some room."""
    law = pick(rng, data["carrier"].get("arrival", "paced"), "paced", "paced", "random", "recorded")
    carrier: dict[str, Any] = {"length": _mm(length), "arrival": law}
    carrier |= {
        "slip": _mm(pick(rng, 0.0, 0.1, 0.3)),
        "slip_sd": _mm(pick(rng, 0.0, 0.05, 0.1, 0.2)),
    }
    busy = max(_length(f["insert"]["length"]) + _length(f["insert"]["gap"]) for f in data["feeder"])
    pitch = max(length + _some(rng, 15.0, 60.0, 1), busy + _some(rng, 25.0, 150.0, 1))
    spread = _some(rng, 0.4, 5.0, 1)
    if law == "recorded":
        count, ends = int(pick(rng, 60, 200, 600)), rng.random() < 0.15
        rows = pitch + spread * rng.normal(size=5200 if ends else count)
        carrier["record"] = [_mm(max(length + 5.0, row)) for row in rows]
        carrier["after_record"] = "end" if ends else "repeat"
    else:
        carrier["missing"] = f"{pick(rng, 0.0, 0.0, 0.0, 0.2, 2.0)} %"
        carrier["min_gap"] = _mm(pick(rng, 0.0, 5.0, 10.0, 20.0))
    if law == "paced":
        carrier |= {"pitch": _mm(pitch), "pitch_sd": _mm(spread)}
    data["acceptance"]["missed"] = ""
    if law == "random":
        # of exponential gaps some fall into a cycle at any speed: half of what may be missed
        missed, shortest = pick(rng, 5.0, 10.0, 20.0, 30.0), length + _length(carrier["min_gap"])
        free = max(20.0, (busy + 20.0 - shortest) / (0.005 * missed))
        carrier["pitch"] = _mm(shortest + free)
        data["acceptance"]["missed"] = f"{missed} %"
    data["carrier"] = carrier


def _eye(rng: Rng) -> dict[str, Any]:
    response = _some(rng, 0.1, 1.2, 2)
    return {
        "response": f"{response} ms",
        "response_jitter": f"{pick(rng, 0.0, 0.1, 0.2, 0.3) * response:.3f} ms",
        "off_response": f"{_some(rng, 0.1, 1.5, 2)} ms",
        "edge_sd": _mm(pick(rng, 0.02, 0.05, 0.1, 0.1, 0.2)),
        "missed": f"{pick(rng, 0.0, 0.0, 0.0, 0.01, 0.05)} %",
        "capture": pick(rng, "latched", "latched", "latched", "scanned", "polled"),
        "filter_time": f"{pick(rng, 0.0, 0.0, 0.0, 0.5, 1.0, 2.0)} ms",
    }


def _feeder(
    rng: Rng, feeder: dict[str, Any], carrier: float, *, first: bool, virtual: bool
) -> None:
    insert = round(min(_some(rng, 60.0, 120.0, 1), carrier - 20.0), 1)
    stage, way = _some(rng, 35.0, 70.0, 1), _some(rng, 40.0, 90.0, 1)
    placement = stage + way
    from_eye = _some(rng, 200.0, 500.0, 0) if first else _some(rng, 700.0, 1200.0, 0)
    before_point = _some(rng, 10.0, 35.0, 1)
    clutch, fast = _clutch(rng), _some(rng, 60.0, 180.0, 0) / 0.06
    feeder |= {
        "eye_to_placement": _mm(way + from_eye),
        "insert_eye_to_placement": _mm(placement),
        "grip_end": _mm(placement - before_point),
        "nose_limit": _mm(stage + _some(rng, 6.0, 35.0, 1)),
        "jog_speed": f"{_some(rng, 50.0, 150.0, 0)} mm/s",
        "eye": _eye(rng),
        "clutch": clutch,
        "insert": {
            "length": _mm(insert),
            "gap": _mm(way - before_point + _some(rng, 15.0, 60.0, 1)),
            "gap_sd": _mm(_some(rng, 0.5, 4.0, 1)),
            "min_gap": _mm(pick(rng, 0.0, 5.0, 20.0)),
            "slip": _mm(pick(rng, 0.0, 0.2, 0.4)),
            "slip_sd": _mm(pick(rng, 0.02, 0.1, 0.2)),
            "misfeed": f"{pick(rng, 0.0, 0.0, 0.02, 0.1, 0.5)} %",
            "double": f"{pick(rng, 0.0, 0.0, 0.01, 0.05, 0.2)} %",
        },
        "double_check": {
            "finds": f"{pick(rng, 0.0, 90.0, 99.0)} %",
            "false_alarm": f"{pick(rng, 0.0, 0.01)} %",
        },
        "servo": {
            "loop_gain": pick(rng, "inf 1/s", "60 1/s", "100 1/s", "200 1/s", "200 1/s", "400 1/s"),
            "velocity_feedforward": f"{pick(rng, 0.0, 70.0, 80.0, 90.0, 95.0, 100.0)} %",
            "max_acceleration": f"{_enough(clutch, fast):.1f} m/s^2",
            "command_delay": f"{pick(rng, 0.0, 0.0, 0.5, 1.0, 2.0)} ms",
        },
        "settings": _settings(rng, carrier - insert, stage, virtual=virtual),
    }
    feeder.pop("drive", None)
    if rng.random() < 0.1:
        feeder["drive"] = drive(rng)
        feeder["servo"]["max_acceleration"] = "auto"


def _clutch(rng: Rng) -> dict[str, Any]:
    settle = f"{pick(rng, 0.0, 0.0, 5.0, 10.0)} ms"
    if rng.random() < 0.25:
        ends = {end: _mm(_some(rng, 8.0, 25.0, 0)) for end in ("ramp_in", "ramp_out")}
        return {"ramp": "travel", "settle": settle} | ends
    ends = {end: f"{_some(rng, 10.0, 40.0, 0)} ms" for end in ("ramp_in", "ramp_out")}
    return {"ramp": "time", "settle": settle} | ends


def _enough(clutch: dict[str, Any], speed_mm_s: float) -> float:
    """Return what both ramps ask for at a line speed (m/s²)."""
    shortest = min(_length(clutch["ramp_in"]), _length(clutch["ramp_out"]))
    if clutch["ramp"] == "travel":
        return 1e-3 * speed_mm_s**2 / shortest
    return speed_mm_s / shortest


def _settings(rng: Rng, room: float, stage: float, *, virtual: bool) -> dict[str, Any]:
    settings: dict[str, Any] = {
        "target_offset": _mm(_some(rng, 5.0, max(6.0, room - 5.0), 1)),
        "stage_position": _mm(stage),
        "speed_ratio": float(pick(rng, 1.0, 1.0, 1.0, 1.0, 1.01, 0.995)),
        "speed_trim": f"{pick(rng, 0.0, 0.0, 0.0, 0.2, -0.1)} %",
        "stage_correction": bool(rng.random() < 0.25),
    }
    if rng.random() < 0.25:
        by_count = not virtual and rng.random() < 0.5
        settings["resolution"] = {
            "distance": _mm(0.0 if by_count else pick(rng, 0.0, 0.1, 0.25)),
            "distance_counts": int(by_count),
            "lead": f"{pick(rng, 0.0, 0.1, 0.5, 1.0)} ms",
            "ratio": int(pick(rng, 0, 0, 1000)),
        }
    return settings


def _memory(rng: Rng, data: dict[str, Any]) -> None:
    """Give the program places for the marks on their way, more or fewer to spare."""
    carrier = data["carrier"]
    rows = carrier.get("record") or [carrier["pitch"]]
    pitch = min(_length(row) for row in rows)
    if carrier["arrival"] == "random":
        pitch = 0.5 * (pitch + _length(carrier["length"]) + _length(carrier["min_gap"]))
    furthest = max(_length(feeder["eye_to_placement"]) for feeder in data["feeder"])
    needed = math.ceil(furthest / pitch)
    data["controller"]["mark_memory"] = max(1, needed + int(pick(rng, 0, 1, 2, 8)))


def _product(rng: Rng, data: dict[str, Any]) -> None:
    data.pop("product", None)
    data.pop("divert", None)
    names = [feeder["name"] for feeder in data["feeder"]]
    if len(names) > 1 and rng.random() < 0.7:
        data["product"] = {"needs": pick(rng, "all", [names[0]]), "may_overlap": True}
        if rng.random() < 0.5:
            pair = {"below": names[0], "above": names[1]}
            data["product"]["pair"] = [pair | {"min_overlap": "-300 mm", "max_overlap": "150 mm"}]
    if rng.random() < 0.2:
        furthest = max(_length(feeder["eye_to_placement"]) for feeder in data["feeder"])
        data["divert"] = {
            "at": _mm(furthest + _some(rng, 200.0, 600.0, 0)),
            "decide_before": _mm(pick(rng, 0.0, 50.0)),
            "gate_time": f"{pick(rng, 0.0, 50.0)} ms",
            "missed": True,
            "doubled": bool(rng.random() < 0.5),
            "late": bool(rng.random() < 0.3),
        }


def _acceptance(rng: Rng, data: dict[str, Any]) -> None:
    """Ask for what the parts can give: a figure with room for what they lose at any speed."""

    def lost(part: dict[str, Any], *keys: str) -> float:
        return sum(_length(part[key]) for key in keys)

    feeders = data["feeder"]
    room = pick(rng, 1.2, 2.0, 3.0, 3.0)
    misses = 2.0 * max(lost(f["insert"], "misfeed") + lost(f["eye"], "missed") for f in feeders)
    misses += lost(data["carrier_eye"], "missed")
    jams = max(lost(f["insert"], "double") + lost(f["eye"], "missed") for f in feeders)
    few = pick(rng, 0.1, 0.2, 0.5)
    missed = data["acceptance"]["missed"] or f"{few + room * misses:.3f} %"
    data["acceptance"] = {
        "placement_tolerance": _mm(pick(rng, 1.0, 1.5, 1.5, 2.0, 3.0, 5.0)),
        "within_tolerance": f"{pick(rng, 95.0, 99.0, 99.7, 99.7)} %",
        "missed": missed,
        "jam_risk": f"{pick(rng, 0.1, 0.2, 0.5) + room * jams:.3f} %",
    }
    data["limits"] = {
        "speed_mismatch": f"{pick(rng, 3.0, 5.0, 8.0)} %",
        "overhang": _mm(pick(rng, 0.0, 0.0, 3.0)),
    }
    data["sweep"] = {"speeds": {"from": "20 m/min", "to": "100 m/min", "step": "20 m/min"}}


def _stops(rng: Rng, data: dict[str, Any]) -> None:
    data["run"]["carriers"] = 2000
    data["supervision"] = {
        "no_insert": True,
        "insert_eye_blocked": pick(rng, "0 mm", "400 mm"),
        "carrier_eye_blocked": pick(rng, "0 mm", "900 mm"),
        "carrier_eye_silent": pick(rng, "0 mm", "50 m"),
        "misses_in_a_row": int(pick(rng, 0, 5, 10)),
        "double_found": bool(rng.random() < 0.5),
        "jam": True,
        "drive_overload": bool(rng.random() < 0.3),
        "clearing_time": pick(
            rng, "30 s", {"mean": "60 s", "distribution": "lognormal", "cv": 0.5}
        ),
    }
    if rng.random() < 0.5:
        chances = {"stray_insert": "20 %", "double": "50 %", "tail_held": "5 %"}
        data["limits"]["jam_probability"] = chances
    if rng.random() < 0.5:
        data["feeder"][0]["insert"] |= {"magazine": 800, "refill_time": "20 s"}
        data["feeder"][0]["insert"]["magazine_warning"] = int(pick(rng, 0, 60))
    if rng.random() < 0.3:
        data["feeder"][0]["double_check"]["action"] = "stop"


def _typed_in(rng: Rng, made: Scenario) -> Scenario:
    """Type in what ``"auto"`` stands for at another speed, or a lead that is a little off."""
    if rng.random() > 0.2:
        return made
    data = scenario_to_dict(made)
    whole, off = rng.random() < 0.5, pick(rng, 0.0, 0.0, 0.5, -1.0)
    for feeder, keys in zip(machine_of(made).feeders, data["feeder"], strict=True):
        right, settings = feeder.settings, keys["settings"]
        if right.resolution.lead_s > 0.0:
            continue
        settings["engage_lead"] = f"{1e3 * right.engage_lead_s + off:.3f} ms"
        if whole:
            settings |= {
                "engage_distance": f"{right.engage_distance_mm:.4f} mm",
                "disengage_distance": f"{right.disengage_distance_mm:.4f} mm",
                "disengage_lead": f"{1e3 * right.disengage_lead_s:.3f} ms",
            }
    return scenario_from_dict(data)


def counted(scenarios: Iterable[Scenario]) -> Counter[str]:
    """Return how many of these lines have each law, policy, kind of part and odd key."""
    found: Counter[str] = Counter()
    for scenario in scenarios:
        found.update(_names(scenario))
    return found


def _names(s: Scenario) -> set[str]:
    c, control = s.carrier, s.controller
    names = {
        f"arrival {c.arrival}", f"master {s.run.master}", f"start {s.run.start}",
        f"carrier eye {s.carrier_eye.capture}", f"not_ready {control.not_ready}",
        f"late_mark {control.late_mark}", f"feeders {len(s.feeder)}",
    }  # fmt: skip
    there = {
        "profile": bool(s.line.profile),
        "scale_error": s.line.encoder.scale_error != 0.0,
        "missing": bool(c.missing),
        "record ends": c.arrival == "recorded" and c.after_record == "end",
        "carrier eye missed": s.carrier_eye.missed > 0.0,
        "carrier eye filter": s.carrier_eye.filter_time > 0.0,
        "speed_filter": control.speed_filter > 0.0,
        "product": s.product is not None,
        "divert": s.divert is not None,
        "supervision": s.supervision is not None,
    }
    for f in s.feeder:
        names |= {f"insert eye {f.eye.capture}", f"ramp {f.clutch.ramp}"}
        steps = f.settings.resolution
        there |= {
            name: there.get(name, False) or here
            for name, here in {
                "misfeed": f.insert.misfeed > 0.0,
                "double": f.insert.double > 0.0,
                "insert eye missed": f.eye.missed > 0.0,
                "insert eye filter": f.eye.filter_time > 0.0,
                "settle": f.clutch.settle > 0.0,
                "rigid servo": math.isinf(f.servo.loop_gain),
                "command_delay": f.servo.command_delay > 0.0,
                "drive": f.drive is not None,
                "speed_ratio": f.settings.speed_ratio != 1.0,
                "speed_trim": f.settings.speed_trim != 0.0,
                "stage_correction": f.settings.stage_correction,
                "resolution": steps.distance > 0.0 or steps.distance_counts > 0 or steps.lead > 0.0,
                "lead typed in": f.settings.engage_lead != "auto",
                "all typed in": f.settings.disengage_distance != "auto",
            }.items()
        }
    return names | {name for name, here in there.items() if here}
