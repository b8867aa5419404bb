"""The speed that the controller sees: counted, through a first-order filter."""

from __future__ import annotations

import math

from feedsim.motion.belt import BeltMotion

__all__ = ["ControllerSpeed"]

_SETTLED = 1e-13  # of the filter's first departure: far below a count for any lead


class ControllerSpeed:
    """y(t) of y' = (v_c − y)/T with v_c = v/(1+ε), piece by piece in closed form.

    On a piece with v_c = v0 + a·s the solution is y = v0 + a·s − a·T + C·exp(−s/T),
    C = y(0) − v0 + a·T. First-order lag, any control textbook.

    Parameters
    ----------
    belt : BeltMotion
    scale_error : float
        ε.
    filter_s : float
        T; 0: no filter.
    """

    __slots__ = ("_belt", "_constant", "_factor", "_filter_s", "_starts", "departures")

    def __init__(self, belt: BeltMotion, *, scale_error: float, filter_s: float) -> None:
        self._belt = belt
        self._factor = 1.0 / (1.0 + scale_error)
        self._filter_s = filter_s
        self._starts = [p.start_s for p in belt.pieces]
        self.departures = [0.0] * len(belt.pieces)
        if filter_s > 0.0:
            self._depart()
        alone = len(belt.pieces) == 1 and belt.pieces[0].acceleration_mm_s2 == 0.0
        self._constant = belt.pieces[0].speed_mm_s * self._factor if alone else None

    def _depart(self) -> None:
        """Work out C of each piece, one after the other."""
        belt = self._belt
        y = belt.pieces[0].speed_mm_s * self._factor
        for i, (start, _, speed, a) in enumerate(belt.pieces):
            self.departures[i] = y - (speed - a * self._filter_s) * self._factor
            end = belt.end(i)
            if end < math.inf:
                y = self._on(i, end - start)

    def _on(self, i: int, s: float) -> float:
        _, _, speed, a = self._belt.pieces[i]
        plain = (speed + a * (s - self._filter_s)) * self._factor
        if not self.departures[i]:
            return plain
        return plain + self.departures[i] * math.exp(-s / self._filter_s)

    @property
    def constant(self) -> bool:
        """Whether y never changes."""
        return self._constant is not None

    def at(self, t: float) -> float:
        """Return y (mm/s) at time ``t`` (s)."""
        if self._constant is not None:
            return self._constant
        i = self._belt.index(t)
        return max(0.0, self._on(i, t - self._starts[i]))

    def steady_from(self, i: int) -> float:
        """Return when y is constant on piece ``i`` of the belt (s); ``inf`` for never."""
        start, _, _, a = self._belt.pieces[i]
        if a != 0.0:
            return math.inf
        if not self.departures[i]:
            return start
        return start - self._filter_s * math.log(_SETTLED)

    def curve(self, i: int) -> tuple[float, float, float]:
        """Return y0, slope and C of piece ``i``: y = y0 + slope·s + C·exp(−s/T)."""
        _, _, speed, a = self._belt.pieces[i]
        return (
            (speed - a * self._filter_s) * self._factor,
            a * self._factor,
            self.departures[i],
        )
