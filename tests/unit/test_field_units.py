"""Every float that leaves the program says its unit in its name, or has none."""

import re
from dataclasses import dataclass, fields, is_dataclass
from typing import get_args, get_type_hints

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.answers.compare.study.results import Comparisons
from feedsim.answers.limit.study.simulated import FoundLimits
from feedsim.answers.sweep.study import Swept
from feedsim.criteria import Criteria
from feedsim.metrics.intervals import Interval
from feedsim.metrics.results import Results
from feedsim.records.columns import RunRecords

UNIT = re.compile(r"_(mm|s|ms|mm_s|mm_s2)$|(^|_)per_hour$")
WITHOUT_UNIT = {
    "share",
    "ci95",
    "upper95",
    "effective_n",
    "within_tolerance_effective_n",
    "within_tolerance",
    "within_tolerance_ci95",
    "cp",
    "cpk",
    "cp_ci95",
    "cpk_ci95",
    "tail_probability",
    "speed_ratio",
    "use",
    "availability",
    "missed",
    "mostly_share",
    "jam_risk",
    "speed_mismatch",
    "first",
    "other",
    "difference",
    "unpaired_ci95",
    "design_effect",
    "confidence_of_a_look",
    "interval",
    "limit",
    "trials_to_tell",
    "numbers",
}
UNIT_BESIDE = {"margin_mean": "margin_unit", "margin_sd": "margin_unit"}


def parts(hint):
    """Return a type and all types it is made of."""
    return [hint, *(part for inner in get_args(hint) for part in parts(inner))]


def classes_of(root):
    """Return a dataclass and every dataclass that its fields lead to."""
    found, waiting = [], [root]
    while waiting:
        cls = waiting.pop()
        if cls not in found:
            found.append(cls)
            hints = get_type_hints(cls)
            waiting += [p for h in hints.values() for p in parts(h) if is_dataclass(p)]
    return found


def without_unit(cls):
    """Return the float fields of a dataclass whose names say no unit."""
    hints = get_type_hints(cls)
    names = {f.name for f in fields(cls)}
    floats = [n for n in hints if {float, np.float64, Interval} & set(map_hashable(hints[n]))]
    return [
        n
        for n in floats
        if not UNIT.search(n) and n not in WITHOUT_UNIT and UNIT_BESIDE.get(n) not in names
    ]


def map_hashable(hint):
    return [p for p in parts(hint) if getattr(p, "__hash__", None)]


ANSWERS = (Results, Swept, Comparisons, FoundLimits)
ALL = {cls: None for root in (RunRecords, Criteria, *ANSWERS) for cls in classes_of(root)}


@pytest.mark.parametrize("cls", ALL, ids=lambda c: c.__name__)
def test_every_float_field_says_its_unit(cls):
    assert without_unit(cls) == []


def test_the_walk_reaches_records_and_results():
    names = {cls.__name__ for cls in ALL}
    assert names >= {
        "CarrierRecords",
        "FeederRecords",
        "PlacementError",
        "HazardShare",
        "FeedCycle",
    }


@dataclass
class Planted:
    offset: float
    length_mm: float
    speeds: NDArray[np.float64]
    span: Interval | None
    margin_mean: float | None
    count: int


def test_a_planted_name_without_a_unit_is_found():
    assert without_unit(Planted) == ["offset", "speeds", "span", "margin_mean"]
