"""What ``limit.json`` holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from feedsim import __version__
from feedsim.answers.limit.study.closed import lowest_together, refused_speeds
from feedsim.answers.limit.study.search import Found, Seen, confidence_of_a_look
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.missed import MissCauses
from feedsim.metrics.plain import Plain, plain
from feedsim.metrics.tally import Sureness, Tally, added, shares_of
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario, scenario_to_dict
from feedsim.settings.limits import FASTEST_MM_S, Closed, SpeedLimit

__all__ = ["limit_plain", "limits_plain", "refused_plain"]


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


def refused_plain(forms: Sequence[Closed]) -> list[dict[str, Plain]]:
    """Return the stretches of line speeds that the closed forms refuse, rising.

    ``to_mm_s`` None: it goes on as far as was looked.
    """
    return [
        {
            "from_mm_s": stretch.from_mm_s,
            "to_mm_s": stretch.to_mm_s if stretch.to_mm_s < FASTEST_MM_S else None,
            "worst_mm_s": stretch.worst_mm_s,
            "figure": stretch.figure,
            "share": stretch.share,
        }
        for stretch in refused_speeds(forms)
    ]


def limit_plain(
    scenario: Scenario,
    forms: Sequence[Closed],
    found: Found,
    *,
    window: tuple[float, float] | None,
) -> dict[str, Plain]:
    """Return the object of ``limit.json``.

    Parameters
    ----------
    scenario : Scenario
    forms : sequence of Closed
        Of each feeder.
    found : Found
    window : (float, float) or None
        The speeds (mm/s) between which the closed forms accept the line, where they do not
        accept all slower ones; its upper end is then their limit.

    Returns
    -------
    dict
        ``agree``: whether the closed form lies in the range that the simulation leaves; None
        where that range has no two ends.
    """
    limits = [form.limits for form in forms]
    closed = window[1] if window else lowest_together(limits)
    criteria = criteria_of(scenario)
    rows: list[Plain] = [*limits_plain(scenario, limits)]
    refused: list[Plain] = [*refused_plain(forms)]
    looked_to = min(form.each_tooth_to_mm_s for form in forms)
    return {
        "feedsim": __version__,
        "title": scenario.title,
        "scenario": scenario_to_dict(scenario),
        "closed_form": rows,
        "closed_form_speed_mm_s": closed,
        "closed_form_window_mm_s": plain(window),
        "closed_form_refused": refused,
        "closed_form_each_tooth_to_mm_s": looked_to if looked_to < FASTEST_MM_S else None,
        "simulated": {
            "accepted_speed_mm_s": found.accepted.speed_mm_s if found.accepted else None,
            "refused_speed_mm_s": found.refused.speed_mm_s if found.refused else None,
            "accepted_speeds_mm_s": [s.speed_mm_s for s in found.accepted_up_to],
            "islands_mm_s": [s.speed_mm_s for s in found.islands],
            "carriers": found.carriers,
            "ran_out": found.ran_out,
            "confidence_of_a_look": confidence_of_a_look(scenario),
            "seen": [_seen(scenario, seen, criteria) for seen in found.seen],
        },
        "agree": _agree(closed, found),
    }


def _agree(closed: float | None, found: Found) -> bool | None:
    low, high = found.accepted, found.refused
    if low is not None and high is not None:
        return closed is not None and low.speed_mm_s <= closed <= high.speed_mm_s
    if closed == 0.0 and found.seen[0].sureness is Sureness.REFUSED:
        return True
    if high is not None and (closed is None or closed > high.speed_mm_s):
        return False
    if low is not None and closed is not None and closed < low.speed_mm_s:
        return False
    return None


def _seen(scenario: Scenario, seen: Seen, criteria: Criteria) -> dict[str, Plain]:
    confidence = confidence_of_a_look(scenario)
    feeders: list[Plain] = [
        {"name": feeder.name, **_counts(runs, criteria, confidence=confidence)}
        for feeder, runs in zip(scenario.feeder, seen.feeders, strict=True)
    ]
    return {
        "line_speed_mm_s": seen.speed_mm_s,
        "runs": seen.runs,
        "sureness": seen.sureness.value,
        "feeders": feeders,
    }


def _counts(runs: Sequence[Tally], criteria: Criteria, *, confidence: float) -> Mapping[str, Plain]:
    shares = shares_of(runs, criteria, confidence=confidence)
    counts = added(runs)
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
                "trials_to_tell": _carriers_to_tell(test, counts.carriers, confidence),
            }
            for name, test in shares.items()
        },
        "missed_by_cause": _named(MissCauses, counts.causes),
        "hazards": _named(Hazards, counts.hazards),
    }


def _carriers_to_tell(test: AgainstLimit, carriers: int, confidence: float) -> float | None:
    times = test.times_to_tell(confidence=confidence)
    return None if times is None else carriers * times


def _named(of: type, counts: Sequence[int]) -> dict[str, Plain]:
    return {f.name: count for f, count in zip(fields(of), counts, strict=True)}
