"""Whether enough of the machines drawn are accepted at a speed, in closed form."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.answers.tune.study.line import ClosedLine
from feedsim.answers.tune.study.space import Draw, Space
from feedsim.errors import FeedsimError
from feedsim.settings.shares_by_speed import Excess

_DRAWS = 20
"""At least so many machines are drawn in a search, and enough that two of them may fail."""
_MAY_FAIL = 2


def draws_of(space: Space) -> tuple[Draw, ...]:
    """Return the machines that a search draws of what is unsure."""
    short = 1.0 - space.tune.assurance
    return space.draws(max(_DRAWS, math.ceil(_MAY_FAIL / short)))


def allowed_of(space: Space, n: int) -> int:
    """Return how many of n machines may be refused."""
    return math.floor((1.0 - space.tune.assurance) * n + 1e-9)


class Judge:
    """Whether enough of some machines are accepted at a speed."""

    def __init__(
        self,
        space: Space,
        line: ClosedLine,
        draws: Sequence[Draw | None],
        may_fail: int | None = None,
    ) -> None:
        self.draws = list(draws)
        some = allowed_of(space, len(draws)) if draws[0] is not None else 0
        self.may_fail = some if may_fail is None else may_fail
        self._line = line

    def worst_at(self, speed: float) -> list[Draw | None]:
        """Return the machines, the worst at a speed first."""
        return sorted(self.draws, key=lambda draw: -self._one(speed, draw).times)

    def worst(self, speed: float) -> Excess:
        """Return the excess of the best machine of those beyond the number that may fail.

        As soon as more than that are refused, the least of these is returned: it is refused. Those
        that were refused last are asked first.
        """
        over: list[Excess] = []
        under: list[Excess] = []
        for place, draw in enumerate(list(self.draws)):
            found = self._one(speed, draw)
            if found.times > 1.0:
                over.append(found)
                self.draws.insert(0, self.draws.pop(place))
                if len(over) > self.may_fail:
                    return min(over, key=lambda e: e.times)
            else:
                under.append(found)
        ranked = sorted([*over, *under], key=lambda e: -e.times)
        return ranked[self.may_fail]

    def _one(self, speed: float, draw: Draw | None) -> Excess:
        try:
            return self._line.excess(speed, draw)
        except FeedsimError:
            return Excess(math.inf, "missed", 1.0)
