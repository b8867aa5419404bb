"""A whole trial: what is said of it, and what is drawn."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.trial.figure import trial_figures
from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.answers.trial.study.expected import spread_parts
from feedsim.answers.trial.study.fit import TrialFit, fit_trial
from feedsim.answers.trial.text import fit_text
from feedsim.errors import FeedsimError
from feedsim.metrics.plain import as_object
from feedsim.render.canvas import render
from feedsim.render.json_text import json_text
from feedsim.scenario import Scenario, load_scenario, override

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SPEEDS = np.array([400.0, 600.0, 800.0, 1000.0])
NAN = float("nan")


def scenario(*changes: str) -> Scenario:
    return override(load_scenario(SCENARIOS / "trial_reply_card.toml"), changes)


def trial(
    *,
    a: float = 0.0,
    b: float = 0.0,
    fixed: float = 0.26,
    time: float = 0.22e-3,
    each: int = 50,
    stage: bool = True,
    speeds: np.ndarray = SPEEDS,
    seed: int = 1,
    feeder: int = 0,
    first: int = 2,
) -> TrialData:
    """Return normal errors about a + b·v with the spread of fixed and time."""
    rng = np.random.Generator(np.random.PCG64(seed))
    v = np.repeat(speeds, each)
    n = len(v)
    error = a + b * v + rng.normal(size=n) * np.hypot(fixed, time * v)
    staged = 70.0 + rng.normal(size=n) * np.hypot(0.15, 0.16e-3 * v)
    return TrialData(
        row=np.arange(first, n + first),
        feeder=np.full(n, feeder),
        speed_mm_s=v,
        error_mm=error,
        stage_mm=staged if stage else np.full(n, NAN),
        carriers=np.ones(n, dtype=np.int64),
        missed=np.full(n, UNKNOWN),
        blank=0,
        others=(),
        error_step_mm=0.0,
        stage_step_mm=0.0,
    )


def text_of(fit: TrialFit, units: str = "metric") -> str:
    return fit_text(fit, units=units)  # type: ignore[arg-type]


def test_what_is_as_expected_is_left_alone_and_said_to_be() -> None:
    fit = fit_trial(scenario(), trial())
    feeder = fit.feeders[0]
    assert feeder.new == feeder.old
    assert feeder.would_explain == ()
    assert all(there.placement.mean_as_expected for there in feeder.speeds)
    text = text_of(fit)
    assert text.count("leave it") == 2
    assert "does not explain" not in text
    assert "outside of what" not in text


def test_jitter_that_the_scenario_does_not_explain() -> None:
    # 0.8 ms more than the 0.22 ms of the budget: √(0.83² − 0.22²)
    fit = fit_trial(scenario(), trial(time=math.hypot(0.22e-3, 0.8e-3), each=200))
    spread = fit.feeders[0].placement_spread
    assert spread is not None
    assert spread.more_time_s is not None
    assert spread.more_time_s.low < 0.8e-3 < spread.more_time_s.high
    assert spread.more_time_s.value == pytest.approx(0.8e-3, rel=0.1)
    assert spread.more_fixed_mm is None
    text = text_of(fit)
    assert "of jitter that the scenario does not explain" in text
    assert "look at the carrier side" in text  # the stage spreads as expected


def test_more_spread_at_every_speed() -> None:
    fit = fit_trial(scenario(), trial(fixed=0.8, each=200, stage=False, seed=3))
    spread = fit.feeders[0].placement_spread
    assert spread is not None
    assert spread.more_time_s is None
    assert spread.more_fixed_mm is not None
    assert spread.more_fixed_mm.value == pytest.approx(math.sqrt(0.8**2 - 0.255**2), rel=0.1)
    assert "at every speed that the scenario" in text_of(fit)


def test_less_spread_than_expected_and_one_speed() -> None:
    fit = fit_trial(scenario(), trial(fixed=0.05, time=0.02e-3, speeds=np.array([1000.0])))
    spread = fit.feeders[0].placement_spread
    assert spread is not None
    assert spread.less_fixed
    text = text_of(fit)
    assert "The scenario expects more of the fixed part" in text
    assert "one speed does not show how much of it is a time" in " ".join(text.split())
    assert "All of it is put on the distance" in text.replace("\n", " ")


def test_the_budget_is_that_of_the_sources() -> None:
    # variances A + B·v², by hand: 0.04 + 1e-7·v², and 0.3 mm steps: 0.09/12 more
    sds = [math.sqrt(0.04 + 1e-7 * v * v) for v in SPEEDS]
    found = spread_parts(SPEEDS.tolist(), sds, step_mm=0.3)
    assert found.fixed_mm == pytest.approx(math.sqrt(0.04 + 0.09 / 12.0))
    assert found.time_s == pytest.approx(math.sqrt(1e-7))


def with_outliers() -> TrialData:
    data = trial(a=1.0)
    data.error_mm[7] += 6.0
    data.stage_mm[120] -= 4.0
    return data


def test_outliers_are_named_by_row_and_left_out() -> None:
    fit = fit_trial(scenario(), with_outliers())
    feeder = fit.feeders[0]
    assert {out.row for out in feeder.outliers} == {9, 122}
    # what is left is what was there before, less two rows, wherever it is said
    data = trial(a=1.0)
    clean = fit_trial(scenario(), data.without({9, 122})).feeders[0]
    assert feeder.found.engage == clean.found.engage
    assert feeder.found.disengage == clean.found.disengage
    assert feeder.new == clean.new
    assert feeder.placement_spread == clean.placement_spread
    assert feeder.stage_spread == clean.stage_spread
    assert [(at.placement, at.stage) for at in feeder.speeds] == [
        (at.placement, at.stage) for at in clean.speeds
    ]
    assert [at.carriers for at in feeder.speeds] == [50] * 4  # they came, and were not missed
    assert feeder.otherwise is not None
    kept = fit_trial(scenario(), with_outliers(), keep_outliers=True).feeders[0]
    assert feeder.otherwise.engage == kept.found.engage
    assert kept.otherwise is not None
    assert kept.otherwise.engage == feeder.found.engage
    text = text_of(fit)
    assert "2 values stick out; left out of lines, spreads and corrections:" in text
    assert "With them, to be added: engage distance" in text
    assert feeder.outliers_left_out is True
    assert feeder.without_outliers is None


def test_spread_of_outliers_is_not_called_jitter() -> None:
    # the fault that this would have caught: a card or two at high speed that sit 7 mm off
    data = trial(each=50, stage=False)
    for place in (160, 175):
        data.error_mm[place] += 7.0
    assert "jitter" not in text_of(fit_trial(scenario(), data))
    kept = fit_trial(scenario(), data, keep_outliers=True)
    spread = kept.feeders[0].placement_spread
    assert spread is not None
    assert spread.more_time_s is not None  # it would have been
    text = text_of(kept)
    assert "jitter" not in text
    assert "Outliers are in it" in text


def test_rows_to_leave_out_have_to_be_there() -> None:
    data = trial(each=2)
    assert data.without(set()).row.tolist() == data.row.tolist()
    with pytest.raises(FeedsimError, match=r"nothing was read from row 1, 400; rows .* 2 to 9"):
        data.without({1, 3, 400})
    with pytest.raises(FeedsimError, match="leaves no row"):
        data.without(range(2, 10))
    assert data.without({9, 3}).row.tolist() == [2, 4, 5, 6, 7, 8]
    assert "Left out as asked: rows 3, 9" in text_of(fit_trial(scenario(), data.without({9, 3})))


def test_misses_where_none_is_expected_are_said_and_not_tested() -> None:
    perfect = scenario(
        "carrier_eye.missed=0 %", "feeder.0.eye.missed=0 %", "feeder.0.insert.misfeed=0 %"
    )
    for count, says in ((2, "something else does"), (0, "nothing that would miss one, either")):
        data = trial(speeds=np.array([300.0]), each=60)
        data.missed[:] = 0
        data.missed[5 : 5 + count] = 1
        fit = fit_trial(perfect, data)
        missed = fit.feeders[0].missed
        assert missed is not None
        assert (missed.count, missed.probability) == (count, None)
        assert missed.expected_count == pytest.approx(0.0, abs=1e-9)  # rounding, at most
        assert says in text_of(fit)
        assert "p " not in text_of(fit).partition("Missed:")[2].partition("\n\n")[0]


def test_outliers_are_named_by_row_and_kept_if_asked() -> None:
    fit = fit_trial(scenario(), with_outliers(), keep_outliers=True)
    feeder = fit.feeders[0]
    assert {(out.row, out.column) for out in feeder.outliers} == {
        (9, "placement_error"),
        (122, "stage_position"),
    }
    assert feeder.speeds[0].placement.n == 50
    assert feeder.otherwise is not None
    clean = fit_trial(scenario(), trial(a=1.0)).feeders[0]
    assert feeder.otherwise.engage is not None
    assert clean.found.engage is not None
    assert feeder.otherwise.engage.distance_mm.value == pytest.approx(
        clean.found.engage.distance_mm.value, abs=0.03
    )
    text = text_of(fit)
    assert "row 9 (24 m/min): placement error" in text
    assert "row 122 (48 m/min): stage position" in text
    assert "Without them, to be added: engage distance" in text
    assert "THAT IS ANOTHER CORRECTION" in text


def test_an_outlier_at_a_wide_spread_is_none_and_at_a_narrow_one_is() -> None:
    # 2.2 mm are 8 standard deviations of 0.26 mm at 400 mm/s, 2 of 1.05 mm at 1000 mm/s
    for place, found in ((10, True), (160, False)):
        data = trial(fixed=0.05, time=1.0e-3, each=50, stage=False, seed=4)
        speed = data.speed_mm_s[place]
        data.error_mm[place] = 2.6 if found else 2.2
        fit = fit_trial(scenario(), data)
        rows = [out.row for out in fit.feeders[0].outliers]
        assert (place + 2 in rows) is found, speed


def test_stage_not_measured_is_said_plainly() -> None:
    text = text_of(fit_trial(scenario(), trial(a=1.5, stage=False))).replace("\n", " ")
    assert "The stage was not measured." in text
    assert "look alike: all of it is put on the engage side" in text
    corrected = scenario("feeder.0.settings.stage_correction=true")
    text = text_of(fit_trial(corrected, trial(a=1.5, stage=False))).replace("\n", " ")
    assert "nothing is known of the disengage side" in text


def test_a_bent_line_and_locked_ticks_are_said() -> None:
    data = trial(each=50, stage=False)
    data.error_mm[50:150] += 1.0
    locked = scenario("carrier_eye.capture=scanned", "controller.scan=4 ms",
                      "controller.motion_cycle=4 ms")  # fmt: skip
    text = text_of(fit_trial(locked, data)).replace("\n", " ")
    assert "does not lie on a straight line" in text
    assert "points act in steps of up to 4 mm" in text
    # what locked ticks may do to a mean is in its band: half a step of the one scanned eye
    spot = fit_trial(locked, data).feeders[0].speeds[-1].placement.band
    assert spot.mean_band_mm is not None
    assert spot.mean_band_mm.high - spot.mean_band_mm.low > 4.0


@pytest.mark.parametrize(
    ("speeds", "says"),
    [
        (SPEEDS / 60.0, "is the unit of the column right?"),
        (SPEEDS * 0.5, "lies outside the speeds that were tried"),
        (np.array([500.0, 1000.0]), "Two speeds do not show whether"),
    ],
)
def test_what_the_fit_rests_on_is_said(speeds: np.ndarray, says: str) -> None:
    fit = fit_trial(scenario(), trial(speeds=speeds))
    assert says in text_of(fit).replace("\n", " ")


def test_stage_measured_from_elsewhere_is_seen() -> None:
    data = trial()
    data.stage_mm[:] -= 70.0
    assert "measure them from the insert eye" in text_of(fit_trial(scenario(), data)).replace(
        "\n", " "
    )


def test_early_is_said_as_early() -> None:
    late, early = (text_of(fit_trial(scenario(), trial(a=a, b=a * 1e-3))) for a in (1.5, -1.5))
    assert "Late at every speed" in late
    assert "Later with speed" in late
    assert "Early at every speed" in early
    assert "Earlier with speed" in early
    assert "carrier_eye.response" in late
    assert "carrier_eye.response" not in early  # no eye of 0.5 ms is 1.5 ms faster


def test_json_holds_it_all_and_no_nan() -> None:
    fit = fit_trial(scenario(), trial(a=1.0, b=1e-3))
    plain = json.loads(json_text(as_object(fit)))
    feeder = plain["feeders"][0]
    assert feeder["engage"]["distance_mm"]["value"] == pytest.approx(-1.0, abs=0.3)
    assert feeder["settings_new"]["engage_lead_ms"] == pytest.approx(12.75, abs=0.4)
    assert feeder["would_explain"][0]["key"] == "carrier_eye.response"
    assert plain["scenario"]["title"] == "Reply card in A5 folder"


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_every_figure_can_be_drawn(units: str) -> None:
    out = trial(a=1.0)
    out.error_mm[3] = 40.0
    for data in (out, trial(stage=False), trial(speeds=np.array([500.0])), trial(each=1)):
        fit = fit_trial(scenario(), data)
        figures = trial_figures(fit, units=units)  # type: ignore[arg-type]
        assert list(figures) == ["trial_fit"]
    png = render(figures["trial_fit"], "png")
    assert png.startswith(b"\x89PNG")
    again = trial_figures(fit, units=units)["trial_fit"]  # type: ignore[arg-type]
    assert render(again, "png") == png
    labels = [axes.get_xlabel() for axes in again.axes]
    assert set(labels) == {f"line speed ({'m/min' if units == 'metric' else 'ft/min'})"}


def test_means_after_are_those_before_less_the_line() -> None:
    fit = fit_trial(scenario(), trial(a=1.0, b=1e-3))
    for there in fit.feeders[0].speeds:
        assert there.placement.mean_mm is not None
        line = fit.feeders[0].found.placement
        assert line is not None
        assert line.per_speed_s is not None
        expected = (
            there.placement.mean_mm
            - line.at_standstill_mm.value
            - line.per_speed_s.value * there.speed_mm_s
        )
        assert there.after_mm == pytest.approx(expected, abs=1e-9)


def test_two_feeders_are_told_apart() -> None:
    what = load_scenario(SCENARIOS / "two_feeders.toml")
    one = trial(a=2.0, stage=False, speeds=np.array([300.0, 600.0, 800.0]))
    two = trial(stage=False, speeds=np.array([300.0, 600.0, 800.0]), feeder=1, first=200, seed=2)
    data = TrialData(
        **{
            name: np.concatenate([getattr(one, name), getattr(two, name)])
            for name in (
                "row",
                "feeder",
                "speed_mm_s",
                "error_mm",
                "stage_mm",
                "carriers",
                "missed",
            )
        },
        blank=0,
        others=("note",),
        error_step_mm=0.0,
        stage_step_mm=0.0,
    )
    fit = fit_trial(what, data)
    assert [feeder.name for feeder in fit.feeders] == ["card feeder", "leaflet feeder"]
    assert fit.feeders[0].new != fit.feeders[0].old
    assert fit.feeders[1].new == fit.feeders[1].old
    assert set(trial_figures(fit)) == {"trial_fit-0", "trial_fit-1"}
    assert "Columns not read: note" in text_of(fit)
