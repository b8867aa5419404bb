"""Stops of the line: their number, duration and cost."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np

from feedsim.records.columns import RunRecords
from feedsim.records.stop import Rule, Stop


@dataclass(frozen=True, slots=True)
class Stops:
    """Stops of the line: number, downtime, share of time it ran, number by rule."""

    count: int = 0
    downtime_s: float = 0.0
    availability: float = 1.0
    by_rule: dict[str, int] = field(default_factory=dict)

    @property
    def lost(self) -> int:
        """Carriers that the stops cost."""
        return 0


@dataclass(frozen=True, slots=True)
class LineStops(Stops):
    """Stops of a line under supervision.

    ``downtime_s``, ``downtime_by_rule_s``: from each trip to its restart.
    ``uptime_s``: the rest of the time.
    ``mean_downtime_s``: of a stop.
    ``lost_carriers``: carriers that a stop cost, counted at each feeder.
    ``lost_by_rule``: the same by the rule of the stop.
    ``by_cause``: stops by rule, then by cause, for rules that may have several.
    ``within``: events during a stop that would have stopped a running line, by rule or fault.
    ``doubles_found``, ``false_alarms``: stops for inserts that a double check called doubles: real
    doubles, and false alarms.
    ``gave_up``: why the run ended early; None if it did not.
    ``never_came``: counted carriers that had not reached the carrier eye by then.
    """

    downtime_by_rule_s: dict[str, float] = field(default_factory=dict)
    uptime_s: float = 0.0
    mean_downtime_s: float | None = None
    lost_carriers: int = 0
    lost_by_rule: dict[str, int] = field(default_factory=dict)
    lost_by_feeder: tuple[int, ...] = ()
    by_cause: dict[str, dict[str, int]] = field(default_factory=dict)
    within: dict[str, int] = field(default_factory=dict)
    doubles_found: int = 0
    false_alarms: int = 0
    gave_up: str | None = None
    never_came: int = 0

    @property
    def lost(self) -> int:
        """Carriers that the stops cost."""
        return self.lost_carriers


def availability(uptime_s: float, downtime_s: float) -> float:
    """Return uptime/(uptime + downtime); 1 where there is neither.

    ISO 22400-2:2014, availability: actual production time over planned busy time; the two
    differ by the downtime.
    """
    whole = uptime_s + downtime_s
    return uptime_s / whole if whole > 0.0 else 1.0


def window_end_s(records: RunRecords) -> float:
    """Return when the last carrier passed the eye, or the run was given up."""
    last = float(records.carriers.eye_time_s[-1])
    return records.end_time_s if math.isnan(last) else last


def line_stops(records: RunRecords) -> LineStops:
    """Return the figures of the stops over the counted time and carriers.

    A stop counts if it was not over when the counted time began. Downtime runs from trip to
    restart (without one: to the end of the run), so it may end after the last carrier passed
    the carrier eye.
    """
    counted_s = records.carriers.eye_time_s[records.warm_up :]
    start, end = records.counted_from_s, window_end_s(records)
    down: defaultdict[str, float] = defaultdict(float)
    counts: Counter[str] = Counter()
    lost: Counter[str] = Counter()
    causes: Counter[tuple[str, str]] = Counter()
    within: Counter[str] = Counter()
    of_feeder = [0] * len(records.feeders)
    whole = inside = 0.0
    for stop in records.stops:
        until = _over_s(stop, records.end_time_s)
        if until <= start:
            continue
        took = until - max(stop.time_s, start)
        whole += took
        inside += max(0.0, min(until, end) - max(stop.time_s, start))
        counts[stop.rule] += 1
        causes[stop.rule, stop.cause] += 1
        within.update(other.what for other in stop.within)
        down[stop.rule] += took
        for number, carriers in enumerate(stop.lost):
            counted = sum(carrier >= records.warm_up for carrier in carriers)
            lost[stop.rule] += counted
            of_feeder[number] += counted
    count = counts.total()
    up = max(0.0, end - start - inside)
    return LineStops(
        count=count,
        downtime_s=whole,
        availability=availability(up, whole),
        by_rule={str(rule): counts[rule] for rule in sorted(counts)},
        downtime_by_rule_s={str(rule): down[rule] for rule in sorted(counts)},
        uptime_s=up,
        mean_downtime_s=whole / count if count else None,
        lost_carriers=sum(of_feeder),
        lost_by_rule={str(rule): lost[rule] for rule in sorted(counts)},
        lost_by_feeder=tuple(of_feeder),
        by_cause=_nested(causes),
        within=dict(sorted(within.items())),
        doubles_found=causes[Rule.DOUBLE_FOUND, "double"],
        false_alarms=causes[Rule.DOUBLE_FOUND, "false_alarm"],
        gave_up=records.gave_up or None,
        never_came=int(np.count_nonzero(np.isnan(counted_s))),
    )


def _over_s(stop: Stop, end_time_s: float) -> float:
    return end_time_s if math.isnan(stop.restarted_s) else stop.restarted_s


def _nested(causes: Counter[tuple[str, str]]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for (rule, cause), count in sorted(causes.items()):
        if cause not in {"", str(rule)}:
            found.setdefault(str(rule), {})[cause] = count
    return found
