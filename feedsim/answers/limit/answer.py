"""The highest speed up to which every speed meets the acceptance figures, and what ends it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import ClassVar

from feedsim import __version__
from feedsim.answers.amounts import share_of
from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.limit.study.closed import (
    InClosedForm,
    in_closed_form,
    limits_of_line,
    refused_speeds,
    worst_of_line,
)
from feedsim.answers.limit.study.search import (
    LOOKS,
    SpeedSearch,
    least_carriers,
    run_batch,
    search,
    worst_refused,
)
from feedsim.answers.limit.study.simulated import FoundLimits, agreement, simulated
from feedsim.answers.line import Line
from feedsim.answers.where import where_of
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System
from feedsim.running.executor import Where, nobody, worker_pool

MOST_CARRIERS = 1_000_000
"""Most carriers of a search in all, by default."""

NARROWEST, WIDEST = 1e-4, 0.5


@dataclass(frozen=True, slots=True, repr=False)
class Limit(FoundLimits, Answer):
    """The limit in closed form, and as a search by simulation found it."""

    units: System = field(default="metric", metadata=LEFT_OUT)
    name: ClassVar[str] = "limit"

    def _text(self, units: System) -> str:
        from feedsim.answers.limit.text import limit_text

        return limit_text(self, units=units)


def searched(
    line: Line,
    closed: InClosedForm,
    *,
    within: float,
    at_most: int,
    where: Where,
    progress: Callable[[int], None] | None = None,
    on_lost: Callable[[str], None] = nobody,
) -> Limit:
    """Search by simulation from what the closed forms say; see :func:`limit`."""
    scenario, window = line.scenario, closed.window
    speed = scenario.line.speed
    what = SpeedSearch(
        scenario,
        start_mm_s=closed.limit_mm_s or speed,
        within=within,
        most_carriers=at_most,
        also_mm_s=(speed,) if window else (),
        from_mm_s=speed if window else 0.0,
        worst=worst_of_line(scenario),
        doubtful=worst_refused(scenario, closed.feeders),
    )
    with worker_pool(run_batch, where=where, on_lost=on_lost) as workers:
        found = simulated(scenario, search(what, workers.in_order, progress=progress))
    return Limit(
        feedsim=__version__,
        title=scenario.title,
        scenario=scenario,
        closed_form=limits_of_line(scenario, [form.limits for form in closed.feeders]),
        closed_form_speed_mm_s=closed.limit_mm_s,
        closed_form_window_mm_s=window,
        closed_form_refused=refused_speeds(closed.feeders),
        closed_form_complete_to_mm_s=closed.complete_to_mm_s,
        simulated=found,
        agree=agreement(closed.limit_mm_s, found),
        units=line.units,
    )


@typed
def limit(
    line: Line,
    *,
    within: float | str = 0.01,
    at_most: int = MOST_CARRIERS,
    jobs: int | None = 1,
    cluster: str | None = None,
) -> Limit:
    """Find the highest speed up to which every speed is accepted, and what limits it.

    Twice: the closed-form limit of each mechanism, and a search by simulation that narrows the
    range between the fastest speed accepted for sure and the slowest refused for sure.

    Parameters
    ----------
    line : Line
        Its ``run.carriers`` is the length of each run.
    within : float or str
        Width of the range to find, as a share of its upper end: 0.0001 to 0.5, or ``"0.01 %"`` to
        ``"50 %"``.
    at_most : int
        Most carriers to simulate in all; then the search ends.
    jobs, cluster
        As in :func:`feedsim.sweep`.

    Raises
    ------
    FeedsimError
        If a bound is wrong, or too few carriers are allowed for a first look.
    """
    narrow = share_of("within", within, NARROWEST, WIDEST)
    enough(line, at_most)
    where = where_of(None if cluster else jobs, cluster)
    return searched(
        line, in_closed_form(line.scenario), within=narrow, at_most=at_most, where=where
    )


def enough(line: Line, at_most: int) -> None:
    """Refuse (FeedsimError) too few carriers for a first look."""
    least = least_carriers(line.scenario)
    if at_most < least:
        allowed = (
            f"{least} or more: a look at one speed takes {LOOKS[0]} runs of "
            f"{line.scenario.run.carriers} carriers; or fewer carriers in a run "
            f"({argument('run.carriers')})"
        )
        raise FeedsimError(Fault(argument("at_most"), found=str(at_most), allowed=allowed))
