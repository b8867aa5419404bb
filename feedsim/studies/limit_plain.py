"""What ``limit.json`` holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from feedsim import __version__
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.missed import MissCauses
from feedsim.metrics.plain import Plain, plain
from feedsim.metrics.tally import Tally, shares_of
from feedsim.scenario import Scenario, scenario_to_dict
from feedsim.settings.limits import SpeedLimit
from feedsim.studies.limit import CONFIDENCE, Found, Seen, lowest_together
from feedsim.studies.run import criteria_of

__all__ = ["limit_plain", "limits_plain"]


def limits_plain(
    scenario: Scenario, limits: Sequence[Sequence[SpeedLimit]]
) -> list[dict[str, Plain]]:
    """Return the closed-form limits of all feeders, the lowest first."""
    rows: list[dict[str, Any]] = [
        {
            "feeder": feeder.name,
            "mechanism": limit.mechanism,
            "figure": limit.figure,
            "speed_mm_s": limit.speed_mm_s,
        }
        for feeder, found in zip(scenario.feeder, limits, strict=True)
        for limit in found
    ]
    return sorted(rows, key=lambda row: float(row["speed_mm_s"]))


def limit_plain(
    scenario: Scenario, limits: Sequence[Sequence[SpeedLimit]], found: Found
) -> dict[str, Plain]:
    """Return the object of ``limit.json``.

    ``agree``: whether the closed form lies in the range that the simulation leaves; None where
    one of them has no limit.
    """
    closed = lowest_together(limits)
    criteria = criteria_of(scenario)
    rows: list[Plain] = [*limits_plain(scenario, limits)]
    return {
        "feedsim": __version__,
        "title": scenario.title,
        "scenario": scenario_to_dict(scenario),
        "closed_form": rows,
        "closed_form_speed_mm_s": closed,
        "simulated": {
            "accepted_speed_mm_s": found.accepted.speed_mm_s if found.accepted else None,
            "refused_speed_mm_s": found.refused.speed_mm_s if found.refused else None,
            "carriers": found.carriers,
            "ran_out": found.ran_out,
            "confidence_of_a_look": CONFIDENCE,
            "seen": [_seen(scenario, seen, criteria) for seen in found.seen],
        },
        "agree": _agree(closed, found),
    }


def _agree(closed: float | None, found: Found) -> bool | None:
    if closed is None and found.refused is None:
        return None
    low = found.accepted.speed_mm_s if found.accepted else 0.0
    high = found.refused.speed_mm_s if found.refused else float("inf")
    return low <= (float("inf") if closed is None else closed) <= high


def _seen(scenario: Scenario, seen: Seen, criteria: Criteria) -> dict[str, Plain]:
    feeders: list[Plain] = [
        {"name": feeder.name, **_counts(counts, criteria)}
        for feeder, counts in zip(scenario.feeder, seen.tallies, strict=True)
    ]
    return {
        "line_speed_mm_s": seen.speed_mm_s,
        "runs": seen.runs,
        "sureness": seen.sureness.value,
        "feeders": feeders,
    }


def _counts(counts: Tally, criteria: Criteria) -> Mapping[str, Plain]:
    shares = shares_of(counts, criteria, confidence=CONFIDENCE)
    return {
        "carriers": counts.carriers,
        "placed": counts.placed,
        "cycles": counts.cycles,
        **{
            name: {
                "share": test.share,
                "interval": plain(test.ci95),
                "limit": test.limit,
                "met": not test.failed(),
                "decided": test.decided(),
            }
            for name, test in shares.items()
        },
        "missed_by_cause": _named(MissCauses, counts.causes),
        "hazards": _named(Hazards, counts.hazards),
    }


def _named(of: type, counts: Sequence[int]) -> dict[str, Plain]:
    return {f.name: count for f, count in zip(fields(of), counts, strict=True)}
