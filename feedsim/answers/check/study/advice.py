"""What an experienced eye would say about a setup before it runs."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from feedsim.answers.check.study import placing, target, timing
from feedsim.answers.check.study.automatic import not_on_steps
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.answers.check.study.counted import counted
from feedsim.answers.check.study.levels import levels

__all__ = ["warnings_of"]

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


_EXPLAINS: dict[str, tuple[Check, ...]] = {
    "feed cycle": (timing.cycle,),
    "mark memory": (timing.memory,),
    "late marks": (timing.late_marks,),
    "late engages": (timing.late_marks,),
    "late openings": (timing.late_openings,),
    "cycles that do not repeat": (timing.no_cycle,),
    "placement error": (target.spread,),
    "carrier gap at its eye": (placing.gaps, levels),
    "carrier too short to see": (levels,),
    "insert gap at its eye": (placing.gaps, levels),
    "insert too short to see": (levels,),
    "nose strike": (placing.stage,),
    "tail held": (placing.tail,),
    "off carrier": (placing.on_carrier,),
    "run-up": (timing.run_up, placing.speed_match),
    "landing in the ramp-out": (placing.landing,),
    "drive": (timing.drive,),
}
"""By mechanism: whose warnings say what it does, so that it need not be said again."""


def warnings_of(checked: CheckedFeeder) -> list[str]:
    """Return the warnings about one feeder, the gravest kinds first, a sentence or two each."""
    said = {check: list(check(checked)) for check in _CHECKS}

    def explained(mechanism: str) -> bool:
        return any(said[check] for check in _EXPLAINS.get(mechanism, ()))

    return [*(line for lines in said.values() for line in lines), *counted(checked, explained)]
