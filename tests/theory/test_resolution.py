"""Settings on the steps of a controller: what can be typed in, and what that costs."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import product
from pathlib import Path

import pytest

from feedsim.answers.check.study.review import review
from feedsim.answers.setup.study.sheet import as_typed, set_up_sheet
from feedsim.machine import Encoder, Machine, Resolution
from feedsim.scenario import Scenario, machine_from, override, scenario_from_text
from feedsim.scenario.ratio import nearest_fraction
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import expected_offsets, scale_shift
from feedsim.settings.right import solve_feeder
from feedsim.settings.solve import solve
from tests.machines import (
    NOISY_EYE,
    feeder,
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
)
from tests.random_machines import random_machine

TEXT = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")
AUTO = dict.fromkeys(
    ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s"), math.nan
)


def stepped(line: Machine, distance_mm: float, lead_s: float) -> Machine:
    """Return the line with all settings automatic, on steps, solved."""
    steps = Resolution(distance_mm, lead_s)
    feeders = (
        replace(f, settings=replace(f.settings, **AUTO, resolution=steps)) for f in line.feeders
    )
    return solve(replace(line, feeders=tuple(feeders)))


def card(*changes: str) -> Scenario:
    return override(scenario_from_text(TEXT), list(changes))


def test_by_hand() -> None:
    # 1000 mm/s, nothing random, eyes of 0.5 ms, a ramp-in of 13.3 ms: leads of 7.15 and 0.5 ms
    # on 360 and 60 mm, so points 352.85 and 59.5 mm on.
    ramped = feeder(clutch=replace(feeder().clutch, ramp_in=0.0133))
    # Steps of 1 ms and 0.5 mm. Opening: 0 ms and 59.5 mm, or 1 ms and 60.5: exact, 0 is nearer
    # (a half goes to even). Closing: 7 ms, and 359.85 mm would make up: 360, which is 0.15 late.
    s = stepped(machine(ramped), 0.5, 0.001).feeders[0].settings
    assert (s.engage_distance_mm, s.engage_lead_s) == pytest.approx((360.0, 0.007))
    assert (s.disengage_distance_mm, s.disengage_lead_s) == pytest.approx((59.5, 0.0))
    # steps of 2 ms: 8, and 360.85 mm
    s = stepped(machine(ramped), 0.05, 0.002).feeders[0].settings
    assert (s.engage_distance_mm, s.engage_lead_s) == pytest.approx((360.85, 0.008))
    # any lead: the distance goes to a step, 357 or 364 mm, and the lead makes up for all of it
    s = stepped(machine(ramped), 7.0, 0.0).feeders[0].settings
    assert s.engage_distance_mm in {357.0, 364.0}
    assert s.engage_distance_mm - 1000.0 * s.engage_lead_s == pytest.approx(352.85)


def test_what_is_typed_in_stays_and_what_is_not_is_rounded() -> None:
    typed = feeder(settings=settings(engage_lead_s=0.00033, resolution=Resolution(0.7, 0.0001)))
    unsolved = replace(machine(), feeders=(typed,))
    s = solve(unsolved).feeders[0].settings
    assert s.engage_lead_s == 0.00033
    assert s.engage_distance_mm == pytest.approx(round(360.0 / 0.7) * 0.7)


@pytest.mark.parametrize(("distance_mm", "lead_s"), [(0.3, 0.001), (1.0, 0.0), (0.0, 0.002)])
def test_values_are_on_steps_and_no_pair_beside_the_lead_errs_less(
    distance_mm: float, lead_s: float
) -> None:
    for seed in range(12):
        line = random_machine(seed)
        v = line.line.speed_mm_s
        made = stepped(line, distance_mm, lead_s)
        for number, f in enumerate(made.feeders):
            s = f.settings
            for value, step in (
                (s.engage_distance_mm, distance_mm),
                (s.disengage_distance_mm, distance_mm),
                (s.engage_lead_s, lead_s),
                (s.disengage_lead_s, lead_s),
            ):
                assert not step or abs(value / step - round(value / step)) < 1e-6, seed
            if s.stage_correction or f.eye.scanned or line.carrier_eye.scanned:
                continue
            least = abs(expected_offsets(FeederAtSpeed(made, f, v)).error_mm)
            # brute force: the leads next to the right one, with every distance about
            right = solve_feeder(made, f)
            lead = round(right.engage_lead_s / lead_s) * lead_s if lead_s else right.engage_lead_s
            for n in range(-4, 5):
                base = round(right.engage_distance_mm / distance_mm) if distance_mm else 0
                distance = (base + n) * distance_mm if distance_mm else right.engage_distance_mm
                other = replace(s, engage_distance_mm=distance, engage_lead_s=lead)
                there = replace(f, settings=other)
                feeders = (*made.feeders[:number], there, *made.feeders[number + 1 :])
                found = expected_offsets(FeederAtSpeed(replace(made, feeders=feeders), there, v))
                # the error of a typed opening counts in both
                assert abs(found.error_mm) > least - 0.0011 - made.encoder.count_mm, seed


def test_coarse_steps_place_where_predicted() -> None:
    line = machine(
        spread_feeder(eye=NOISY_EYE),
        speed_m_min=47.0,
        carriers=spread_carriers(),
        carrier_eye=NOISY_EYE,
        encoder=Encoder(0.0613),
    )
    made = stepped(line, 1.7, 0.0013)
    first, v = made.feeders[0], made.line.speed_mm_s
    predicted = expected_offsets(FeederAtSpeed(made, first, v)).error_mm + scale_shift(
        FeederAtSpeed(made, first)
    )
    errors = run(made, carriers=2500).feeders[0].placement_error_mm
    assert abs(mean_of(errors).z(predicted)) < 4.0
    # the pair rounded one by one is another one, and is found
    right = solve_feeder(made, first)
    single = replace(
        first.settings,
        engage_distance_mm=round(right.engage_distance_mm / 1.7) * 1.7,
        engage_lead_s=round(right.engage_lead_s / 0.0013) * 0.0013,
    )
    wrong = replace(made, feeders=(replace(first, settings=single),))
    assert abs(mean_of(run(wrong, carriers=2500).feeders[0].placement_error_mm).z(predicted)) > 4.0


def test_a_fraction_is_the_nearest_of_all() -> None:
    most = 23
    every = [Fraction(a, b) for a, b in product(range(1, most + 1), repeat=2)]
    for value in (0.1, 0.333, 0.97, 1.0, 1.0183, 1.07, 3.14159, 7.77, 9.99):
        found = nearest_fraction(value, most)
        assert max(found.numerator, found.denominator) <= most
        assert abs(found - Fraction(value)) == min(abs(f - Fraction(value)) for f in every)


def test_the_ratio_is_that_of_its_fraction_and_the_trim_is_on_top() -> None:
    steps = ("feeder.0.settings.speed_ratio=1.0183", "feeder.0.settings.speed_trim=1 %",
             "feeder.0.settings.resolution.ratio=60")  # fmt: skip
    made = machine_from(card(*steps))
    assert made.feeders[0].settings.speed_ratio == pytest.approx(56.0 / 55.0 * 1.01, rel=1e-15)
    words = " ".join(review(card(*steps)).feeders[0].words)
    # 56/55 / 1.0183 = 0.999884
    assert (
        "1.0183 is typed in as 56/55: 0.0116 % less, so that the feed runs that much slower."
        in words
    )


def test_what_is_written_is_on_steps_and_the_sheet_says_what_they_cost() -> None:
    # 4 counts of 0.05 mm; leads of 12 ms in steps of 5 ms are 10
    steps = ("feeder.0.settings.resolution.distance_counts=4",
             "feeder.0.settings.resolution.lead=5 ms")  # fmt: skip
    typed = as_typed(card(*steps)).feeder[0].settings
    for value in (typed.engage_distance, typed.disengage_distance):
        assert isinstance(value, float)
        assert value / 0.2 == pytest.approx(round(value / 0.2), abs=1e-6)
    assert typed.engage_lead == typed.disengage_lead == pytest.approx(0.010)
    assert not any("does not take" in w for w in review(as_typed(card(*steps))).feeders[0].warnings)
    sheet = set_up_sheet(card(*steps)).feeders[0]
    notes = " ".join(sheet.notes)
    assert "Rounded to the controller's steps (0.2 mm for distances, 5 ms for leads)" in notes
    assert "Typed in and run at the speeds of the sweep" in notes
    assert "onto the controller's steps" in str(sheet)


def test_a_step_as_a_sheet_writes_it_is_taken_and_all_else_told_apart() -> None:
    # a quadrature wheel of 200 mm in 9050 counts: 3529 of them are 77.98895 mm (a sheet: 77.989)
    steps = ["line.encoder.counts_per_rev=9050", "line.encoder.wheel_circumference=200 mm"]
    steps += ["feeder.0.settings.resolution.distance_counts=1"]
    count = 200.0 / 9050.0
    for value, off in ((round(3529 * count, 3), False), (3529.3 * count, True)):
        given = [*steps, f"feeder.0.settings.disengage_distance={value:.6f} mm"]
        said = " ".join(review(card(*given)).feeders[0].warnings)
        assert ("disengage_distance is" in said) is off
    # six digits would say 1175.5 mm of both
    far = ["feeder.0.eye_to_placement=1220 mm", "feeder.0.settings.resolution.distance=0.5 mm"]
    far += ["feeder.0.settings.engage_distance=1175.502 mm"]
    said = " ".join(review(card(*far)).feeders[0].warnings)
    assert "engage_distance is 1175.502 mm, which the controller does not take" in said
    assert "The nearest is 1175.5 mm." in said


def test_check_names_what_the_controller_does_not_take() -> None:
    steps = [
        f"feeder.0.settings.{change}"
        for change in (
            "resolution.distance=0.5 mm",
            "resolution.lead=0.5 ms",
            "engage_lead=12.3 ms",
            "target_offset=20.2 mm",
        )
    ]
    said = " ".join(review(card(*steps)).feeders[0].warnings)
    assert "engage_lead is 12.3 ms, which the controller does not take" in said
    assert "its steps are 0.5 ms. The nearest is 12.5 ms." in said
    assert "target_offset is 20.2 mm" in said
    assert "The nearest is 20 mm." in said
    assert "stage_position" not in said
