"""How many carriers would decide a verdict, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.metrics.acceptance import ToDecide
from feedsim.quantities import whole

_FIGURES = {"within_tolerance": "in tolerance", "missed": "missed", "jam_risk": "jam risk"}
FAR = 20_000_000
"""More carriers than anybody runs for a verdict."""
SOONER = (
    "what decides sooner is a limit in [acceptance] further from the share seen, or a slower line "
    "speed where that lowers the share"
)


def round_up(number: float) -> int:
    """Return a number of carriers rounded up to two digits: it is an estimate.

    >>> round_up(5996), round_up(61), round_up(3)
    (6000, 61, 3)
    """
    step: int = 10 ** max(0, len(str(math.ceil(number))) - 2)
    return step * math.ceil(number / step)


def enough(to_decide: Sequence[ToDecide], *, accepted: bool, replications: int = 1) -> str:
    """Say how many carriers would decide, how to run them, and for which figures.

    Empty if there is nothing to decide, at one point or at several. ``accepted``: whether every
    point estimate meets its limit. If so, all open figures must be decided; if not, the first one
    surely refused settles it. ``replications``: number of runs of that many carriers.
    """
    open_ones = list(to_decide) if accepted else easiest(to_decide)
    if not open_ones:
        return ""
    if any(row.one_phase for row in open_ones):
        starts = 20 if replications == 1 else 5 * replications
        return (
            "cards so regular keep their place between the ticks all run long, and another start "
            "may place them differently: give the spread that the line has, or run other starts "
            f"(feedsim sweep --replications {starts})"
        )
    known = [row.carriers for row in open_ones if row.carriers is not None]
    if len(known) < len(open_ones):
        stuck = [row for row in open_ones if row.carriers is None]
        return f"more would not, as far as is known ({_named(stuck)}: right at the limit)"
    most = round_up(max(known))
    if most > FAR:
        return (
            f"about {whole(most)} would, more than can well be run ({_named(open_ones)}); {SOONER}"
        )
    how = f"--carriers {round_up(most / replications)}"
    return f"about {whole(most)} would ({how}), if shares stay as they are ({_named(open_ones)})"


def easiest(to_decide: Sequence[ToDecide]) -> list[ToDecide]:
    """Return the unmet figure that the fewest carriers decide; none if all are met."""
    unmet = [row for row in to_decide if not row.met]
    return sorted(unmet, key=lambda row: row.carriers or math.inf)[:1]


def _named(rows: Sequence[ToDecide]) -> str:
    by_feeder: dict[str, dict[str, None]] = {}
    for row in rows:
        by_feeder.setdefault(row.feeder, {})[_FIGURES[row.figure]] = None
    named = {feeder: ", ".join(figures) for feeder, figures in by_feeder.items()}
    if len(named) == 1:
        return next(iter(named.values()))
    return "; ".join(f"{feeder}: {figures}" for feeder, figures in named.items())
