"""What measured placements add to a log: the eyes' own delays, and slip."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.figures import Finding, Learned, Subject
from feedsim.answers.trial.study.data import TrialData
from feedsim.answers.trial.study.expected import expected_positions
from feedsim.answers.trial.study.line import Estimate, Fitted, fitted_line, joined, line_of
from feedsim.arrays import Bools, Floats
from feedsim.machine import Machine

_SURE = 0.95


@dataclass(frozen=True, slots=True)
class Placements:
    """Placements measured beside the logs.

    ``placed``, ``staged``: numbers of placement errors and stage positions. ``added``: what they
    show and no log does.
    """

    file: str
    placed: int
    staged: int
    speeds: int
    added: tuple[str, ...]


def placed_rows(machine: Machine, data: TrialData, *, name: str) -> Iterator[Learned]:
    """Yield what the placements of a file of this name show and no log does.

    ``machine``: with the logs' values, so that the rest of a placement is what they do not show.
    The log covers everything from the outputs of the eyes to the travel of the feed. If inserts lie
    further back than that by a + b·v, the carrier eye is slower than in the scenario by b, and
    carriers slip less by a; if they are staged further on by c + d·v, the insert eye is slower by
    d·(1 + ε)/g. An insert staged further on by x is placed earlier by x/g, which is subtracted
    first.
    """
    for number, feeder in enumerate(machine.feeders):
        mine = data.feeder == number
        g = feeder.settings.speed_ratio
        error, stage = (
            _beyond(machine, number, data.speed_mm_s, values, mine, staged=staged)
            for values, staged in ((data.error_mm, False), (data.stage_mm, True))
        )
        n = int(np.count_nonzero(mine & ~np.isnan(data.error_mm)))
        eye = Subject(f"feeder.{number}.eye.response", "insert eye's own delay", "time")
        scenario = feeder.eye.response_s
        if stage is not None and not stage.one_speed:
            slope = _line(stage.values, stage.covariance, stage.dof)[1]
            later = machine.encoder.scale / g
            yield eye.told(_added(slope, scenario, later, n), scenario, f"from {name}")
        if error is None or (stage is None and not feeder.settings.stage_correction):
            continue
        parts = (error.values, error.covariance, error.dof)
        if stage is not None and not feeder.settings.stage_correction:
            parts = joined(error, stage, factor=1.0 / g)
        rest, slope = _line(*parts)
        if error.one_speed:
            continue
        delay = Subject("carrier_eye.response", "carrier eye's own delay", "time")
        has = machine.carrier_eye.response_s
        yield delay.told(_added(slope, has, 1.0, n), has, f"from {name}")
        slip = Subject("carrier.slip", "slip of carriers", "length")
        has = machine.carriers.slip_mm
        note = f"from {name}, with eye, placement point and target where the scenario has them"
        yield slip.told(_added(rest, has, -1.0, n), has, note)


def _beyond(
    machine: Machine,
    number: int,
    speeds: Floats,
    values: Floats,
    mine: Bools,
    *,
    staged: bool,
) -> Fitted | None:
    """Fit the deviation from what the machine is expected to do, against speed."""
    there = np.flatnonzero(mine & ~np.isnan(values))
    wanted = {
        speed: expected_positions(machine, number, speed_mm_s=speed)[staged].mean_mm
        for speed in np.unique(speeds[there]).tolist()
    }
    off = values[there] - np.array([wanted[speed] for speed in speeds[there].tolist()])
    return fitted_line(off, speeds[there], there, confidence=_SURE)


def _line(values: Floats, covariance: Floats, dof: float) -> tuple[Estimate, Estimate]:
    line = line_of(values, covariance, dof, confidence=_SURE, one_speed=False)
    slope = line.per_speed_s or Estimate(0.0, 0.0, 0.0)
    return line.at_standstill_mm, slope


def _added(estimate: Estimate, scenario: float, factor: float, n: int) -> Finding:
    figure = Finding(estimate.value, estimate.low, estimate.high, n)
    return figure.scaled(factor, scenario)
