"""``check`` knows what ``limit`` knows: every mechanism that is too much is a warning."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from feedsim.answers.check.study import counted as module
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.answers.check.study.counted import refused, refused_words, shares_of
from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import in_closed_form
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, override, scenario_from_text
from feedsim.settings.mechanisms import MECHANISMS

TEXT = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")


def card(*changes: str) -> Scenario:
    return override(scenario_from_text(TEXT), list(changes))


def of(scenario: Scenario) -> CheckedFeeder:
    return CheckedFeeder(scenario, machine_of(scenario), 0, "metric")


@pytest.mark.parametrize("number", range(len(MECHANISMS)), ids=[m.name for m in MECHANISMS])
def test_every_mechanism_that_is_too_much_is_told(
    number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faked(share: float) -> None:
        rows = [replace(m, share=lambda *_: 0.0) for m in MECHANISMS]
        rows[number] = replace(MECHANISMS[number], share=lambda *_: share)
        monkeypatch.setattr(module, "MECHANISMS", tuple(rows))

    checked, mechanism = of(card()), MECHANISMS[number]
    faked(0.5)
    (figure,) = refused(checked)
    assert (figure.figure, figure.share) == (mechanism.figure, 0.5)
    (said,) = refused_words(checked, [figure])
    assert said.startswith("50 % of the ")
    assert f" is allowed: {mechanism.name} 50 %." in said
    faked(0.0)
    assert not refused(checked)


@pytest.mark.parametrize("eye", ["carrier_eye", "feeder.0.eye"])
def test_a_share_that_is_just_what_may_be_is_accepted(eye: str) -> None:
    # what one part loses, alone of its figure, may be lost: 1 − (1 − p) is p but for rounding
    none = ("misfeed", "double")
    clean = [f"feeder.0.insert.{name}=0 %" for name in none]
    clean += ["carrier_eye.missed=0 %", "feeder.0.eye.missed=0 %"]
    figure = "missed" if eye == "carrier_eye" else "jam_risk"
    for percent in (0.1, 0.3, 0.7, 1.1):
        line = [*clean, "line.speed=20 m/min", f"{eye}.missed={percent} %"]
        line += ["acceptance.missed=50 %", "acceptance.jam_risk=50 %"]
        for most, too_much in ((percent, False), (0.999 * percent, True)):
            here = card(*line, f"acceptance.{figure}={most} %")
            assert [row.figure for row in refused(of(here))] == [figure] * too_much
    assert in_closed_form(card(*line, f"acceptance.{figure}=1.1 %")).lowest_mm_s != 0.0


def test_what_is_told_of_a_memory_and_a_nose_limit_is_no_more_than_is_so() -> None:
    small = ("controller.mark_memory=1", "feeder.0.eye_to_placement=900 mm")
    (said,) = [w for w in review(card(*small)).feeders[0].warnings if "can be between" in w]
    assert said.endswith("the mark memory has 1 place: marks will be lost.")
    # a nose limit 2 mm short of the mean, with a spread of some 2.6 mm: not all reach beyond it
    near = ("feeder.0.nose_limit=58 mm", "feeder.0.eye.edge_sd=2.5 mm")
    (said,) = [w for w in review(card(*near)).feeders[0].warnings if "staged nose is" in w]
    assert "beyond the nose limit on average: most inserts, if not all, reach" in said


def test_a_rare_double_that_makes_a_cycle_too_long_is_counted() -> None:
    # 260 mm of pitch leave about 84 mm after a cycle of 175.6 mm: a double, 85.6 mm more at most
    # and uniform from 0, is too long in about 1.5 mm of 85.6; with 230 mm in 31.5 of 85.6.
    tight = ("carrier.pitch=230 mm", "feeder.0.insert.double=1 %", "carrier.pitch_sd=0.5 mm")
    of_cycle = next(
        row for row in shares_of(of(card(*tight))) if row.mechanism.name == "feed cycle"
    )
    assert of_cycle.share == pytest.approx(0.01 * 31.5 / 85.6, rel=0.15)


def test_what_is_too_much_only_together_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    # 0.1 % may be missed; 0.06 and 0.07 % make 1 − 0.9994·0.9993 = 0.13 %
    rows = [replace(m, share=lambda *_: 0.0) for m in MECHANISMS]
    missed = [i for i, m in enumerate(MECHANISMS) if m.figure == "missed"]
    for i, share in zip(missed, (0.0006, 0.0007), strict=False):
        rows[i] = replace(MECHANISMS[i], share=lambda *_, share=share: share)
    monkeypatch.setattr(module, "MECHANISMS", tuple(rows))
    checked = of(card())
    (said,) = refused_words(checked, refused(checked))
    names = [MECHANISMS[i].name for i in missed]
    assert said.startswith("0.13 % of the carriers are missed at 60 m/min in closed form; 0.1 %")
    assert f"{names[1]} 0.07 %, {names[0]} 0.06 %." in said


@pytest.mark.parametrize(("late", "helps"), [(0.0005, False), (0.002, True), (0.03, True)])
def test_no_mending_is_advised_of_what_hardly_counts_beside_the_rest(
    late: float, helps: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 0.3 % may lie out of tolerance: 2 % do anyhow, and late service adds less than half of 0.3 %
    shares = {"placement error": 0.02, "late service": late}
    rows = [replace(m, share=lambda *_, m=m: shares.get(m.name, 0.0)) for m in MECHANISMS]
    monkeypatch.setattr(module, "MECHANISMS", tuple(rows))
    checked = of(card())
    (said,) = refused_words(checked, refused(checked))
    assert "late service" in said
    assert ("let carriers pass it" in said) is helps


def test_the_placement_expected_is_said_to_leave_out_who_waits() -> None:
    waiting = card("controller.not_ready=engage", "feeder.0.insert.misfeed=1 %")
    words = " ".join(review(waiting).feeders[0].words)
    assert "Carriers that wait for the feeder get their insert late" in words
    assert "The placement expected above is that of the others." in words
    assert "expected above" not in " ".join(review(card()).feeders[0].words)


@pytest.mark.parametrize(("product", "warns"), [(0.99, ""), (1.01, "swings"), (2.0, "not settle")])
def test_a_loop_gain_is_warned_of_where_the_loop_held_between_cycles_cannot_bear_it(
    product: float, warns: str
) -> None:
    # held in between: x → (1 − K·T)·x, found with scipy's zero-order hold of the plant 1/s
    cycle = 1e-3
    gain = product / cycle
    plant = signal.cont2discrete(([1.0], [1.0, 0.0]), cycle, method="zoh")
    top, below = np.atleast_1d(np.squeeze(plant[0])), np.asarray(plant[1])
    poles = np.roots(np.polyadd(below, gain * top))
    assert np.max(np.abs(poles)) >= 1.0 - 1e-9 if product >= 2.0 else np.max(np.abs(poles)) < 1.0
    assert (np.min(poles.real) < 0.0) == (product > 1.0)  # it changes sides from cycle to cycle
    # one more cycle of delay: z² − z + K·T, stable below 1
    late = np.abs(np.roots([1.0, -1.0, product]))
    assert (np.max(late) < 1.0) == (product < 1.0)
    said = review(card(f"feeder.0.servo.loop_gain={gain} 1/s")).feeders[0].warnings
    assert [line for line in said if "loop gain" in line] == [
        x for x in said if warns and warns in x
    ]
    assert bool(warns) == any("loop gain" in line for line in said)


def two(second: str) -> list[str]:
    at = TEXT.index("[[feeder]]")
    other = TEXT[at:].replace('"card feeder"', '"second feeder"')
    for change in second.split(";"):
        key, _, value = change.partition("=")
        lines = other.splitlines()
        other = "\n".join(f'{key} = "{value}"' if x.startswith(f"{key} =") else x for x in lines)
    return review(scenario_from_text(f"{TEXT}\n{other}\n")).warnings


def test_feeders_at_one_place_and_inserts_on_each_other_are_told() -> None:
    one_place, on_it = "have one placement point, 400 mm from", "lands {} on that of card feeder"
    same = " ".join(two("name=second feeder"))
    assert one_place in same
    assert on_it.format("85.6 mm") in same
    # 20 to 105.6 mm, and from 100 mm on: 5.6 mm
    apart = " ".join(two("eye_to_placement=700 mm;target_offset=100 mm"))
    assert one_place not in apart
    assert on_it.format("5.6 mm") in apart
    assert not two("eye_to_placement=700 mm;target_offset=105.6 mm")


def test_an_overlap_that_the_recipe_speaks_of_is_meant() -> None:
    at = TEXT.index("[[feeder]]")
    other = TEXT[at:].replace('"card feeder"', '"second feeder"').replace('"400 mm"', '"700 mm"')
    recipe = f"{TEXT}\n{other}\n[product]\nmay_overlap = true\n"
    assert not any("lands" in line for line in review(scenario_from_text(recipe)).warnings)


@pytest.mark.parametrize("key", ["grip_end", "nose_limit"])
def test_a_default_place_on_a_geometry_of_its_own_is_told(key: str) -> None:
    def said(text: str) -> list[str]:
        return review(scenario_from_text(text)).feeders[0].warnings

    without = "\n".join(line for line in TEXT.splitlines() if not line.startswith(key))
    assert not said(without)  # 120 mm, to which the defaults belong
    longer = without.replace(
        'insert_eye_to_placement = "120 mm"', 'insert_eye_to_placement = "130 mm"'
    )
    assert any(line.startswith(f"{key} is not given") for line in said(longer))


def test_the_largest_source_of_spread_is_named_with_its_share() -> None:
    # the guide's page spread: closing and opening tick have 39.0 % each, both of the motion cycle
    words = " ".join(review(card()).feeders[0].words)
    assert "standard deviation 0.4623 mm, 78 % of its variance from motion cycle." in words


def test_only_all_is_said_to_be_all() -> None:
    few = card("acceptance.placement_tolerance=1.7 mm", "acceptance.within_tolerance=99.9999 %")
    (told,) = (w for w in review(few).feeders[0].warnings if "keeps only" in w)
    assert "(99.9999 % wanted)" in told
    assert "100 %" not in told


def test_a_stage_that_auto_chose_on_locked_ticks_is_no_warning() -> None:
    # scan and motion cycle of 2 ms at 70 m/min: a step is 2.33 mm, so "auto" is up to 1.17 mm off
    locked = ("feeder.0.eye.capture=scanned", "controller.motion_cycle=2 ms", "line.speed=70 m/min")
    tight = ("acceptance.placement_tolerance=0.5 mm",)
    found = [
        warnings(*locked, *tight, *more)
        for more in ((), ("feeder.0.settings.disengage_lead=5 ms",))
    ]
    assert not any("stage an insert" in said for said in found[0])
    assert any("stage an insert" in said for said in found[1])


def warnings(*changes: str) -> list[str]:
    return review(card(*changes)).feeders[0].warnings


@pytest.mark.parametrize(
    ("share", "hint"),
    [
        ("0 %", None),
        ("0.95 %", 'If the fraction 0.95 was meant, write "95 %"; without feedforward'),
        ("1 %", 'If the fraction 1 was meant, write "100 %"; without feedforward'),
        # a feedforward is 100 % at most, so that no fraction was meant
        ("2 %", 'Without feedforward, write "0 %"'),
        ("4.9 %", 'Without feedforward, write "0 %"'),
        ("5 %", None),
    ],
)
def test_a_feedforward_below_five_per_cent_that_is_not_none_is_told(
    share: str, hint: str | None
) -> None:
    said = review(card(f"feeder.0.servo.velocity_feedforward={share}")).feeders[0].warnings
    found = [line for line in said if "velocity feedforward" in line]
    assert len(found) == (hint is not None)
    assert all(hint in line for line in found if hint)


@pytest.mark.parametrize(
    "key",
    [
        "controller.scan",
        "controller.motion_cycle",
        "carrier_eye.response",
        "carrier_eye.off_response",
        "feeder.0.eye.filter_time",
        "feeder.0.servo.command_delay",
    ],
)
def test_a_time_in_a_wrong_unit_is_told(key: str) -> None:
    (said,) = [line for line in review(card(f"{key}=500 ms")).warnings if "the unit" in line]
    assert said.startswith(f"{key} is 500 ms: more than ")
    assert not any("the unit" in line for line in review(card(f"{key}=0.5 ms")).warnings)
