"""All figures of a run: what ``results.json`` holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from feedsim import __version__
from feedsim.criteria import Criteria, Failing
from feedsim.machine import Machine
from feedsim.metrics.acceptance import ToDecide, judge
from feedsim.metrics.feeder_results import FeederResults, feeder_results
from feedsim.metrics.intervals import Interval
from feedsim.metrics.one_phase import keeps_phase
from feedsim.metrics.plain import IF_ANY, LEFT_OUT
from feedsim.metrics.planned import course_of
from feedsim.metrics.product_rows import product_rows
from feedsim.metrics.products import Products, products
from feedsim.metrics.response import Response, responses
from feedsim.metrics.share import Note
from feedsim.metrics.stops import LineStops, Stops, line_stops, window_end_s
from feedsim.metrics.tally import Sureness
from feedsim.records.columns import RunRecords


@dataclass(frozen=True, slots=True)
class Complete:
    """Counted carriers on which every feeder that the recipe needs placed.

    ``share``, ``ci95``, ``effective_n``, ``ci95_note``: as in :class:`feedsim.metrics.share.Share`.
    ``per_hour``: such products an hour at the carrier eye, the time of stops included.
    """

    count: int
    share: float | None
    ci95: Interval | None
    effective_n: float | None
    ci95_note: Note | None
    per_hour: float | None


@dataclass(frozen=True, slots=True)
class Results:
    """The figures of a run, in the order and under the names of ``results.json``.

    ``feedsim``: version that made them.
    ``replications``: number of runs, each with its own random numbers.
    ``carriers``: carriers after the warm-ups of all runs.
    ``duration_s``: between the last carrier of the warm-up (without one: the start of the belt) and
    the last carrier, at the carrier eye.
    ``accepted``, ``decided``, ``refused``, ``not_accepted_because``, ``failing``, ``to_decide``:
    see :class:`feedsim.metrics.acceptance.Verdict`.
    ``adjustments``: what was changed while the line ran.
    """

    feedsim: str
    title: str
    seed: int
    line_speed_mm_s: float
    replications: int
    carriers: int
    duration_s: float | None
    complete: Complete
    products: Products
    accepted: bool
    decided: bool
    refused: bool
    not_accepted_because: tuple[str, ...]
    failing: tuple[Failing, ...] = field(metadata=LEFT_OUT)
    to_decide: tuple[ToDecide, ...]
    feeders: tuple[FeederResults, ...]
    stops: Stops | LineStops
    adjustments: tuple[Response, ...] = field(default=(), metadata=IF_ANY)

    @property
    def sureness(self) -> Sureness:
        """What is sure of the verdict at 95 %; open: more carriers could change it."""
        if self.refused:
            return Sureness.REFUSED
        return Sureness.ACCEPTED if self.accepted and self.decided else Sureness.OPEN


def summarise(
    records: RunRecords,
    machine: Machine,
    *,
    criteria: Criteria,
    names: Sequence[str],
    title: str,
    seed: int,
    version: str | None = None,
) -> Results:
    """Return all figures of a run; rows before ``warm_up`` count only in ``inserts``.

    ``names`` has one for each feeder (ValueError if records or machine have not as many);
    ``version``: of feedsim, this one if left out.
    """
    if not len(records.feeders) == len(machine.feeders) == len(names):
        msg = (
            f"records of {len(records.feeders)} feeders, a machine of {len(machine.feeders)} "
            f"and {len(names)} names do not belong together"
        )
        raise ValueError(msg)
    carriers = len(records.carriers.eye_time_s[records.warm_up :])
    duration_s = _duration_s(records, carriers)
    stops = Stops() if machine.supervision is None else line_stops(records)
    runs_s = whole_s = duration_s
    if isinstance(stops, LineStops) and duration_s is not None:
        runs_s, whole_s = stops.uptime_s, stops.uptime_s + stops.downtime_s
    course = course_of(records, machine)
    feeders = tuple(
        feeder_results(
            records,
            number,
            machine=machine,
            criteria=criteria,
            name=name,
            seconds_per_carrier=None if runs_s is None else runs_s / carriers,
            course=course,
        )
        for number, name in enumerate(names)
    )
    runs = len(records.begins)
    regular = keeps_phase(machine, criteria, carriers=carriers // runs)
    phases = runs if regular else None
    verdict = judge(feeders, criteria, carriers=carriers, phases=phases)
    made = products(
        records,
        product_rows(records, machine, criteria=criteria),
        machine,
        criteria=criteria,
        names=names,
        duration_s=whole_s,
        course=course,
    )
    return Results(
        feedsim=__version__ if version is None else version,
        title=title,
        seed=seed,
        line_speed_mm_s=machine.line.speed_mm_s,
        replications=len(records.begins),
        carriers=carriers,
        duration_s=duration_s,
        complete=_complete(made, duration_s=whole_s),
        products=made,
        accepted=verdict.accepted,
        decided=verdict.decided,
        refused=verdict.refused,
        not_accepted_because=verdict.reasons,
        failing=verdict.failing,
        to_decide=verdict.to_decide,
        feeders=feeders,
        stops=stops,
        adjustments=responses(records),
    )


def _duration_s(records: RunRecords, carriers: int) -> float | None:
    if carriers == 0:
        return None
    duration = window_end_s(records) - records.counted_from_s
    return duration if math.isfinite(duration) else None


def _complete(made: Products, *, duration_s: float | None) -> Complete:
    complete = made.complete
    return Complete(
        count=complete.count,
        share=complete.share,
        ci95=complete.ci95,
        effective_n=complete.effective_n,
        ci95_note=complete.ci95_note,
        per_hour=complete.per_hour(duration_s),
    )
