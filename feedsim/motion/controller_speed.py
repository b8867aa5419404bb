"""The speed that the controller sees: counted, through a first-order filter."""

from __future__ import annotations

import math

from feedsim.motion.belt import BeltMotion, belt_index

_SETTLED = 1e-13  # of the filter's first departure: far below a count for any lead


def settled_speed(seen: ControllerSpeed, i: int, *, s: float) -> float:
    """Return y (mm/s) on piece ``i`` of the belt, ``s`` seconds after its start, without C."""
    belt = seen.belt
    return (belt.start_speeds[i] + belt.accelerations[i] * (s - seen.filter_s)) * seen.factor


def speed_on_piece(seen: ControllerSpeed, i: int, *, s: float) -> float:
    """Return y (mm/s) on piece ``i`` of the belt, ``s`` seconds after its start.

    :class:`ControllerSpeed` has the formula.
    """
    return settled_speed(seen, i, s=s) + departed_speed(seen, i, s=s)


def departed_speed(seen: ControllerSpeed, i: int, *, s: float) -> float:
    """Return C·exp(−s/T) of piece ``i`` (mm/s): any control textbook, as the class says."""
    departure = seen.departures[i]
    return departure * math.exp(-s / seen.filter_s) if departure != 0.0 else 0.0


def speed_at(seen: ControllerSpeed, t: float) -> float:
    """Return y (mm/s) at time ``t`` (s)."""
    if seen.constant:
        return seen.constant_mm_s
    i = belt_index(seen.belt, t)
    return max(0.0, speed_on_piece(seen, i, s=t - seen.belt.start_times[i]))


def speed_steady_from(seen: ControllerSpeed, i: int) -> float:
    """Return when y is constant on piece ``i`` of the belt (s); ``inf`` for never."""
    start = seen.belt.start_times[i]
    if seen.belt.accelerations[i] != 0.0:
        return math.inf
    if seen.departures[i] == 0.0:
        return start
    return start - seen.filter_s * math.log(_SETTLED)


def speed_curve(seen: ControllerSpeed, i: int) -> tuple[float, float, float]:
    """Return y0, slope and C of piece ``i``: y = y0 + slope·s + C·exp(−s/T) (MODEL.md, 2)."""
    slope = seen.belt.accelerations[i] * seen.factor
    return settled_speed(seen, i, s=0.0), slope, seen.departures[i]


class ControllerSpeed:
    """y(t) of y' = (v_c − y)/T with v_c = v/(1+ε), piece by piece in closed form.

    On a piece with v_c = v0 + a·s the solution is y = v0 + a·s − a·T + C·exp(−s/T),
    C = y(0) − v0 + a·T. First-order lag, any control textbook.

    Parameters
    ----------
    scale_error : float
        ε.
    filter_s : float
        T; 0: no filter.

    Attributes
    ----------
    departures : list of float
        C of each piece (mm/s).
    constant : bool
        y never changes; it is then ``constant_mm_s``.
    """

    __slots__ = ("belt", "constant", "constant_mm_s", "departures", "factor", "filter_s")

    def __init__(self, belt: BeltMotion, *, scale_error: float, filter_s: float) -> None:
        self.belt = belt
        self.factor = 1.0 / (1.0 + scale_error)
        self.filter_s = filter_s
        self.departures = [0.0] * belt.count
        if filter_s > 0.0:
            self._depart()
        self.constant = belt.single and belt.accelerations[0] == 0.0
        self.constant_mm_s = belt.start_speeds[0] * self.factor if self.constant else math.nan

    def _depart(self) -> None:
        """Compute C of each piece in turn."""
        belt = self.belt
        y = belt.start_speeds[0] * self.factor
        for i, start in enumerate(belt.start_times):
            self.departures[i] = y - speed_curve(self, i)[0]
            if belt.end_times[i] < math.inf:
                y = speed_on_piece(self, i, s=belt.end_times[i] - start)

    at = speed_at
