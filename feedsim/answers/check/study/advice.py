"""What an experienced eye would say about a line before it runs."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from feedsim.answers.check.study import placing, target, timing
from feedsim.answers.check.study.automatic import not_on_steps
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.answers.check.study.levels import levels

Check = Callable[[CheckedFeeder], Iterator[str]]

_CHECKS: tuple[Check, ...] = (
    timing.cycle,
    timing.late_marks,
    timing.late_openings,
    timing.leads,
    not_on_steps,
    target.off_target,
    placing.stage,
    placing.limits,
    placing.tail,
    placing.next_nose,
    placing.landing,
    timing.run_up,
    timing.no_cycle,
    timing.drive,
    timing.loop_gain,
    timing.feedforward,
    timing.memory,
    placing.gaps,
    levels,
    placing.on_carrier,
    placing.speed_match,
    target.scale,
    target.spread,
    timing.aliasing,
    timing.locked_counts,
    timing.search,
)


def warnings_of(checked: CheckedFeeder) -> list[str]:
    """Return the warnings about one feeder, the gravest kinds first, a sentence or two each."""
    return [line for check in _CHECKS for line in check(checked)]
