"""Supervision, faults, adjustments, jams and magazines in a scenario file."""

from __future__ import annotations

import json
import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from feedsim import machine
from feedsim.answers.check.study.review import review
from feedsim.errors import FeedsimError, OldName
from feedsim.machine import FaultKind, Hazard, Setting, When
from feedsim.scenario import (
    json_schema,
    machine_from,
    override,
    scenario_from_dict,
    scenario_from_text,
    scenario_to_dict,
)
from feedsim.scenario.rewriting import corrected_text
from tests.cli.bad_scenarios.table import BASE, changed

EVERYTHING = (
    changed(
        ("feeder.insert/magazine", "500"),
        ("feeder.insert/magazine_warning", "20"),
        ("feeder.insert/refill_time", '"45 s"'),
        ("feeder.double_check/action", '"stop"'),
        ("line.encoder/home_time", '"11 s"'),
    )
    + """
[limits.jam_probability]
nose_strike = "5 %"
double = "50 %"

[supervision]
no_insert = false
insert_eye_blocked = "210 mm"
carrier_eye_blocked = "310 mm"
carrier_eye_silent = "3 m"
misses_in_a_row = 4
double_found = true
jam = true
drive_overload = true
stop_deceleration = "1.5 m/s^2"
emergency_deceleration = "3 m/s^2"
clearing_time = {mean = "50 s", distribution = "lognormal", cv = 0.4}

[[fault]]
at = "12 s"
kind = "insert_jam"

[[fault]]
carrier = 100
kind = "eye_dirty"
eye = "insert"
duration = "3 s"

[[adjust]]
at = "30 s"
set = {"line.speed" = "80 m/min", "feeder.0.settings.engage_distance" = "359 mm"}

[[adjust]]
carrier = 500
set = {"feeder.0.settings.speed_trim" = "0.5 %", "feeder.0.settings.disengage_lead" = "2 ms"}
"""
)


def test_every_key_arrives() -> None:
    scenario = scenario_from_text(EVERYTHING)
    built = machine_from(scenario)
    ratio = scenario.feeder[0].settings.speed_ratio
    assert built.supervision == machine.Supervision(
        rules=machine.StopRules(
            no_insert=False,
            insert_eye_blocked_mm=210.0,
            carrier_eye_blocked_mm=310.0,
            carrier_eye_silent_mm=3000.0,
            misses_in_a_row=4,
            double_found=True,
            drive_overload=True,
            stop_deceleration_mm_s2=1500.0,
            emergency_deceleration_mm_s2=3000.0,
            clearing=machine.Clearing(50.0, cv=0.4),
        ),
        jam_probability=((Hazard.NOSE_STRIKE, 0.05), (Hazard.DOUBLE, 0.5)),
        speed_mismatch=scenario.limits.speed_mismatch,
        overhang_mm=scenario.limits.overhang,
        keeps_place=False,
        home_time_s=11.0,
        faults=(
            machine.PlannedFault(When(12.0), FaultKind.INSERT_JAM),
            machine.PlannedFault(
                When(carrier=100), FaultKind.EYE_DIRTY, carrier_eye=False, duration_s=3.0
            ),
        ),
        adjusts=(
            machine.Adjust(
                When(30.0), pytest.approx(4000.0 / 3.0), ((0, Setting.ENGAGE_DISTANCE, 359.0),)
            ),
            machine.Adjust(
                When(carrier=500),
                None,
                (
                    (0, Setting.SPEED_RATIO, pytest.approx(1.005 * ratio)),
                    (0, Setting.DISENGAGE_LEAD, 0.002),
                ),
            ),
        ),
    )
    inserts = built.feeders[0].inserts
    assert (inserts.magazine, inserts.warning, inserts.refill_time_s) == (500, 20, 45.0)
    assert built.feeders[0].double_check.stops


@pytest.mark.parametrize(
    ("more", "supervised"),
    [
        ("", False),
        ('\n[limits.jam_probability]\ndouble = "0 %"\n', False),
        ('\n[limits.jam_probability]\ndouble = "1 %"\n', True),
        ("\n[supervision]\n", True),
        ('\n[[fault]]\nat = "1 s"\nkind = "carrier_jam"\n', True),
        ('\n[[adjust]]\nat = "1 s"\nset = {"line.speed" = "80 m/min"}\n', True),
    ],
)
def test_only_a_line_that_may_stop_or_change_is_supervised(more: str, supervised: bool) -> None:
    assert (machine_from(scenario_from_text(BASE + more)).supervision is not None) is supervised


def test_magazines_and_doubles_that_stop_are_supervised() -> None:
    for key, value in [("feeder.insert/magazine", "9"), ("feeder.double_check/action", '"stop"')]:
        supervision = machine_from(scenario_from_text(changed((key, value)))).supervision
        assert supervision == machine.Supervision(
            speed_mismatch=supervision.speed_mismatch,  # type: ignore[union-attr]
            overhang_mm=supervision.overhang_mm,  # type: ignore[union-attr]
            keeps_place=False,
            home_time_s=10.0,
        )


def test_supervision_has_two_rules_of_its_own() -> None:
    supervision = machine_from(scenario_from_text(BASE + "\n[supervision]\n")).supervision
    assert supervision is not None
    assert supervision.rules == machine.StopRules(no_insert=True)
    assert supervision.rules.clearing == machine.Clearing(60.0)
    assert math.isinf(supervision.rules.insert_eye_blocked_mm)


def test_which_encoders_keep_their_place() -> None:
    for changes, keeps in [
        ([("line.encoder/kind", '"incremental"')], False),
        ([("line.encoder/kind", '"absolute"')], True),
        ([("run/master", '"virtual"')], True),
    ]:
        text = changed(*changes) + "\n[supervision]\n"
        supervision = machine_from(scenario_from_text(text)).supervision
        assert supervision is not None
        assert supervision.keeps_place is keeps


def test_there_and_back() -> None:
    scenario = scenario_from_text(EVERYTHING)
    data = scenario_to_dict(scenario)
    assert scenario_from_dict(json.loads(json.dumps(data))) == scenario
    assert scenario_to_dict(scenario_from_dict(data)) == data
    Draft202012Validator(json_schema()).validate(data)
    Draft202012Validator(json_schema()).validate(tomllib.loads(EVERYTHING))
    assert (
        not {"supervision", "fault", "adjust"} & scenario_to_dict(scenario_from_text(BASE)).keys()
    )


def test_one_key_of_supervision_that_is_not_there_makes_one() -> None:
    plain = scenario_from_text(BASE)
    five = override(plain, ["supervision.misses_in_a_row=5"])
    assert five == scenario_from_text(BASE + "\n[supervision]\nmisses_in_a_row = 5\n")


def test_the_old_name_of_supervision_is_read_with_a_note() -> None:
    rules = 'misses_in_a_row = 3\nstop_deceleration = "4 m/s^2"\n'
    new = scenario_from_text(f"{BASE}\n[supervision]\n{rules}")
    with pytest.warns(OldName, match=r"^\[guard\] is now called \[supervision\]"):
        assert scenario_from_text(f"{BASE}\n[guard]\n{rules}") == new
    with pytest.warns(OldName):
        assert override(new, ["guard.misses_in_a_row=3"]) == new
    five = ["supervision.misses_in_a_row=5"]
    with pytest.warns(OldName):  # whatever an old file calls it, a key has either name
        old = scenario_from_text(f"{BASE}\n[guard]\n{rules}", overrides=five)
    assert old == override(new, five)
    with pytest.warns(OldName):
        text = corrected_text(f"{BASE}\n[guard]\n{rules}", overrides=five, settings={})
    assert "[guard]" in text
    assert "misses_in_a_row = 5" in text
    assert Draft202012Validator(json_schema()).is_valid(tomllib.loads(text))
    both = tomllib.loads(f"{text}\n[supervision]\n")
    assert not Draft202012Validator(json_schema()).is_valid(both)


@pytest.mark.parametrize(
    ("emergency", "softer"), [("0.5 m/s^2", True), ("auto", False), ("2 m/s^2", False)]
)
def test_an_emergency_stop_softer_than_others_is_warned_of(emergency: str, softer: bool) -> None:
    # from v to rest takes v/a: the smaller the deceleration, the longer the belt runs on
    keys = [
        "supervision.stop_deceleration=2 m/s^2",
        f"supervision.emergency_deceleration={emergency}",
    ]
    warnings = review(override(scenario_from_text(BASE), keys)).warnings
    assert any("In an emergency stop" in warning for warning in warnings) == softer


@pytest.mark.parametrize(
    ("keys", "warned"),
    [
        ([], True),
        (["supervision.no_insert=false"], True),
        (["supervision.no_insert=true"], False),  # the search that finds none stops the line
        (["supervision.no_insert=false", "supervision.misses_in_a_row=3"], False),
        (["feeder.0.insert.magazine_warning=10"], False),
        (["feeder.0.insert.magazine=100"], False),  # as many as there are carriers
    ],
)
def test_a_magazine_that_nothing_refills_is_warned_of(keys: list[str], warned: bool) -> None:
    always = ["run.carriers=90", "run.warm_up=10", "feeder.0.insert.magazine=99"]
    warnings = review(override(scenario_from_text(BASE), [*always, *keys])).warnings
    assert any("holds 99 inserts for 100 carriers" in each for each in warnings) == warned
    assert any("The magazine of" in each for each in warnings) == warned


def test_keys_of_a_change_may_be_tables() -> None:
    nested = '\n[[adjust]]\nat = "1 s"\nset.line.speed = "70 m/min"\n'
    quoted = '\n[[adjust]]\nat = "1 s"\nset = {"line.speed" = "70 m/min"}\n'
    assert scenario_from_text(BASE + nested) == scenario_from_text(BASE + quoted)


JUNK = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["1 s", "5 %", "60 m/min", "10 mm", "inf s", "auto", "carrier_jam", ""])
    | st.lists(st.integers(), max_size=2)
    | st.dictionaries(st.sampled_from(["mean", "cv", "distribution", "line.speed"]), st.text())
)
DATA = tomllib.loads(EVERYTHING)
PLACES = [
    *((table, key) for table in ("supervision",) for key in DATA["supervision"]),
    *(("fault", n, key) for n in (0, 1) for key in ("at", "carrier", "kind", "eye", "duration")),
    *(("adjust", n, key) for n in (0, 1) for key in ("at", "carrier", "set")),
    ("supervision",),
    ("fault",),
    ("adjust",),
    ("limits", "jam_probability"),
    ("limits", "jam_probability", "double"),
]


@settings(max_examples=200)
@given(st.sampled_from(PLACES), JUNK)
def test_whatever_stands_there_is_read_or_refused(place: tuple[object, ...], junk: object) -> None:
    data = tomllib.loads(EVERYTHING)
    here = data
    for part in place[:-1]:
        here = here[part]  # type: ignore[index]
    here[place[-1]] = junk  # type: ignore[index]
    try:
        scenario = scenario_from_dict(data)
    except FeedsimError as error:
        if not error.faults or not all(line.isprintable() for line in error.lines):
            raise
        return
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario
    machine_from(scenario)


def test_what_is_planned_beyond_the_run_is_said_to_never_happen() -> None:
    """Carriers 0 to 119: 20 of warm-up, 100 counted."""

    def said(carrier: int) -> list[str]:
        made = scenario_from_text(
            f"{changed(('run/carriers', '100'), ('run/warm_up', '20'))}\n"
            f'[[fault]]\ncarrier = 5\nkind = "carrier_jam"\n'
            f'[[fault]]\ncarrier = {carrier}\nkind = "emergency_stop"\n'
            f'[[adjust]]\ncarrier = {carrier}\nset = {{"line.speed" = "50 m/min"}}\n'
        )
        return [line for line in review(made).warnings if "never happens" in line]

    assert said(119) == []
    assert said(120) == [
        f"{name} never happens: it waits for carrier 120, and the last one of this run is 119."
        for name in ("fault.1", "adjust.0")
    ]
