"""Points of a sweep made by hand, in the form of ``sweep.json``; and what a panel holds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from feedsim.metrics.criteria import Criteria

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CRITERIA = Criteria(
    placement_tolerance_mm=1.5,
    within_tolerance=0.997,
    missed=0.001,
    jam_risk=0.001,
    speed_mismatch=0.05,
    overhang_mm=0.0,
)
MARGINS = {
    "nose_strike": (35.0, 0.3, "mm"),
    "tail_held": (18.0, 2.0, "mm"),
    "speed_mismatch": (5.0, 0.1, "%"),
    "off_carrier": (20.0, 0.5, "mm"),
    "stray_insert": (None, None, None),
    "double": (None, None, None),
    "drive_overload": (100_000.0, 0.0, "mm/s^2"),
}
CAUSES = (
    "not_staged",
    "late_mark",
    "mark_memory_full",
    "not_seen",
    "merged",
    "no_insert",
    "line_stop",
)


def share(count: int, n: int) -> dict[str, Any]:
    """Return a counted share; its interval is only roughly one."""
    p = count / n
    ends = [max(0.0, p - 2.0 / n), min(1.0, p + 4.0 / n)]
    return {"count": count, "share": p, "ci95": ends, "upper95": None if count else 3.0 / n}


def feeder(
    *,
    name: str = "card feeder",
    n: int = 1000,
    mean: float | None = 0.1,
    sd: float | None = 0.4,
    within: float | None = 1.0,
    missed: Mapping[str, int] | None = None,
    hazards: Mapping[str, int] | None = None,
    tails: Mapping[str, float] | None = None,
    margins: Mapping[str, tuple[float, float]] | None = None,
    engage_mm: float = 360.0,
) -> dict[str, Any]:
    """Return one feeder's figures; what is not said is harmless."""
    missed, hazards, tails, margins = missed or {}, hazards or {}, tails or {}, margins or {}
    found = {}
    for hazard, (usual, spread, unit) in MARGINS.items():
        m, s = margins.get(hazard, (usual, spread))
        found[hazard] = {
            **share(hazards.get(hazard, 0), n),
            "margin_mean": m,
            "margin_sd": s,
            "margin_unit": unit,
            "tail_probability": tails.get(hazard, None if m is None else 0.0),
        }
    return {
        "name": name,
        "placed": 0 if mean is None else n - sum(missed.values()),
        "placement_error": {
            "mean_mm": mean,
            "mean_ci95_mm": None if mean is None else [mean - 0.03, mean + 0.03],
            "sd_mm": sd,
            "within_tolerance": within,
        },
        "missed": {
            **share(sum(missed.values()), n),
            "by_cause": {cause: missed.get(cause, 0) for cause in CAUSES},
        },
        "jam_risk": share(sum(hazards.values()), n),
        "hazards": found,
        "settings": {
            "engage_distance_mm": engage_mm,
            "engage_lead_ms": 12.0,
            "disengage_distance_mm": 60.0,
            "disengage_lead_ms": 12.0,
        },
    }


def point(
    speed_mm_s: float,
    *feeders: dict[str, Any],
    accepted: bool = True,
    decided: bool = True,
    because: tuple[str, ...] = (),
    varied: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return a point; where it is not decided and not accepted it is not refused for sure."""
    made = {
        "title": "By hand",
        "seed": 1,
        "line_speed_mm_s": speed_mm_s,
        "replications": 1,
        "carriers": 1000,
        "complete": {
            "count": 1000,
            "share": 1.0,
            "ci95": [0.99, 1.0],
            "per_hour": 10.0 * speed_mm_s,
        },
        "products": {
            **{name: share(1000, 1000) for name in ("complete", "good")},
            **{
                name: share(0, 1000)
                for name in ("partial", "empty", "doubled", "out_of_tolerance", "wrong_overlap")
            },
            "good_per_hour": 10.0 * speed_mm_s,
            "diverted": None,
        },
        "accepted": accepted,
        "decided": decided,
        "refused": decided and not accepted,
        "not_accepted_because": list(because),
        "to_decide": [],
        "feeders": list(feeders) or [feeder()],
    }
    return {**made, "varied": dict(varied)} if varied else made


def lines(axes: Any, gid: str) -> list[Any]:
    """Return the lines of a panel that have this name."""
    return [line for line in axes.lines if line.get_gid() == gid]


def texts(axes: Any) -> list[str]:
    """Return what is written in a panel."""
    return [text.get_text() for text in axes.texts]


def level(axes: Any, y: float) -> float:
    """Return how high a value stands on paper, 0 at the foot of its panel and 1 at its top."""
    place = axes.transData.transform((0.0, y))
    return float(axes.transAxes.inverted().transform(place)[1])
