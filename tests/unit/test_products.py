"""Products by hand: three classes, what is wrong with them, overlaps by geometry, the table."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.answers.run.product.points import (
    product_cells,
    product_columns,
    product_heads,
    tells_products,
)
from feedsim.answers.run.tables import counted_carriers, products_csv
from feedsim.criteria import AllowedOverlap, Criteria, Recipe
from feedsim.machine import Divert, Inserts
from feedsim.metrics.overlaps import all_pairs, overlaps_mm
from feedsim.metrics.product_rows import ProductClass, product_rows
from feedsim.metrics.results import Results, summarise
from feedsim.records.outcome import Outcome
from tests.unit import records_builder as by_hand
from tests.unit.records_builder import CRITERIA, missed, placed
from tests.unit.test_output_summary import block, said

NAMES = ("card", "leaflet", "sticker")
TARGETS = (20.0, 100.0, 60.0)
LENGTHS = (85.6, 60.0, 10.0)
POINTS = (400.0, 900.0, 700.0)


def three() -> by_hand.Machine:
    """Return feeders whose inserts cover 20 to 105.6, 100 to 160 and 60 to 70 mm.

    Downstream, and so from below upwards: card, sticker, leaflet.
    """
    feeders = []
    for target, length, point in zip(TARGETS, LENGTHS, POINTS, strict=True):
        base = by_hand.one_feeder()
        feeders.append(
            replace(
                base,
                eye_to_placement_mm=point,
                inserts=Inserts(length_mm=length, gap_mm=70.0),
                settings=replace(base.settings, target_offset_mm=target),
            )
        )
    return by_hand.machine(*feeders)


def on(target: float, error: float = 0.0, **more: object) -> dict[str, object]:
    return placed(offset_mm=target + error, placement_error_mm=error, **more)


def gone(outcome: Outcome = Outcome.NOT_STAGED) -> dict[str, object]:
    return missed(outcome)


def run_of(*carriers: tuple[dict[str, object], ...], warm_up: int = 0) -> by_hand.RunRecords:
    """Return records from what each carrier got at the three feeders."""
    feeders = (by_hand.feeder(list(rows)) for rows in zip(*carriers, strict=True))
    return by_hand.run(*feeders, warm_up=warm_up)


def with_recipe(**recipe: object) -> Criteria:
    return replace(CRITERIA, recipe=Recipe(**recipe))  # type: ignore[arg-type]


def results(records: by_hand.RunRecords, criteria: Criteria = CRITERIA) -> Results:
    return summarise(
        records, three(), criteria=criteria, names=NAMES, title="by hand", seed=1, version="0"
    )


FULL = tuple(on(target) for target in TARGETS)
SIX = (
    FULL,
    (on(20.0), gone(), on(60.0)),  # partial
    (gone(), gone(Outcome.LATE_MARK), gone()),  # empty
    (gone(Outcome.NOT_SEEN),) * 3,  # empty
    (on(20.0, double=1), on(100.0), on(60.0)),  # complete, doubled
    (on(20.0, -1.6), on(100.0), on(60.0)),  # complete, out of tolerance (1.5 mm)
)


def test_each_product_is_in_one_class():
    products = results(run_of(*SIX)).products
    counts = [getattr(products, name).count for name in ("complete", "partial", "empty")]
    assert counts == [3, 1, 2]
    assert products.needs == NAMES
    assert (products.doubled.count, products.out_of_tolerance.count) == (1, 1)
    assert products.good.count == 1
    # six carriers at 0.26 s each: 1 good one in 1.56 s
    assert products.good_per_hour == pytest.approx(3600.0 / 1.56, rel=1e-9)


def test_complete_is_what_it_was_before_there_were_recipes():
    found = results(run_of(*SIX))
    assert (found.complete.count, found.complete.share) == (3, 0.5)
    assert found.complete.ci95 == found.products.complete.ci95


def test_what_a_recipe_does_not_need_may_be_missed():
    """Only the card is needed: carriers 0, 1, 4 and 5 have it; carrier 1 is complete now."""
    found = results(run_of(*SIX), with_recipe(needs=(0,)))
    assert found.products.needs == ("card",)
    assert found.complete.count == 4
    assert found.products.partial.count == 0
    assert found.products.empty.count == 2
    other = results(run_of(*SIX), with_recipe(needs=(1,)))
    assert (other.products.complete.count, other.products.partial.count) == (3, 1)


def test_feeders_that_missed_together_are_told_by_cause():
    """One carrier each; the first by its outcomes' order where counts are equal."""
    products = results(run_of(*SIX, SIX[1])).products
    found = [(m.count, [(at.feeder, at.cause) for at in m.feeders]) for m in products.missing]
    assert found[0] == (2, [("leaflet", "not_staged")])
    assert sorted(found[1:]) == [
        (1, [("card", "not_seen"), ("leaflet", "not_seen"), ("sticker", "not_seen")]),
        (1, [("card", "not_staged"), ("leaflet", "late_mark"), ("sticker", "not_staged")]),
    ]
    assert products.missing[0].share == pytest.approx(2 / 7)


def test_combinations_beyond_twenty_are_counted_together():
    """Three feeders, four outcomes each: 63 combinations miss something; one carrier of each."""
    kinds = [None, Outcome.NOT_STAGED, Outcome.LATE_MARK, Outcome.NO_INSERT]
    every = [
        tuple(on(t) if k is None else gone(k) for t, k in zip(TARGETS, (a, b, c), strict=True))
        for a in kinds
        for b in kinds
        for c in kinds
    ]
    products = results(run_of(*every)).products
    assert len(products.missing) == 20
    assert products.missing_otherwise == 63 - 20
    assert products.complete.count == 1


def test_overlaps_by_geometry():
    """Card 20 to 105.6, leaflet 100 to 160, sticker 60 to 70 mm, by hand.

    Card and leaflet overlap by 5.6 mm, the sticker lies wholly on the card (10 mm), and ends
    30 mm before the leaflet. With the card 2 mm late and the leaflet 1 mm early: 8.6 mm.
    """
    records = run_of(FULL, (on(20.0, 2.0), on(100.0, -1.0), on(60.0)), SIX[1])
    line = three()
    pairs = {(p.below, p.above): overlaps_mm(records, line, one=p.below, other=p.above)
             for p in all_pairs(line, Recipe())}  # fmt: skip
    assert set(pairs) == {(0, 2), (0, 1), (2, 1)}  # downstream on top
    np.testing.assert_allclose(pairs[0, 1], [5.6, 8.6, np.nan], rtol=1e-12)
    np.testing.assert_allclose(pairs[0, 2], [10.0, 10.0, 10.0], rtol=1e-12)
    np.testing.assert_allclose(pairs[2, 1], [-30.0, -29.0, np.nan], rtol=1e-12)
    told = {(o.below, o.above): o for o in results(records).products.overlaps}
    assert told["card", "leaflet"].nominal_mm == pytest.approx(5.6)
    assert told["card", "leaflet"].n == 2
    assert told["card", "leaflet"].mean_mm == pytest.approx(7.1)
    assert told["card", "leaflet"].overlapping.count == 2
    assert told["sticker", "leaflet"].overlapping.count == 0


def test_which_lies_on_top_is_a_matter_of_the_line_and_not_of_the_scenario():
    """The same feeders in another order: still the one further downstream is above."""
    line = three()
    turned = replace(line, feeders=line.feeders[::-1])  # sticker 700, leaflet 900, card 400
    assert {(p.below, p.above) for p in all_pairs(turned, Recipe())} == {(2, 0), (2, 1), (0, 1)}


def test_wrong_overlaps_are_counted():
    """Card and leaflet may overlap by 6 mm at most: 5.6 is right, 8.6 is wrong."""
    records = run_of(FULL, (on(20.0, 2.0), on(100.0, -1.0), on(60.0)), SIX[1])
    pair = AllowedOverlap(0, 1, min_overlap_mm=2.0, max_overlap_mm=6.0)
    criteria = replace(with_recipe(pairs=(pair,)), placement_tolerance_mm=5.0)
    found = results(records, criteria).products
    assert found.wrong_overlap.count == 1
    assert (found.complete.count, found.good.count) == (2, 1)
    card = next(o for o in found.overlaps if (o.below, o.above) == ("card", "leaflet"))
    assert (card.wrong.count, card.min_allowed_mm, card.max_allowed_mm) == (1, 2.0, 6.0)


def test_where_none_may_overlap_a_pair_of_the_recipe_is_the_exception():
    """Sticker and card overlap by 10 mm, card and leaflet by 5.6: both are wrong, unless said."""
    records = run_of(FULL)
    assert results(records, with_recipe(may_overlap=False)).products.wrong_overlap.count == 1
    only_sticker = with_recipe(may_overlap=False, pairs=(AllowedOverlap(0, 1),))
    assert results(records, only_sticker).products.wrong_overlap.count == 1
    both = with_recipe(may_overlap=False, pairs=(AllowedOverlap(0, 1), AllowedOverlap(0, 2)))
    assert results(records, both).products.wrong_overlap.count == 0


def test_the_warm_up_enters_no_figure():
    found = results(run_of(*SIX, warm_up=2)).products
    counts = [getattr(found, name).count for name in ("complete", "partial", "empty")]
    assert counts == [2, 0, 2]


def test_the_classes_of_random_outcomes_balance():
    """Every carrier in exactly one class, against a count without arrays, 50 times."""
    rng = np.random.default_rng(5)
    for _ in range(50):
        many = [
            tuple(
                on(t, float(rng.normal()), double=int(rng.random() < 0.2))
                if rng.random() < 0.6
                else gone(Outcome(int(rng.integers(1, 8))))
                for t in TARGETS
            )
            for _ in range(int(rng.integers(1, 30)))
        ]
        needs = tuple(np.flatnonzero(rng.random(3) < 0.6).tolist())
        criteria = with_recipe(needs=needs)
        rows = product_rows(run_of(*many), three(), criteria=criteria)
        for carrier, got in enumerate(many):
            there = [row["outcome"] == Outcome.PLACED for row in got]
            wanted = needs or (0, 1, 2)
            expected = ProductClass.PARTIAL if any(there) else ProductClass.EMPTY
            if all(there[i] for i in wanted):
                expected = ProductClass.COMPLETE
            assert rows.classes[carrier] == expected
        found = results(run_of(*many), criteria).products
        assert found.complete.count + found.partial.count + found.empty.count == len(many)
        missing = sum(m.count for m in found.missing) + found.missing_otherwise
        assert missing == sum(any(r["outcome"] != 0 for r in got) for got in many)


def test_a_row_per_carrier():
    file = io.BytesIO()
    six = run_of(*SIX, warm_up=1)
    content = products_csv(six, three(), counted_carriers(six), criteria=CRITERIA)
    assert callable(content)
    content(file)
    rows = list(csv.DictReader(io.StringIO(file.getvalue().decode())))
    assert [row["carrier"] for row in rows] == ["1", "2", "3", "4", "5"]
    assert [row["product"] for row in rows] == [
        "partial", "empty", "empty", "complete", "complete",
    ]  # fmt: skip
    assert [row["good"] for row in rows] == ["0"] * 5
    assert [row["doubled"] for row in rows] == ["0", "0", "0", "1", "0"]
    assert [row["out_of_tolerance"] for row in rows] == ["0", "0", "0", "0", "1"]
    first = rows[0]
    assert (first["feeder_0_outcome"], first["feeder_1_outcome"]) == ("placed", "not_staged")
    assert (first["feeder_0_placement_error_mm"], first["feeder_1_placement_error_mm"]) == (
        "0.0",
        "",
    )
    assert first["overlap_0_2_mm"] == "10.0"
    assert first["overlap_0_1_mm"] == ""
    assert rows[4]["feeder_0_placement_error_mm"] == "-1.6"


# -- the gate ------------------------------------------------------------------------

GATE = Divert(at_mm=1500.0, decide_before_mm=100.0, gate_time_s=0.1)


def gated(*carriers, by=math.inf, **changes: object):
    """Return records and a line with a gate; each carrier must be known by 2 s, unless said."""
    records = run_of(*carriers)
    by_s = np.array(by if isinstance(by, list) else [2.0] * len(carriers))
    records = replace(records, carriers=replace(records.carriers, divert_by_time_s=by_s))
    return records, replace(three(), divert=replace(GATE, **changes))


def gate_of(records, line, criteria=CRITERIA):
    found = summarise(
        records, line, criteria=criteria, names=NAMES, title="by hand", seed=1, version="0"
    )
    assert found.products.diverted is not None
    return found.products.diverted, found


SEVEN = (
    FULL,  # good, passes
    (on(20.0, called_double=1), on(100.0), on(60.0)),  # good, called a double: known at 1 s
    (gone() | {"missed_time_s": 1.5}, on(100.0), on(60.0)),  # known at 1.5 s
    (gone() | {"missed_time_s": 2.25}, on(100.0), on(60.0)),  # 0.25 s too late
    (gone(Outcome.NOT_SEEN),) * 3,
    (on(20.0, double=1), on(100.0), on(60.0)),  # not found
    (on(20.0), on(100.0, 1.6), on(60.0)),
)


def test_every_carrier_is_in_one_class_at_the_gate():
    found, _ = gate_of(*gated(*SEVEN))
    names = ("good_passed", "good_diverted", "bad_diverted", "bad_passed")
    assert [getattr(found, name).count for name in names] == [1, 1, 1, 4]
    assert (found.passed_unknown, found.passed_too_late, found.not_reached) == (3, 1, 0)
    with_ = found.passed_with
    assert (with_.incomplete, with_.doubled, with_.out_of_tolerance, with_.wrong_overlap) == (
        2, 1, 1, 0,
    )  # fmt: skip
    assert found.diverted_for.missed == found.diverted_for.doubled == 1
    assert found.least_to_spare_s == pytest.approx(0.5)
    assert found.most_too_late_s == pytest.approx(0.25)
    assert (found.bad_of_passed.count, found.bad_of_passed.share) == (4, 4 / 5)
    assert found.good_passed_per_hour == pytest.approx(3600.0 / (7 * 0.26))


def test_a_carrier_that_never_comes_to_the_gate_is_none_of_these():
    found, _ = gate_of(*gated(*SEVEN[:3], by=[2.0, math.inf, math.nan]))
    assert (found.good_passed.count, found.not_reached) == (1, 2)
    assert found.good_passed.share == 1.0


def test_what_a_recipe_does_not_need_is_not_diverted():
    """Carrier 2 misses the card alone: without it in the recipe the product is good."""
    criteria = with_recipe(needs=(1, 2))
    found, _ = gate_of(*gated(SEVEN[2]), criteria)
    assert (found.good_passed.count, found.bad_diverted.count) == (1, 0)


def test_the_gate_in_words():
    _, results_ = gate_of(*gated(*SEVEN))
    text = said(results_)
    assert block(text, "Good, passed").startswith("1: 14.3 % (no interval below 20)")
    assert block(text, "Good, diverted").startswith("1: 14.3 %")
    passed = block(text, "Bad, passed")
    assert "2 incomplete, 1 doubled, 1 out of tolerance" in passed
    assert "3 not known to be bad 1 known too late, by up to 250 ms" in passed
    assert (
        block(text, "Diverted for")
        == "1 missed, 1 doubled; each known 500 ms or more before it was too late"
    )


def test_what_a_row_says_of_the_gate():
    file = io.BytesIO()
    records, line = gated(*SEVEN)
    content = products_csv(records, line, counted_carriers(records), criteria=CRITERIA)
    assert callable(content)
    content(file)
    rows = list(csv.DictReader(io.StringIO(file.getvalue().decode())))
    assert [(row["gate"], row["known"], row["known_time_s"]) for row in rows[:4]] == [
        ("good_passed", "", ""),
        ("good_diverted", "doubled", "1.0"),
        ("bad_diverted", "missed", "1.5"),
        ("bad_passed", "missed", "2.25"),
    ]
    assert rows[0]["divert_by_time_s"] == "2.0"


def test_a_product_in_words():
    text = said(results(run_of(*SIX, SIX[1]), with_recipe(pairs=(AllowedOverlap(0, 1, 2.0, 5.0),))))
    assert block(text, "Complete").startswith("3: 42.9 % (no interval below 20)")
    assert block(text, "Missing").startswith("2 × leaflet: not staged 1 × ")
    assert "card and leaflet and sticker: not seen" in block(text, "Missing")
    overlap = block(text, "Overlap")  # the recipe's pair first
    assert overlap.startswith("WRONG leaflet on card: 5.600 mm by targets mean ")
    assert "wanted 2.000 to 5.000 mm; 2 outside: 66.7 %" in overlap  # 5.6, 5.6 and 4.0 mm
    assert block(text, "Clearance").startswith("sticker to leaflet: 30.000 mm by targets")


def test_a_clearance_that_is_wanted_is_told_as_one():
    pair = AllowedOverlap(
        2, 1, min_overlap_mm=-40.0, max_overlap_mm=-31.0
    )  # 31 to 40 mm clear; 30 is wrong
    text = said(results(run_of(FULL), with_recipe(pairs=(pair,))))
    assert "wanted 31.000 to 40.000 mm; 1 outside: 100 %" in block(text, "Clearance")


def test_one_feeder_without_a_gate_has_no_table_of_products():
    assert "Products" not in said(by_hand.summary([placed()]))


# -- points of a sweep, setups of a comparison ----------------------------------------


def test_the_cells_of_a_point_stand_under_their_heads():
    _, found = gate_of(*gated(*SEVEN))
    cells = dict(zip(product_heads(found), product_cells(found), strict=True))
    assert cells == {
        "complete": "57.1 %",  # 4 of 7
        "partial": "28.6 %",
        "empty": "14.3 %",
        "doubled": "14.3 %",
        "bad diverted": "14.3 %",
        "bad passed": "57.1 %",
        "good diverted": "14.3 %",
        "good": "28.6 %",
        "good passed per hour": f"{3600.0 / (7 * 0.26):.0f}",  # one of the two good ones passed
    }
    alone = results(run_of(*SIX))
    assert dict(zip(product_heads(alone), product_cells(alone), strict=True)) == {
        "complete": "50 %",
        "partial": "16.7 %",
        "empty": "33.3 %",
        "doubled": "16.7 %",
        "good": "16.7 %",
        "good per hour": f"{3600.0 / (6 * 0.26):.0f}",
    }


def test_the_columns_of_a_point():
    columns = dict(product_columns(gate_of(*gated(*SEVEN))[1]))
    assert columns["products_complete_share"] == 4 / 7
    assert columns["products_complete_share_low"] is None  # 7 carriers have no interval
    assert columns["gate_bad_of_passed_share"] == 4 / 5
    assert columns["gate_passed_too_late"] == 1
    without = dict(product_columns(results(run_of(*SIX))))
    assert not [name for name in without if name.startswith("gate_")]


def test_products_are_told_where_they_say_more_than_the_feeder_does():
    assert tells_products(results(run_of(*SIX)))
    assert not tells_products(by_hand.summary([placed()]))
