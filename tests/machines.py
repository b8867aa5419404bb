"""Machines for tests, built from numbers, and the helper of statistical tests.

The example is an invented feeder for ID-1 cards (85.60 mm long, ISO/IEC 7810) on A5 sheets
(210 mm, ISO 216).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from feedsim.arrivals import Arrival, Paced
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import (
    Carriers,
    Clutch,
    Controller,
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
from feedsim.records.columns import RunRecords
from feedsim.running.engines import simulated
from feedsim.settings.right import solve_feeder

AUTO = math.nan
M_MIN = 1000.0 / 60.0
"""One metre a minute in mm/s."""

RIGID = Servo()
LAGGING = Servo(loop_gain_per_s=200.0, velocity_feedforward=0.8, max_acceleration_mm_s2=150_000.0)
QUIET_EYE = Eye(response_s=0.0005, off_response_s=0.0005)
NOISY_EYE = Eye(response_s=0.0005, response_jitter_s=0.0002, off_response_s=0.0005, edge_sd_mm=0.1)
SPREAD_MM = 4.0
"""Pitch and gap spread that washes out every tick of the tests."""


def settings(**changes: object) -> Settings:
    """Return the example's settings; what is not given is solved by the machine."""
    base = Settings(
        target_offset_mm=20.0,
        stage_position_mm=60.0,
        engage_distance_mm=AUTO,
        engage_lead_s=AUTO,
        disengage_distance_mm=AUTO,
        disengage_lead_s=AUTO,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def typed(**changes: object) -> Settings:
    """Return settings typed in, without leads: what comes of them is worked out by hand."""
    by_hand: dict[str, object] = {
        "engage_distance_mm": 359.0,
        "engage_lead_s": 0.0,
        "disengage_distance_mm": 50.0,
        "disengage_lead_s": 0.0,
    }
    return settings(**{**by_hand, **changes})


def feeder(**changes: object) -> Feeder:
    """Return the example feeder: rigid, no ramps, nothing random."""
    base = Feeder(
        eye_to_placement_mm=400.0,
        insert_eye_to_placement_mm=120.0,
        grip_end_mm=100.0,
        nose_limit_mm=95.0,
        jog_speed_mm_s=100.0,
        inserts=Inserts(length_mm=85.6, gap_mm=70.0),
        eye=QUIET_EYE,
        double_check=DoubleCheck(),
        clutch=Clutch(),
        servo=RIGID,
        settings=settings(),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def machine(*feeders: Feeder, speed_m_min: float = 60.0, **changes: object) -> Machine:
    """Return a line with these feeders (the example one by default), with right settings.

    Those of every speed: what ``"auto"`` takes off at line speed besides is not taken off.
    """
    base = Machine(
        line=Line(speed_m_min * M_MIN),
        encoder=Encoder(),
        carriers=Carriers(Paced(210.0, 260.0)),
        carrier_eye=QUIET_EYE,
        controller=Controller(),
        feeders=feeders or (feeder(),),
    )
    return right_at_every_speed(replace(base, **changes))  # type: ignore[arg-type]


def right_at_every_speed(line: Machine) -> Machine:
    """Return the machine with the right setting in place of each that is NaN."""

    def solved(one: Feeder) -> Feeder:
        values = {f.name: getattr(one.settings, f.name) for f in fields(one.settings)}
        automatic = [n for n, x in values.items() if isinstance(x, float) and math.isnan(x)]
        if not automatic:
            return one
        right = solve_feeder(line, one)
        found = {name: getattr(right, name) for name in automatic}
        return replace(one, settings=replace(one.settings, **found))

    return replace(line, feeders=tuple(solved(one) for one in line.feeders))


def spread_feeder(**changes: object) -> Feeder:
    """Return the example feeder with enough gap spread to wash out ticks and counts."""
    inserts = Inserts(length_mm=85.6, gap_mm=70.0, gap_sd_mm=SPREAD_MM)
    return feeder(**{"inserts": inserts, **changes})


def spread_carriers(**changes: object) -> Carriers:
    """Return the example carriers with enough pitch spread, far enough apart to be served."""
    slips = {name: changes.pop(name) for name in ("slip_mm", "slip_sd_mm") if name in changes}
    base = Carriers(Paced(210.0, 300.0, pitch_sd_mm=SPREAD_MM), **slips)  # type: ignore[arg-type]
    return arriving(base, **changes)


def arriving(
    carriers: Carriers, law: type[Arrival] | None = None, /, **changes: object
) -> Carriers:
    """Return carriers that come by another law, or by the same with other values."""
    names = ("length_mm", "pitch_mm", "pitch_sd_mm", "min_gap_mm")
    old = {name: getattr(carriers.arrival, name) for name in names}
    changed = law(**{**old, **changes}) if law else replace(carriers.arrival, **changes)  # type: ignore[arg-type]
    return replace(carriers, arrival=changed)


def with_feeder(line: Machine, **changes: object) -> Machine:
    """Return the line with other values of its first feeder."""
    first, *others = line.feeders
    return replace(line, feeders=(replace(first, **changes), *others))  # type: ignore[arg-type]


def as_bytes(records: RunRecords) -> list[object]:
    """Return all that records hold, bytes for columns."""
    parts = [records.carriers, *records.feeders]
    columns = [getattr(part, f.name) for part in parts for f in fields(part)]
    plain = [x.tobytes() if isinstance(x, np.ndarray) else x for x in columns]
    return [*plain, repr(records.stops)]


def run(line: Machine, *, carriers: int, seed: int = 1) -> RunRecords:
    """Simulate a machine with its own draws, on the engine that the module asks for."""
    return simulated(line, RunDraws(line, seed), carriers=carriers)


@dataclass(frozen=True)
class Sample:
    """A mean with its standard error, to be held against a theory."""

    mean: float
    standard_error: float

    def z(self, theory: float) -> float:
        """Return by how many standard errors the theory is off."""
        return (self.mean - theory) / self.standard_error


def mean_of(values: ArrayLike) -> Sample:
    """Return the mean of independent values."""
    x = np.asarray(values, dtype=float)
    x = x[~np.isnan(x)]
    return Sample(float(x.mean()), float(x.std(ddof=1) / math.sqrt(len(x))))


def variance_of(values: ArrayLike) -> Sample:
    """Return the sample variance; its standard error from the fourth central moment."""
    x = np.asarray(values, dtype=float)
    x = x[~np.isnan(x)]
    d = x - x.mean()
    second, fourth = float(np.mean(d**2)), float(np.mean(d**4))
    return Sample(float(x.var(ddof=1)), math.sqrt((fourth - second**2) / len(x)))


def share_of(count: int, total: int) -> Sample:
    """Return a binomial share."""
    p = count / total
    return Sample(p, math.sqrt(max(p * (1.0 - p), 1.0 / total) / total))
