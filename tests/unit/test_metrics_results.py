"""Placement, misses, cycles, the whole run and its plain form, on hand-made records."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from feedsim.metrics.machine_settings import machine_settings
from feedsim.metrics.plain import as_object, plain
from feedsim.metrics.results import summarise
from feedsim.metrics.spread import resolution_mm, spread
from feedsim.metrics.stops import Stops
from feedsim.records.columns import CarrierRecords, InsertBooks
from feedsim.records.outcome import Outcome
from tests.unit.records_builder import (
    CRITERIA,
    NO,
    feeder,
    machine,
    missed,
    one_feeder,
    placed,
    run,
    summary,
)

CAUSES = (
    "not_staged",
    "late_mark",
    "mark_memory_full",
    "not_seen",
    "merged",
    "no_insert",
    "line_stop",
)


def errors(*values):
    """Return rows with these placement errors (mm)."""
    return [placed(placement_error_mm=e) for e in values]


def several(feeders, *, names, **options):
    """Return the results of a run of several feeders."""
    return summarise(
        run(*feeders, **options),
        machine(*(one_feeder() for _ in feeders)),
        criteria=CRITERIA,
        names=names,
        title="",
        seed=1,
        version="",
    )


# Placement.


def test_placement_error_by_hand():
    # Errors −1, 0, 1, 2: mean 0.5, squares about it 2·(2.25 + 0.25) = 5, sd √(5/3). Percentile
    # p lies at 3p of the way along the order: p01 at 0.03, p50 at 1.5, p99 at 2.97.
    e = summary(errors(1.0, -1.0, 2.0, 0.0)).feeders[0].placement_error
    sd = math.sqrt(5.0 / 3.0)
    assert (e.n, e.min_mm, e.max_mm) == (4, -1.0, 2.0)
    assert (e.mean_mm, e.sd_mm) == pytest.approx((0.5, sd), rel=1e-12)
    assert (e.p01_mm, e.p50_mm, e.p99_mm) == pytest.approx((-0.97, 0.5, 1.97), rel=1e-12)
    # Three of four within ±1.5 mm.
    assert e.within_tolerance == 0.75
    # Four inserts have no Cp, nor has anything an interval: they do not tell what is alike.
    assert (e.cp, e.cpk, e.sd_ci95_mm, e.cp_ci95, e.cpk_ci95) == (None,) * 5
    assert (e.mean_ci95_mm, e.within_tolerance_ci95) == (None, None)
    assert e.ci95_note == e.within_tolerance_ci95_note == "fewer_than_20"


def test_capability_by_hand():
    # Five times −1, 0, 1, 2: mean 0.5, squares about it 25, sd √(25/19).
    e = summary(errors(*[1.0, -1.0, 2.0, 0.0] * 5)).feeders[0].placement_error
    sd = math.sqrt(25.0 / 19.0)
    # Cp 3/6sd, Cpk (1.5 − 0.5)/3sd.
    assert (e.cp, e.cpk) == pytest.approx((3.0 / (6.0 * sd), 1.0 / (3.0 * sd)), rel=1e-12)
    low, high = e.sd_ci95_mm
    assert low < sd < high
    # Student's t with 19 degrees of freedom, from scipy.stats: neighbours are not alike.
    half = stats.t.ppf(0.975, 19) * sd / math.sqrt(20.0)
    assert e.mean_ci95_mm == pytest.approx((0.5 - half, 0.5 + half), rel=1e-9)
    # 15 of 20: below Wilson's end, above what five misses or more have 5 % at.
    wilson = stats.binomtest(15, 20).proportion_ci(0.95, method="wilson")
    exact = 1.0 - stats.beta.ppf(0.05, 5, 16)
    assert e.within_tolerance_ci95 == pytest.approx((wilson.low, exact), rel=1e-9)
    assert e.ci95_note is None
    assert e.cp_ci95 == pytest.approx((1.5 / (3.0 * high), 1.5 / (3.0 * low)), rel=1e-12)
    assert e.cpk_ci95.low < e.cpk < e.cpk_ci95.high
    # one insert fewer has none
    few = summary(errors(*[1.0, -1.0, 2.0, 0.0] * 4, 1.0, -1.0, 2.0)).feeders[0].placement_error
    assert (few.n, few.cp, few.cpk, few.sd_ci95_mm) == (19, None, None, None)


def test_an_error_at_the_tolerance_lies_within():
    for error, share in [(1.5, 1.0), (-1.5 - 1e-12, 1.0), (1.5 + 1e-6, 0.0), (-1.5 - 1e-6, 0.0)]:
        e = summary(errors(error)).feeders[0].placement_error
        assert e.within_tolerance == share


def test_nothing_placed_leaves_no_figure():
    found = summary([missed(Outcome.NO_INSERT)] * 2).feeders[0]
    assert (found.placed, found.placement_error.n) == (0, 0)
    values = [v for k, v in plain(found.placement_error).items() if k != "n"]
    assert values == [None] * 18
    assert (found.stage_position.mean_mm, found.stage_position.sd_mm) == (None, None)
    assert (found.cycle.mean_s, found.cycle.max_s, found.cycle.use) == (None, None, None)


def test_one_placement_has_no_spread():
    e = summary([*errors(0.25), missed(Outcome.MERGED)]).feeders[0].placement_error
    assert (e.n, e.mean_mm, e.p01_mm, e.p50_mm, e.p99_mm) == (1, 0.25, 0.25, 0.25, 0.25)
    assert (e.mean_ci95_mm, e.sd_mm, e.cp, e.cpk) == (None, None, None, None)
    assert e.within_tolerance == 1.0


@pytest.mark.parametrize("n", [20, 100])
def test_placements_without_spread_have_no_capability(n):
    noise = 1e-12 * (np.arange(n) % 2)
    e = summary(errors(*(0.1 + noise))).feeders[0].placement_error
    assert e.sd_mm == 0.0
    assert e.mean_ci95_mm[0] == e.mean_ci95_mm[1] == pytest.approx(0.1, rel=1e-9)
    assert (e.cp, e.cpk) == (None, None)


def test_stage_position_is_that_of_engaged_rows_only():
    rows = [
        placed(stage_position_mm=58.0),
        missed(Outcome.NOT_STAGED),
        placed(stage_position_mm=62.0),
    ]
    position = summary(rows).feeders[0].stage_position
    assert position.mean_mm == 60.0
    assert position.sd_mm == pytest.approx(math.sqrt(8.0), rel=1e-12)


def test_positions_resolve_to_the_models_rule_or_the_rounding_of_long_travel():
    short = run(feeder([placed()]))
    assert resolution_mm(short) == 1e-9
    # Doubles from 2^27 to 2^28 mm (134 to 268 km) lie 2^(27 − 52) mm apart.
    carriers = CarrierRecords(np.array([2.0**27]), np.array([1.0]))
    assert resolution_mm(replace(short, carriers=carriers)) == 8.0 * 2.0**-25


def test_spread_of_few_or_infinite_values():
    assert spread(np.array([]), resolution=0.0) == spread(np.array([]), resolution=1.0)
    assert spread(np.array([]), resolution=0.0).mean is None
    only = spread(np.array([3.0]), resolution=0.0)
    assert (only.n, only.mean, only.sd) == (1, 3.0, None)
    infinite = spread(np.array([1.0, math.inf]), resolution=0.0)
    assert (infinite.n, infinite.mean, infinite.sd) == (2, None, None)


# Misses.


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_is_counted_under_its_name(cause):
    rows = [placed(), missed(Outcome[cause.upper()]), missed(Outcome[cause.upper()]), placed()]
    found = summary(rows).feeders[0]
    assert plain(found.missed.by_cause) == {name: 2 if name == cause else 0 for name in CAUSES}
    assert (found.placed, found.missed.count, found.missed.share) == (2, 2, 0.5)
    assert found.missed.upper95 is None


def test_no_miss_has_an_upper_limit():
    found = summary([placed()] * 100).feeders[0].missed
    assert (found.count, found.share, found.ci95.low) == (0, 0.0, 0.0)
    # From memory: Hanley & Lippman-Hand 1983, none in 100.
    assert found.upper95 == pytest.approx(0.0295130, abs=5e-8)


@given(st.lists(st.sampled_from(Outcome), min_size=1, max_size=30))
def test_every_carrier_has_one_outcome(outcomes):
    rows = [placed() if o is Outcome.PLACED else missed(o) for o in outcomes]
    results = summary(rows)
    found = results.feeders[0]
    assert found.placed + found.missed.count == results.carriers == len(outcomes)
    assert sum(plain(found.missed.by_cause).values()) == found.missed.count
    assert results.complete.count == found.placed


# Cycles.


def test_cycle_times_and_use():
    # 0.17 s and 0.21 s; the third cycle ended its search with no insert, so never was ready.
    # Carriers come every 0.26 s.
    rows = [placed(), placed(ready_time_s=1.21), placed(ready_time_s=NO), missed(Outcome.NO_INSERT)]
    cycle = summary(rows).feeders[0].cycle
    assert cycle.mean_s == pytest.approx(0.19, rel=1e-12)
    assert cycle.max_s == pytest.approx(0.21, rel=1e-12)
    assert cycle.use == pytest.approx(0.19 / 0.26, rel=1e-12)


def test_late_acts_and_doubles_are_counted():
    rows = [
        placed(late_engage=1, double=1, called_double=1),
        placed(late_engage=1, late_opening=1, double=1),
        placed(late_engage=1, double=1),
        placed(called_double=1),
        placed(),
        missed(Outcome.NOT_STAGED),
    ]
    found = summary(rows).feeders[0]
    assert (found.late_engages, found.late_openings) == (3, 1)
    assert plain(found.doubles) == {"found": 1, "not_found": 2, "false_alarms": 1}


def test_books_are_those_of_the_records():
    books = InsertBooks(drawn=21, placed=6, strays=5, second_halves=4, rejected=3, in_feeder=2)
    results = several([feeder([placed()], books)], names=("a",))
    assert plain(results.feeders[0].inserts) == {
        "drawn": 21,
        "placed": 6,
        "strays": 5,
        "second_halves": 4,
        "rejected": 3,
        "in_feeder": 2,
    }


# The whole run.


@pytest.mark.parametrize(
    "counted", [[placed(), missed(Outcome.MERGED), *errors(0.5)], errors(0.0, 0.5)]
)
def test_warm_up_enters_no_figure(counted):
    bad = placed(
        placement_error_mm=9.0,
        stage_position_mm=99.0,
        tail_mm=1.0,
        offset_mm=-9.0,
        nose_speed_mm_s=1.0,
        demanded_acceleration_mm_s2=1e9,
        ready_time_s=9.0,
        strays=1,
        double=1,
        called_double=1,
        late_engage=1,
        late_opening=1,
    )
    warm = as_object(summary([bad, missed(Outcome.LATE_MARK), bad, *counted], warm_up=3))
    cold = as_object(summary(counted))
    # The time differs by the rounding of 0.26 s steps.
    assert warm.pop("duration_s") == pytest.approx(cold.pop("duration_s"), rel=1e-9)
    for results in (warm, cold):
        results["complete"].pop("per_hour")
        results["feeders"][0]["cycle"].pop("use")
    assert warm == cold
    # The twin: counted, the bad rows do change the figures.
    assert summary([bad, *counted]).feeders[0].jam_risk.count == 1


def test_duration_runs_from_the_last_carrier_before_the_counted_ones():
    assert summary([placed()] * 5, warm_up=2).duration_s == pytest.approx(3 * 0.26, rel=1e-9)
    assert summary([placed()] * 5).duration_s == pytest.approx(5 * 0.26, rel=1e-9)
    # A belt that rested at first: from its start.
    late = several([feeder([placed()] * 5)], names=("a",), start_time_s=3.0)
    assert late.duration_s == pytest.approx(5 * 0.26, rel=1e-9)


def test_complete_needs_every_feeder():
    one = feeder([placed(), placed(), missed(Outcome.MERGED), placed()])
    two = feeder([placed(), missed(Outcome.LATE_MARK), placed(), placed()])
    results = several([one, two], names=("a", "b"))
    assert [f.name for f in results.feeders] == ["a", "b"]
    assert [f.placed for f in results.feeders] == [3, 3]
    complete = results.complete
    assert (complete.count, complete.share) == (2, 0.5)
    assert (complete.ci95, complete.ci95_note) == (None, "fewer_than_20")
    # Two in 4·0.26 s.
    assert complete.per_hour == pytest.approx(2.0 / 1.04 * 3600.0, rel=1e-9)


def test_parts_that_do_not_belong_together_are_refused():
    with pytest.raises(ValueError, match=r"records of 1 feeders, a machine of 1 and 2 names"):
        several([feeder([placed()])], names=("a", "b"))


def test_a_run_of_nothing_but_warm_up_has_no_figure():
    results = summary([placed()] * 2, warm_up=2)
    assert (results.carriers, results.duration_s) == (0, None)
    assert plain(results.complete) == {
        "count": 0,
        "share": None,
        "ci95": None,
        "effective_n": None,
        "ci95_note": None,
        "per_hour": None,
    }
    assert (results.accepted, results.decided) == (False, False)


def test_settings_as_an_operator_reads_them():
    settings = one_feeder().settings
    encoder = machine().encoder
    found = machine_settings(settings, encoder)
    # 360 and 60 mm in counts of 0.05 mm.
    assert (found.engage_distance_counts, found.disengage_distance_counts) == (7200, 1200)
    assert (found.engage_lead_ms, found.disengage_lead_ms) == pytest.approx((12.0, 12.5), rel=1e-12)
    assert (found.target_offset_mm, found.stage_position_mm, found.speed_ratio) == (20.0, 60.0, 1.0)
    # Half to even: 360/16 = 22.5 → 22, 60/8 = 7.5 → 8 (and 360/8 = 45).
    assert machine_settings(settings, replace(encoder, count_mm=16.0)).engage_distance_counts == 22
    assert machine_settings(settings, replace(encoder, count_mm=8.0)).disengage_distance_counts == 8
    none = machine_settings(settings, replace(encoder, count_mm=0.0))
    assert (none.engage_distance_counts, none.disengage_distance_counts) == (None, None)


def test_a_line_without_stops():
    assert plain(summary([placed()]).stops) == {
        "count": 0,
        "downtime_s": 0.0,
        "availability": 1.0,
        "by_rule": {},
    }
    # Two runs do not share their dict of rules.
    assert Stops().by_rule is not Stops().by_rule


# The plain form.

SHARE = ["count", "share", "ci95", "upper95", "effective_n", "ci95_note"]
HAZARD = [*SHARE, "margin_mean", "margin_sd", "margin_unit", "tail_probability"]
KEYS = {
    "": [
        "feedsim",
        "title",
        "seed",
        "line_speed_mm_s",
        "replications",
        "carriers",
        "duration_s",
        "complete",
        "products",
        "accepted",
        "decided",
        "refused",
        "not_accepted_because",
        "to_decide",
        "feeders",
        "stops",
    ],
    "complete": ["count", "share", "ci95", "effective_n", "ci95_note", "per_hour"],
    "products": [
        "needs",
        "complete",
        "partial",
        "empty",
        "doubled",
        "out_of_tolerance",
        "wrong_overlap",
        "good",
        "good_per_hour",
        "missing",
        "missing_otherwise",
        "overlaps",
        "diverted",
    ],
    "products.complete": SHARE,
    "products.partial": SHARE,
    "products.empty": SHARE,
    "products.doubled": SHARE,
    "products.out_of_tolerance": SHARE,
    "products.wrong_overlap": SHARE,
    "products.good": SHARE,
    "stops": ["count", "downtime_s", "availability", "by_rule"],
    "stops.by_rule": [],
    "feeders.0": [
        "name",
        "placed",
        "placement_error",
        "stage_position",
        "missed",
        "jam_risk",
        "hazards",
        "settings",
        "cycle",
        "inserts",
        "late_engages",
        "late_openings",
        "doubles",
    ],
    "feeders.0.placement_error": [
        "n",
        "mean_mm",
        "mean_ci95_mm",
        "sd_mm",
        "sd_ci95_mm",
        "min_mm",
        "max_mm",
        "p01_mm",
        "p50_mm",
        "p99_mm",
        "within_tolerance",
        "within_tolerance_ci95",
        "within_tolerance_effective_n",
        "within_tolerance_ci95_note",
        "cp",
        "cpk",
        "cp_ci95",
        "cpk_ci95",
        "ci95_note",
    ],
    "feeders.0.stage_position": ["mean_mm", "sd_mm"],
    "feeders.0.missed": [*SHARE, "by_cause"],
    "feeders.0.missed.by_cause": list(CAUSES),
    "feeders.0.jam_risk": SHARE,
    "feeders.0.hazards": [
        "nose_strike",
        "tail_held",
        "speed_mismatch",
        "off_carrier",
        "stray_insert",
        "double",
        "drive_overload",
    ],
    "feeders.0.hazards.nose_strike": HAZARD,
    "feeders.0.hazards.tail_held": HAZARD,
    "feeders.0.hazards.speed_mismatch": HAZARD,
    "feeders.0.hazards.off_carrier": HAZARD,
    "feeders.0.hazards.stray_insert": HAZARD,
    "feeders.0.hazards.double": HAZARD,
    "feeders.0.hazards.drive_overload": HAZARD,
    "feeders.0.settings": [
        "target_offset_mm",
        "stage_position_mm",
        "engage_distance_mm",
        "engage_lead_ms",
        "disengage_distance_mm",
        "disengage_lead_ms",
        "engage_distance_counts",
        "disengage_distance_counts",
        "speed_ratio",
    ],
    "feeders.0.cycle": ["mean_s", "max_s", "use"],
    "feeders.0.inserts": [
        "drawn",
        "placed",
        "strays",
        "second_halves",
        "rejected",
        "in_feeder",
    ],
    "feeders.0.doubles": ["found", "not_found", "false_alarms"],
}


def keys_by_path(value, path=""):
    """Return the keys of every object in a JSON value, by its path."""
    if isinstance(value, dict):
        found = {path: list(value)}
        items = value.items()
    elif isinstance(value, list):
        found = {}
        items = enumerate(value)
    else:
        return {}
    for key, part in items:
        found |= keys_by_path(part, f"{path}.{key}".strip("."))
    return found


@pytest.mark.parametrize(
    "rows",
    [
        errors(0.1, 0.2),
        [missed(Outcome.NOT_SEEN)],
        [placed(demanded_acceleration_mm_s2=math.inf), placed(belt_speed_mm_s=0.0)],
    ],
)
def test_the_plain_form_has_the_documented_keys_and_is_strict_json(rows):
    found = as_object(summary(rows))
    more = {}
    if rows[0]["outcome"] != Outcome.PLACED:
        more["products.missing.0"] = ["feeders", "count", "share"]
        more["products.missing.0.feeders.0"] = ["feeder", "cause"]
    for number in range(len(found["to_decide"])):
        more[f"to_decide.{number}"] = ["feeder", "figure", "met", "carriers"]
    assert keys_by_path(found) == KEYS | more
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_head_of_the_plain_form():
    found = as_object(summary(errors(0.1, 0.2)))
    head = {key: found[key] for key in ("feedsim", "title", "seed", "line_speed_mm_s", "carriers")}
    assert head == {
        "feedsim": "0.1.0",
        "title": "by hand",
        "seed": 7,
        "line_speed_mm_s": 1000.0,
        "carriers": 2,
    }
    missed = as_object(summary(errors(*[0.1] * 20)))["feeders"][0]["missed"]
    low, high = missed["ci95"]
    assert low == 0.0 < high
    assert missed["ci95_note"] == "all_alike"


def test_plain_numbers_only():
    assert plain((math.nan, math.inf, -math.inf, 1.5)) == [None, None, None, 1.5]
    assert type(plain(np.float64(2.0))) is float
    assert plain(True) is True
    with pytest.raises(TypeError, match="ndarray"):
        plain(np.zeros(2))
    with pytest.raises(TypeError, match="int64"):
        plain(np.int64(2))


def test_without_a_version_the_installed_one_is_named():
    results = summarise(
        run(feeder([placed()])), machine(), criteria=CRITERIA, names=("a",), title="", seed=1
    )
    # "unknown" in a source tree that was never installed.
    assert results.feedsim == "unknown" or results.feedsim[0].isdigit()
