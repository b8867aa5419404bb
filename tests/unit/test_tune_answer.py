"""A tune of a small line from Python: what it says, and that what it says is so."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

import feedsim
from feedsim.answers.data import described
from feedsim.answers.limit.study.closed import excess_at
from feedsim.answers.tune.answer import Tune, asked, needs
from feedsim.cli.tune import _written
from feedsim.errors import FeedsimError
from feedsim.measures import parse
from feedsim.metrics.intervals import Interval

pytestmark = pytest.mark.usefixtures("quick_engine")

SCENARIOS = Path(__file__).parents[2] / "scenarios"
STAGE = "feeder.0.settings.stage_position"
CYCLE = "controller.motion_cycle"


def line(**changes: Any) -> feedsim.Line:
    """Return the coupon without the knobs of its file, and few carriers."""
    few = {"run.carriers": 1000, "tune.carriers": 1000, "tune.draws": 60}
    keys = {"tune.knob": [], "tune.unsure": [], **few, **changes}
    return feedsim.load(SCENARIOS / "coupon.toml").but(keys)


@pytest.fixture(scope="module")
def found() -> Tune:
    """At 130 m/min: a stage to choose, a cycle that matters, and an eye edge that does not."""
    return feedsim.tune(
        line(),
        knobs=[f"{STAGE}=70:110:2 mm", f"{CYCLE}=0.5,1 ms", "carrier_eye.off_response=0.4,0.5 ms"],
        aim="spread",
        speed="130 m/min",
    )


def test_the_shorter_cycle_buys_spread_and_the_eye_does_not_matter(found: Tune) -> None:
    assert found.changes()[CYCLE] == "0.5 ms"
    assert found.best.verdict == "accepted"
    (cycle,) = (term for term in found.terms if term.key == CYCLE)
    assert cycle.worth is not None
    assert cycle.interval is not None
    assert cycle.told_apart
    # two ticks, each even over T, act on a placement: T/√6 in all (Bennett 1948), so of the
    # variance v²(T₁² − T₂²)/6 goes; at 130 m/min 0.5867 mm²
    v = parse("130 m/min", "speed")
    assert cycle.without is not None
    gone = cycle.without**2 - (cycle.without - cycle.worth) ** 2
    assert gone == pytest.approx(v**2 * (1e-3**2 - 0.5e-3**2) / 6.0, rel=0.05)
    (eye,) = (knob for knob in found.knobs if knob.key == "carrier_eye.off_response")
    assert not eye.matters
    row = next(row for row in found.text().splitlines() if "off_response" in row)
    assert "does not matter" in row or "stays" in row


def test_the_terms_are_worth_about_as_much_as_all_together(found: Tune) -> None:
    """Here one change alone matters: so it is worth what all of them are."""
    assert found.gain is not None
    assert found.gain_interval is not None
    (cycle,) = (term for term in found.terms if term.key == CYCLE)
    low, high = found.gain_interval
    assert cycle.interval is not None
    assert low <= cycle.interval.high
    assert cycle.interval.low <= high


def test_the_window_of_the_stage_is_what_brute_force_finds(found: Tune) -> None:
    (window,) = (window for window in found.windows if window.key == STAGE)
    changes = found.changes()
    accepted = []
    for mm in range(70, 111, 2):
        try:
            there = line().but({**changes, STAGE: f"{mm} mm"}).scenario
        except FeedsimError:
            continue
        if not excess_at(there, window.line_speed_mm_s).refused:
            accepted.append(mm)
    assert window.held.low == f"{min(accepted)} mm"
    assert window.held.high == f"{max(accepted)} mm"
    assert window.held.binds == ("tail held", "nose strike")
    # simulated, all by itself: just inside none of the figures fails, far beyond one does
    assert window.low is not None
    assert window.high is not None
    for text, fine in ((window.low, True), (window.high, True), ("70 mm", False)):
        ran = feedsim.run(line().but({**changes, STAGE: text, "line.speed": "130 m/min",
                                      "run.carriers": 20_000}))  # fmt: skip
        assert ran.feeders[0].jam_risk.share is not None
        assert (ran.feeders[0].jam_risk.share <= 0.003) is fine


def test_fronts_rise_with_speed_and_the_best_spreads_less_than_now(found: Tune) -> None:
    _, spread = found.fronts
    values = [point.value or 0.0 for point in spread.points]
    assert values == sorted(values)
    for best, now in zip(spread.points, spread.now, strict=True):
        assert best.line_speed_mm_s == now.line_speed_mm_s
        assert best.interval is not None
        assert now.interval is not None
        assert best.interval.high < now.interval.low


def test_data_follow_their_schema_and_columns_are_whole(found: Tune) -> None:
    data = json.loads(found.json())
    Draft202012Validator(described("tune")).validate(data)
    assert [window["key"] for window in data["windows"]] == [knob.key for knob in found.knobs]
    with pytest.raises(Exception, match="additional"):
        Draft202012Validator(described("tune")).validate({**data, "more": 1})
    tables = found.tables()
    assert list(tables) == ["tune", "fronts"]
    assert tables["tune"]["key"] == [knob.key for knob in found.knobs]
    assert len(tables["fronts"]["value"]) == 4 * len(found.fronts[0].points)


def test_it_fits_a_screen_and_says_whether_it_is_accepted(found: Tune) -> None:
    lines = found.text().splitlines()
    assert len(lines) <= 40
    assert any(row.startswith("ACCEPTED at 130 m/min") for row in lines)
    assert list(found.figures()) == ["tune", "windows", "fronts"]
    assert list(found.files()) == [
        "tune.json", "tune.csv", "fronts.csv",
        *(f"{name}.{kind}" for name in ("tune", "windows", "fronts") for kind in ("png", "svg")),
    ]  # fmt: skip


def test_where_nothing_is_accepted_it_says_what_cannot_be_met() -> None:
    found = feedsim.tune(line(), knobs=[f"{STAGE}=60:70:5 mm"], aim="jam_risk", speed="150 m/min")
    assert not found.feasible
    assert (found.terms, found.windows, found.fronts, found.changes()) == ((), (), (), {})
    text = found.text()
    assert "NOT ACCEPTED: no setup of these is." in text
    assert "jam risk" in text
    assert found.figures() == {}
    assert "fronts.csv" not in found.files()
    Draft202012Validator(described("tune")).validate(json.loads(found.json()))


def only_now_is_possible(found: Tune) -> Tune:
    """Return a tune whose stage is at 60 mm and may be 95 to 105 mm, of which there is no line."""
    (stage,) = (knob for knob in found.knobs if knob.key == STAGE)
    (window,) = (window for window in found.windows if window.key == STAGE)
    return replace(
        found,
        scenario=asked(line(**{STAGE: "60 mm"}), knobs=[f"{STAGE}=95:105:5 mm"]).scenario,
        terms=(),
        knobs=(replace(stage, now="60 mm", best="60 mm"),),
        windows=(
            replace(
                window,
                best="60 mm",
                had=("60 mm", "105 mm"),
                held=replace(window.held, low="60 mm", high="60 mm"),
                retuned=replace(window.retuned, low="60 mm", high="60 mm"),
                simulated=None,
                values=(60.0, 95.0, 100.0, 105.0),
                times=(0.1, math.inf, math.inf, math.inf),
            ),
        ),
    )


def test_nothing_is_drawn_between_what_is_now_and_what_no_line_can_have(found: Tune) -> None:
    figure = only_now_is_possible(found).figures()["windows"]
    (axes,) = figure.axes
    assert axes.get_title() == "best 60 mm; accepted at 60 mm alone"
    for drawn in axes.lines:
        x, y = (np.asarray(part, dtype=float) for part in drawn.get_data())
        if len(x) > 1 and drawn.get_linestyle() == "-" and drawn.get_gid() != "retuned":
            both = np.isfinite(y[:-1]) & np.isfinite(y[1:])
            assert not (both & (x[:-1] != x[1:])).any()
    crosses = [drawn for drawn in axes.lines if drawn.get_marker() == "x"]
    assert [list(drawn.get_xdata()) for drawn in crosses] == [[95.0, 100.0, 105.0]]
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "no such line" in labels
    # the other one has all values possible, so no such entry
    labels = [text.get_text() for text in found.figures()["windows"].legends[0].get_texts()]
    times = [time for window in found.windows for time in window.times]
    assert ("no such line" in labels) is not np.isfinite(times).all()


def test_a_range_of_which_nothing_is_possible_is_told(found: Tune) -> None:
    row = next(row for row in only_now_is_possible(found).text().splitlines() if STAGE in row)
    assert row.endswith("none of its values is possible")
    assert "is possible" not in found.text()


def test_what_is_to_be_small_is_less_not_plus(found: Tune) -> None:
    less = replace(found, gain=0.159, gain_interval=Interval(0.14, 0.18))
    said = " ".join(less.text().split())
    assert "All changes together: 0.159 mm less (95 %: 0.140 mm less to 0.180 mm less)." in said
    assert "buys (mm less; 95 %)" in said
    risk = replace(less, aim="jam_risk", gain=0.012, gain_interval=None)
    assert "together: 1.2 percentage points less" in " ".join(risk.text().split())
    fast = replace(less, aim="speed", gain=1000.0, gain_interval=Interval(900.0, 1100.0))
    said = " ".join(fast.text().split())
    assert "All changes together: +60.0 (95 %: +54.0 to +66.0) m/min" in said


def test_words_say_when_an_interval_holds_nothing_or_there_is_none(found: Tune) -> None:
    (cycle,) = (term for term in found.terms if term.key == CYCLE)
    for changed, words in (
        (replace(cycle, interval=Interval(-0.1, 0.2)), "perhaps nothing"),
        (replace(cycle, without=None, worth=None, interval=None), "without it nothing is accepted"),
        (replace(cycle, possible=False, worth=None, interval=None), "cannot be taken back alone"),
    ):
        assert words in replace(found, terms=(changed,)).text()


@pytest.mark.parametrize(
    ("keys", "named"),
    [
        ({"knobs": ["feeder.0.settings.stage_positon=40:90 mm"]}, "stage_position"),
        ({"knobs": ["controller.motion_cycle"]}, "knobs"),
        ({"knobs": [f"{STAGE}=90:40:1 mm"]}, f"knobs {STAGE}: found"),
        ({"knobs": [f"{STAGE}=40:90:1 mm"], "unsure": ["carrier_eye.response=±"]}, "unsure"),
        ({"knobs": [f"{STAGE}=40:90:1 mm"], "speed": "80 m/min"}, "speed: "),
        ({"knobs": [f"{STAGE}=40:90:1 mm"], "assurance": "10 %"}, "assurance: "),
        ({}, "knobs"),
        ({"knobs": [f"{CYCLE}=1 ms"]}, f"knobs {CYCLE}: found 1 ms; needs a value other than"),
        ({"knobs": [f"{CYCLE}=0.5,1 ms"], "jobs": 0}, "jobs: found 0; needs at least 1"),
    ],
)
def test_what_is_wrong_is_told_with_its_key(keys: dict[str, Any], named: str) -> None:
    with pytest.raises(FeedsimError, match=named):
        feedsim.tune(line(), **keys)


def test_knobs_of_the_call_take_the_place_of_those_in_the_file() -> None:
    given = asked(feedsim.load(SCENARIOS / "coupon.toml"), knobs=[f"{STAGE}=40:60:10 mm"])
    assert given.scenario.tune is not None
    stage = [knob for knob in given.scenario.tune.knob if knob.key == STAGE]
    assert [(k.values.start, k.values.end) for k in stage] == [("40 mm", "60 mm")]
    assert len(given.scenario.tune.knob) == 4


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"gain": -0.01}, "fresh runs call the best setup worse than what is now"),
        ({"verdict": "refused"}, "fresh runs refuse the best setup"),
        ({"verdict": "open"}, "of which fresh runs do not decide whether it is accepted"),
        ({}, "with the best setup for 130 m/min"),
    ],
)
def test_what_fresh_cards_speak_against_is_not_written(
    found: Tune, changed: dict[str, Any], said: str, tmp_path: Path
) -> None:
    verdict = changed.pop("verdict", found.best.verdict)
    judged = replace(found.best_nominal, verdict=verdict)
    there = replace(found, best_nominal=judged, **changed)
    text, last = _written(there, SCENARIOS / "coupon.toml", [], tmp_path / "new.toml")
    assert said in last
    spoken = last.endswith("was not written")
    assert (text is None) is spoken is (said.startswith("fresh runs"))
    assert (said.casefold() in " ".join(there.text().split()).casefold()) is spoken


def test_an_assurance_that_takes_more_machines_than_are_asked_for_says_so() -> None:
    """0.999^4380 = 1.249 %, below the 1.25 % of an end; 0.95^86 = 1.21 % needs fewer than 200."""
    for assurance, said in (("99.9 %", "takes 4380 drawn machines"), ("95 %", "")):
        unsure = ["carrier_eye.response=±0.1 ms"]
        given = asked(line(**{"tune.draws": 200}), knobs=[f"{STAGE}=70:110:2 mm"], unsure=unsure,
                      assurance=assurance)  # fmt: skip
        assert said in needs(given)
        assert bool(needs(given)) is bool(said)


def test_what_is_now_is_told_in_the_unit_of_what_can_be_had(found: Tune) -> None:
    (cycle,) = (knob for knob in found.knobs if knob.key == CYCLE)
    assert (cycle.now, cycle.best) == ("1 ms", "0.5 ms")
