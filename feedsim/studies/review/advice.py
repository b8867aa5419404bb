"""What an experienced eye would say about a setup before it runs."""

from __future__ import annotations

from feedsim.studies.review import placing, target, timing
from feedsim.studies.review.levels import levels
from feedsim.studies.review.setup import Setup

__all__ = ["warnings_of"]

_CHECKS = (
    timing.cycle,
    timing.late_marks,
    timing.late_openings,
    timing.leads,
    target.off_target,
    placing.stage,
    placing.limits,
    placing.tail,
    placing.next_nose,
    placing.landing,
    timing.run_up,
    timing.no_cycle,
    timing.drive,
    timing.memory,
    placing.gaps,
    levels,
    placing.on_carrier,
    placing.speed_match,
    target.scale,
    target.spread,
    placing.losses,
    timing.aliasing,
    timing.locked_counts,
    timing.search,
)


def warnings_of(setup: Setup) -> list[str]:
    """Return the warnings about one feeder, the gravest kinds first, a sentence or two each."""
    return [line for check in _CHECKS for line in check(setup)]
