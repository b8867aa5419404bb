"""A list of parts being written: delays at one speed, travels, and what a changing speed did."""

from __future__ import annotations

from feedsim.answers.explain.study.record import Group, Part

__all__ = ["Ledger"]


class Ledger:
    """The parts of one side.

    A delay of d costs what the belt moves meanwhile. Its part is d·v, v the speed at which the
    settings of this side acted; where the belt ran at another speed during the delay, the
    difference of the travel moved and d·v goes to one account of its own, `changed_mm`.

    Parameters
    ----------
    speed : float
        v (mm/s).
    sign : float
        1 where what comes late places late, −1 where it places early (the insert side).
    """

    def __init__(self, *, speed: float, sign: float) -> None:
        self.speed = speed
        self._sign = sign
        self.changed_mm = 0.0
        self.parts: list[Part] = []

    def delay(
        self,
        key: str,
        name: str,
        *,
        group: Group,
        delay_s: float,
        moved_mm: float,
        allowed_s: float,
    ) -> None:
        """Add a delay: how long it was, how far the belt moved, and what is allowed for (s)."""
        cost = self._sign * delay_s * self.speed
        allowed = self._sign * allowed_s * self.speed
        self.changed_mm += self._sign * moved_mm - cost
        error = self._sign * (delay_s - allowed_s) * self.speed
        self.parts.append(Part(key, group, name, delay_s, cost, allowed, error))

    def travel(
        self, key: str, name: str, *, group: Group, cost_mm: float, allowed_mm: float = 0.0
    ) -> None:
        """Add a travel of the belt (mm), whatever time it took."""
        cost, allowed = self._sign * cost_mm, self._sign * allowed_mm
        self.parts.append(Part(key, group, name, None, cost, allowed, cost - allowed))

    def changing_speed(self, key: str, name: str, *, group: Group) -> None:
        """Add what the changing speed did to all delays so far."""
        changed = self.changed_mm
        self.parts.append(Part(key, group, name, None, changed, 0.0, changed))
        self.changed_mm = 0.0
