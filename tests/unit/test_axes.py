"""What a sweep changes: ranges and lists as people write them."""

from __future__ import annotations

from pathlib import Path

import pytest

from feedsim.answers.sweep.study import SweepPlan
from feedsim.errors import FeedsimError
from feedsim.measures import parse
from feedsim.running.axes import changed, parse_axis, parse_speeds, speeds_of
from feedsim.scenario import load_scenario, scenario_to_dict

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"


def test_a_range_of_speeds_is_to_the_last_bit_what_one_would_write_singly() -> None:
    axis = parse_speeds("20:119.9:0.1 m/min")
    assert axis.numbers == tuple(parse(f"{v / 10} m/min", "speed") for v in range(200, 1200))


def test_the_end_of_a_range_is_one_of_its_values_if_a_step_comes_to_it() -> None:
    axis = parse_axis("feeder.0.insert.gap=0.1:0.7:0.2 mm")
    # in binary 0.1 + 3 × 0.2 is not 0.7; in decimals it is
    assert axis.values == ("0.1 mm", "0.3 mm", "0.5 mm", "0.7 mm")
    assert axis.numbers == (0.1, 0.3, 0.5, 0.7)
    assert parse_axis("a.b=1:2:0.4 mm").values == ("1.0 mm", "1.4 mm", "1.8 mm")


@pytest.mark.parametrize(
    ("text", "values", "numbers", "kind"),
    [
        ("k=40,45 mm", ("40 mm", "45 mm"), (40.0, 45.0), "length"),
        ("k=1 in, 30 mm, 2 in", ("1 in", "30 mm", "2 in"), (25.4, 30.0, 50.8), "length"),
        ("k=45,40,45 mm", ("40 mm", "45 mm"), (40.0, 45.0), "length"),
        ("k=1:5:2", ("1", "3", "5"), (1.0, 3.0, 5.0), None),
        ("k=0,0.1 %", ("0 %", "0.1 %"), (0.0, 0.001), "share"),
        ("k=skip,engage", ("skip", "engage"), (), None),
        ("k=true, false", ("true", "false"), (), None),
        ("line.speed=20,40 m/min", ("20 m/min", "40 m/min"), (1000 / 3, 2000 / 3), "speed"),
    ],
)
def test_values(
    text: str, values: tuple[str, ...], numbers: tuple[float, ...], kind: str | None
) -> None:
    axis = parse_axis(text)
    assert (axis.values, axis.numbers, axis.kind) == (values, numbers, kind)


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("feeder.0.insert.gap", "a key and its values"),
        ("=40 mm", "a key and its values"),
        ("k=", "a key and its values"),
        ("k=1,,2 mm", "a key and its values"),
        ("k=90:40:5 mm", "rises"),
        ("k=40:90:0 mm", "a step above 0"),
        ("k=40:90 mm", "a key and its values"),
        ("k=40:90:5:1 mm", "a key and its values"),
        ("k=1:2000:1 mm", "at most 1000"),
        ("k=40 mm,50 ms", "one kind, not length and time"),
        ("k=40 mm,50 widgets", "a key and its values"),
        ("line.speed=0:10:5 m/min", "above 0"),
    ],
)
def test_wrong_values(text: str, fragment: str) -> None:
    with pytest.raises(FeedsimError, match=fragment):
        parse_axis(text)


def test_speeds_of_a_scenario_equal_those_written_singly() -> None:
    speeds = 'sweep.speeds={from = "20 m/min", to = "120 m/min", step = "7 m/min"}'
    axis = speeds_of(load_scenario(CARD, overrides=[speeds]).sweep.speeds_mm_s)
    assert axis.numbers == tuple(parse(f"{v} m/min", "speed") for v in range(20, 121, 7))
    assert tuple(parse(value, "speed") for value in axis.values) == axis.numbers


def test_a_point_is_the_scenario_with_its_values() -> None:
    scenario = load_scenario(CARD)
    there = changed(scenario, [("feeder.0.insert.gap", "60 mm"), ("line.speed", "90 m/min")])
    asked = load_scenario(CARD, overrides=['feeder.0.insert.gap="60 mm"', 'line.speed="90 m/min"'])
    assert scenario_to_dict(there) == scenario_to_dict(asked)


@pytest.mark.parametrize(
    ("axis", "fragment"),
    [
        ("feeder.0.insert.gapp=40,50 mm", "there is no such key"),
        ("feeder.1.insert.gap=40,50 mm", "there is no such place"),
        ("feeder.0.insert.gap=40,50 ms", "needs a length"),
        ("feeder.0.settings.stage_position=60,130 mm", "stage_position=130 mm"),
        ("controller.late_mark=skip,wait", "needs"),
    ],
)
def test_a_sweep_that_cannot_run_is_refused_before_it_starts(axis: str, fragment: str) -> None:
    sweep = SweepPlan(load_scenario(CARD), (parse_axis(axis), speeds_of([1000.0])), 1)
    with pytest.raises(FeedsimError, match=fragment) as refused:
        sweep.check()
    assert all(line.startswith("vary ") for line in refused.value.lines)


def test_thousands_of_points_are_too_many() -> None:
    axes = (parse_axis("feeder.0.insert.gap=40:89:1 mm"), parse_speeds("20:40:1 m/min"))
    with pytest.raises(FeedsimError, match="1050 points are too many"):
        SweepPlan(load_scenario(CARD), axes, 1).check()


@pytest.mark.parametrize(
    ("text", "bound"),
    [
        ("100000 m/min", "nothing beyond 1000000 mm/s"),
        ("60,0.00001 m/min", "0 or at least 0.001 mm/s in size"),
    ],
)
def test_speeds_beyond_their_bounds_are_told_them(text: str, bound: str) -> None:
    with pytest.raises(FeedsimError) as caught:
        parse_speeds(text)
    assert caught.value.faults[0].allowed.endswith(f"; {bound}")
