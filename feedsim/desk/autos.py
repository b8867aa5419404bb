"""The present value of each ``"auto"`` of a scenario."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from feedsim.metrics.machine_settings import typed
from feedsim.quantities import Kind, System, display
from feedsim.render.wording import length
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario


@dataclass(frozen=True, slots=True)
class AutoValue:
    """What an ``"auto"`` stands for: in the internal unit (None for infinite), and as text."""

    value: float | None
    text: str


Autos = Mapping[str, AutoValue]
"""By the path of the key."""


def autos_of(scenario: Scenario, *, units: System = "metric") -> Autos:
    """Return the value of each key that may be ``"auto"``, solved or typed in.

    Raises FeedsimError if the machine is not possible.
    """
    return {
        path: AutoValue(value if math.isfinite(value) else None, text)
        for path, value, text in _found(scenario, units)
    }


def _found(scenario: Scenario, units: System) -> Iterator[tuple[str, float, str]]:
    def of(path: str, value: float, kind: Kind) -> tuple[str, float, str]:
        text = length(value, units) if kind == "length" else display(value, kind, units=units)
        return path, value, text

    for number, feeder in enumerate(machine_of(scenario).feeders):
        keys, above = scenario.feeder[number], f"feeder.{number}"
        for key, value in typed(feeder.settings).items():
            kind: Kind = "time" if key.endswith("_lead") else "length"
            yield of(f"{above}.settings.{key}", value, kind)
        most = feeder.servo.max_acceleration_mm_s2
        yield of(f"{above}.servo.max_acceleration", most, "acceleration")
        yield of(f"{above}.drive.pull_off_travel", keys.insert.length, "length")
    if scenario.supervision is not None:
        stop = scenario.supervision.stop_deceleration
        yield of("supervision.emergency_deceleration", stop, "acceleration")
