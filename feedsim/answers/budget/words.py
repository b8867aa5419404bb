"""What dominates an error budget at slow and at fast speed, and so what to spend on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from feedsim.answers.budget.study.budget import BudgetAgainstRun, FeederBudget
from feedsim.metrics.percent import percent_of_all
from feedsim.quantities import System, listed
from feedsim.render.wording import length, speed

_DOMINATES, _MOST_NAMED = 0.5, 3


def cause_shares(budget: FeederBudget) -> dict[str, float]:
    """Return each cause's share of the variance, 0…1; sources of one cause together."""
    shares: dict[str, float] = {}
    for source in budget.sources:
        shares[source.cause] = shares.get(source.cause, 0.0) + source.share
    return shares


@dataclass(frozen=True, slots=True)
class _End:
    """The budget at the slowest or the fastest speed."""

    speed_mm_s: float
    budget: FeederBudget

    @property
    def shares(self) -> Mapping[str, float]:
        return cause_shares(self.budget)

    @property
    def leading(self) -> list[str]:
        """The largest causes that together have half of the variance, at most three."""
        ranked = sorted(self.shares.items(), key=lambda item: -item[1])
        named, so_far = [], 0.0
        for cause, share in ranked[:_MOST_NAMED]:
            named.append(cause)
            so_far += share
            if so_far >= _DOMINATES:
                break
        return named

    def times(self, cause: str) -> bool:
        """Return whether a cause is a time, whose effect grows with speed."""
        return any(s.cause == cause and s.unit == "s" for s in self.budget.sources)

    def halved_mm(self, cause: str) -> float:
        """Return the combined standard deviation with a cause halved (mm)."""
        return self.budget.combined_sd_mm * math.sqrt(1.0 - 0.75 * self.shares[cause])


def closing(
    row: Sequence[tuple[float, BudgetAgainstRun]], *, units: System = "metric"
) -> Iterator[str]:
    """Say of a feeder's budgets what dominates when slow and when fast, and what to spend on."""
    slow, fast = (_End(speed, compared.budget) for speed, compared in (row[0], row[-1]))
    if not fast.budget.sources:
        yield "Nothing spreads the placement."
        return
    if slow.speed_mm_s == fast.speed_mm_s:
        yield _dominates("At", fast, units)
        yield from _spend(fast, units)
        return
    yield _dominates("Slow, at", slow, units)
    yield _dominates("Fast, at", fast, units)
    if slow.leading[0] == fast.leading[0]:
        yield f"At either end the {slow.leading[0]} comes first."
        yield from _spend(fast, units)
        return
    yield from _spend(slow, units)
    yield from _spend(fast, units)


def _dominates(when: str, end: _End, units: System) -> str:
    shares = end.shares
    first, *others = end.leading
    named = [f"the {first} has {percent_of_all(shares[first])} of the variance"]
    named += [f"the {cause} {percent_of_all(shares[cause])}" for cause in others]
    kinds = {end.times(cause) for cause in end.leading}
    why = ""
    if kinds == {True}:
        why = ": time, and so more travel the faster it runs"
    elif kinds == {False}:
        why = ": length, the same at any speed"
    return f"{when} {speed(end.speed_mm_s, units)} {listed(named)}{why}."


def _spend(end: _End, units: System) -> Iterator[str]:
    """Say what halving the largest cause would do, and then the next one."""
    first, *others = sorted(end.shares, key=lambda cause: -end.shares[cause])
    text = (
        f"To place better at {speed(end.speed_mm_s, units)}, spend on the {first}: halved, it "
        f"takes the standard deviation from {length(end.budget.combined_sd_mm, units)} to about "
        f"{length(end.halved_mm(first), units)}"
    )
    if others:
        text += f"; the {others[0]} halved, to {length(end.halved_mm(others[0]), units)}"
    yield f"{text}."
