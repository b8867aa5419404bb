"""Whether carriers are so regular that they keep their phase to the ticks throughout a run.

Such a run has one phase, drawn at its start: however long, it is a single observation.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.probability.normal import kept_of_wave
from feedsim.settings.nominal import rectangular_sd

_HARMONICS = 60
_WORTH = 0.02
_REGULAR = 0.5


def keeps_phase(machine: Machine, criteria: Criteria, *, carriers: int) -> bool:
    """Return whether the phase shows in the placement and lasts for a run of this many carriers.

    From carrier to carrier the h-th harmonic of the phase, exp(2πi·h·M/b), b the belt travel of a
    tick, is multiplied on average by z = exp(2πi·h·pitch/b − 2·(π·h·sd/b)²), sd that of the pitch
    (its characteristic function, any textbook). So its mean over a run is
    about (1 − z^n)/(n·(1 − z)) of its first value: little once n·|1 − z| is 2π, a whole turn. In
    the wait for the tick the harmonic has the size b/(π·h), reduced by the spread of edge and
    response; up to a fiftieth of the tolerance is ignored. Carriers that lose most of it from one
    to the next, |z| below 1/2, are not regular, however few they are.
    """
    law, controller, eye = machine.carriers.arrival, machine.controller, machine.carrier_eye
    if law.in_order or not law.in_step or machine.line.profile:
        return False
    v = machine.line.speed_mm_s
    own_sd = math.hypot(eye.edge_sd_mm, rectangular_sd(v * eye.response_jitter_s))
    worth = _WORTH * criteria.placement_tolerance_mm
    for tick_s in {controller.motion_cycle_s, controller.scan_s if eye.scanned else 0.0} - {0.0}:
        b = v * tick_s
        w = 2.0 * math.pi / b * np.arange(1.0, _HARMONICS + 1.0)
        shows = 2.0 / w * kept_of_wave(w * own_sd) > worth
        z = law.wave(w)
        lasts = (np.abs(z) > _REGULAR) & (carriers * np.abs(1.0 - z) < 2.0 * math.pi)
        if (shows & lasts).any():
            return True
    return False
