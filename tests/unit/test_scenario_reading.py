"""Reading correct scenarios: defaults, units, files."""

import math
import os
import pickle
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

import feedsim
from feedsim.errors import Fault, FeedsimError
from feedsim.scenario import (
    load_scenario,
    scenario_from_dict,
    scenario_from_text,
    starter_text,
)
from feedsim.scenario.table_file import read_table
from tests.cli.bad_scenarios.table import BASE, changed

SHORTEST = """
title = "Shortest"
line.speed = "200 ft/min"
carrier = {length = "8.25 in", pitch = "260 mm"}
[[feeder]]
name = "one"
eye_to_placement = "0.4 m"
insert_eye_to_placement = "120 mm"
insert = {length = "85.6 mm", gap = "70 mm"}
settings = {target_offset = "20 mm", stage_position = "60 mm"}
"""

# Every default of the file format, in mm, s, mm/s, mm/s^2, 1/s and shares.
EYE = {
    "response": 0.0005,
    "response_jitter": 0.0,
    "off_response": 0.0005,
    "edge_sd": 0.0,
    "missed": 0.0,
    "capture": "latched",
    "filter_time": 0.0,
}
DEFAULTS = {
    "title": "Shortest",
    "seed": 1,
    "run": {"carriers": 5000, "warm_up": 20, "master": "encoder", "start": "staged"},
    "line": {
        "speed": 1016.0,
        "acceleration": 500.0,
        "profile": (),
        "encoder": {
            "kind": "incremental",
            "counts_per_rev": 10000,
            "wheel_circumference": 500.0,
            "scale_error": 0.0,
            "home_time": 10.0,
        },
    },
    "carrier": {
        "length": 209.55,
        "pitch": 260.0,
        "pitch_sd": 0.0,
        "min_gap": 0.0,
        "arrival": "paced",
        "record": (),
        "record_speed": None,
        "after_record": "repeat",
        "missing": 0.0,
        "slip": 0.0,
        "slip_sd": 0.0,
    },
    "carrier_eye": EYE,
    "controller": {
        "scan": 0.002,
        "motion_cycle": 0.001,
        "speed_filter": 0.0,
        "search_limit": 10_000.0,
        "mark_memory": 8,
        "late_mark": "skip",
        "not_ready": "skip",
    },
    "feeder": (
        {
            "name": "one",
            "eye_to_placement": 400.0,
            "insert_eye_to_placement": 120.0,
            "grip_end": 100.0,
            "nose_limit": 95.0,
            "jog_speed": 100.0,
            "insert": {
                "length": 85.6,
                "gap": 70.0,
                "gap_sd": 0.0,
                "min_gap": 0.0,
                "slip": 0.0,
                "slip_sd": 0.0,
                "misfeed": 0.0,
                "double": 0.0,
                "magazine": 0,
                "magazine_warning": 0,
                "refill_time": 30.0,
            },
            "eye": EYE,
            "double_check": {"finds": 0.0, "false_alarm": 0.0, "action": "count"},
            "clutch": {"ramp": "time", "ramp_in": 0.02, "ramp_out": 0.02, "settle": 0.0},
            "servo": {
                "loop_gain": 200.0,
                "velocity_feedforward": 0.8,
                "max_acceleration": 150_000.0,
                "command_delay": 0.0,
            },
            "settings": {
                "target_offset": 20.0,
                "stage_position": 60.0,
                "engage_distance": "auto",
                "engage_lead": "auto",
                "disengage_distance": "auto",
                "disengage_lead": "auto",
                "speed_ratio": 1.0,
                "speed_trim": 0.0,
                "stage_correction": False,
                "resolution": {"distance": 0.0, "distance_counts": 0, "lead": 0.0, "ratio": 0},
            },
            "drive": None,
        },
    ),
    "limits": {"speed_mismatch": 0.05, "overhang": 0.0, "jam_probability": None},
    "product": None,
    "divert": None,
    "supervision": None,
    "fault": (),
    "adjust": (),
    "tune": None,
    "acceptance": {
        "placement_tolerance": 1.5,
        "within_tolerance": 0.997,
        "missed": 0.001,
        "jam_risk": 0.001,
    },
}


def test_every_default_of_the_file_format():
    got = scenario_from_text(SHORTEST).model_dump(exclude={"sweep"})
    assert got == DEFAULTS


def test_default_sweep_is_every_10_m_min_from_20_to_120():
    speeds = scenario_from_text(SHORTEST).sweep.speeds_mm_s
    assert speeds == pytest.approx([1000 * v / 60 for v in range(20, 121, 10)], rel=1e-14)


@pytest.mark.parametrize(("speeds", "m_per_min"), [
    ('["30 m/min", "100 ft/min", "30 m/min"]', [30, 30.48, 30]),
    ('{from = "30 m/min", to = "30 m/min", step = "1 m/min"}', [30]),
    ('{from = "30 m/min", to = "30.9 m/min", step = "0.1 m/min"}',
     [30, 30.1, 30.2, 30.3, 30.4, 30.5, 30.6, 30.7, 30.8, 30.9]),
    ('{from = "30 m/min", to = "45 m/min", step = "10 m/min"}', [30, 40]),
    # in floats the last one lies a hair beyond the end
    ('{from = "10 m/min", to = "20 m/min", step = "1 m/min"}', list(range(10, 21))),
])  # fmt: skip
def test_sweep_speeds(speeds, m_per_min):
    scenario = scenario_from_text(changed(("sweep/speeds", speeds)))
    assert scenario.sweep.speeds_mm_s == pytest.approx(
        [v * 1000 / 60 for v in m_per_min], rel=1e-13
    )


def test_a_ramp_is_a_time_or_a_travel():
    clutch = scenario_from_text(BASE).feeder[0].clutch
    assert (clutch.ramp_in, clutch.ramp_out) == (0.02, 0.02)
    text = changed(
        ("feeder.clutch/ramp", '"travel"'),
        ("feeder.clutch/ramp_in", '"1 in"'),
        ("feeder.clutch/ramp_out", None),
    )
    clutch = scenario_from_text(text).feeder[0].clutch
    assert (clutch.ramp_in, clutch.ramp_out) == (25.4, 20.0)  # 20 mm where nothing is said


def test_a_profile():
    profile = '[["0 s", "0 m/min"], ["5 s", "60 m/min"], ["0.1 min", "30 m/min"]]'
    line = scenario_from_text(changed(("line/profile", profile))).line
    assert line.profile == ((0.0, 0.0), (5.0, 1000.0), (6.0, 500.0))


def test_values_at_their_bounds_are_allowed():
    text = changed(
        ("/seed", str(2**63 - 1)),
        ("run/warm_up", "0"),
        ("carrier/pitch", '"210 mm"'),  # no gap at all, paced
        ("carrier/missing", '"99 %"'),
        ("carrier_eye/response_jitter", '"0.5 ms"'),  # as long as the response
        ("controller/scan", '"0 s"'),
        ("controller/mark_memory", "1"),
        ("feeder.insert/misfeed", '"100 %"'),
        ("feeder.insert/min_gap", '"70 mm"'),  # as long as the gap
        ("feeder.servo/loop_gain", '"inf 1/s"'),
        ("feeder.servo/max_acceleration", '"inf m/s^2"'),
        ("feeder.settings/target_offset", '"0 mm"'),
        ("feeder.settings/stage_position", '"119.9 mm"'),  # beyond the nose limit: a run shows it
        ("feeder.settings/engage_distance", '"-12 mm"'),
        ("feeder.settings/engage_lead", '"-10 s"'),
        ("feeder.settings/speed_ratio", "10"),
    )
    scenario = scenario_from_text(text)
    settings = scenario.feeder[0].settings
    assert (settings.engage_distance, settings.engage_lead) == (-12.0, -10.0)
    assert type(settings.speed_ratio) is float
    assert scenario.feeder[0].servo.loop_gain == math.inf


@pytest.mark.parametrize(
    ("length", "gap", "pitch"),
    [("2.4", "0.7", "3.1"), ("2.6", "0.3", "2.9"), ("5.2", "0.2", "5.4")],
)
def test_sums_that_floats_round_up_are_no_geometry_fault(length, gap, pitch):
    """A pitch of just length and gap is allowed, and in floats their sum is more here."""
    text = changed(
        ("carrier/length", f'"{length} in"'),
        ("carrier/min_gap", f'"{gap} in"'),
        ("carrier/pitch", f'"{pitch} in"'),
    )
    carrier = scenario_from_text(text).carrier
    assert carrier.length + carrier.min_gap > carrier.pitch


def test_two_feeders():
    start, end = BASE.index("[[feeder]]"), BASE.index("[limits]")
    second = changed(("feeder/name", '"second"'), base=BASE[start:end])
    scenario = scenario_from_text(BASE + second)
    assert [feeder.name for feeder in scenario.feeder] == ["first feeder", "second"]


def test_a_scenario_cannot_be_changed():
    scenario = scenario_from_text(BASE)
    with pytest.raises(ValidationError, match="frozen"):
        scenario.line.speed = 5.0  # type: ignore[misc]
    assert isinstance(hash(scenario), int)
    assert pickle.loads(pickle.dumps(scenario)) == scenario  # noqa: S301 - our own


def test_the_starter_is_correct_and_shows_every_key():
    scenario = scenario_from_text(starter_text())
    written, resolved = tomllib.loads(starter_text()), scenario.model_dump()

    def keys(table: object, path: str = "") -> set[str]:
        if isinstance(table, (list, tuple)) and table and isinstance(table[0], dict):
            table = table[0]
        if not isinstance(table, dict):
            return {path}
        return {path}.union(*(keys(inner, f"{path}.{name}") for name, inner in table.items()))

    ranges = {".sweep.speeds.from", ".sweep.speeds.to", ".sweep.speeds.step"}
    names = {".sweep.speeds.from_mm_s", ".sweep.speeds.to_mm_s", ".sweep.speeds.step_mm_s"}
    recorded = {".carrier.record", ".carrier.record_speed", ".carrier.after_record"}
    stopping = {
        ".product",
        ".divert",
        ".supervision",
        ".fault",
        ".adjust",
        ".tune",
        ".limits.jam_probability",
        ".feeder.drive",
    }
    assert keys(written) - ranges == keys(resolved) - names - recorded - stopping
    for table in stopping:  # shown, but not in force
        assert f"\n# [{table[1:]}]" in starter_text().replace("[[", "[").replace("]]", "]")
    for key in recorded:  # they have no place beside the pitch that is shown
        assert f"\n# {key.rpartition('.')[2]} = " in starter_text()
    # Noise of every sort, so that nobody starts with a run too regular to be true.
    feeder = scenario.feeder[0]
    assert scenario.carrier.pitch_sd == feeder.insert.gap_sd == 2.0
    for eye in (scenario.carrier_eye, feeder.eye):
        assert eye.edge_sd == pytest.approx(0.1)
        assert eye.response_jitter == pytest.approx(0.0001)
    # Each key has its comment but those that say they are the same as above.
    bare = [line for line in starter_text().splitlines() if " = " in line and "#" not in line[3:]]
    assert len(bare) == len(EYE) + 1  # the insert eye's, and the sweep's speeds


def test_the_starter_s_tune_table_is_right_as_soon_as_it_is_uncommented_and_shows_every_key():
    before, _, shown = starter_text().partition("# [tune]")
    text = before + "[tune]" + re.sub(r"(?m)^# ?", "", shown)
    tune = scenario_from_text(text).tune
    assert tune is not None
    assert [knob.key for knob in tune.knob] == ["feeder.0.settings.stage_position"]
    assert [unsure.key for unsure in tune.unsure] == ["feeder.0.insert.gap"]
    for section in (tune, tune.knob[0], tune.unsure[0]):
        for name in type(section).model_fields:
            assert re.search(rf"\b{name}( = |\]\])", shown), name
    plain = scenario_from_text(SHORTEST + "[tune]").tune
    assert plain is not None
    defaults = ("aim", "assurance", "draws", "carriers")
    assert [getattr(tune, k) for k in defaults] == [getattr(plain, k) for k in defaults]


def test_files(tmp_path):
    path = tmp_path / "a b.toml"
    path.write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert load_scenario(path) == load_scenario(str(path)) == scenario_from_text("\ufeff" + BASE)


@pytest.mark.parametrize(("name", "fragment"), [
    ("none.toml", "there is no such file"),
    ("", "is a folder"),
    ("null\0.toml", "cannot be read"),
    ("x" * 300, "cannot be read"),
    ("file.toml/inner.toml", "cannot be read"),
])  # fmt: skip
def test_files_that_cannot_be_read(tmp_path, name, fragment):
    (tmp_path / "file.toml").write_text(BASE)
    path = f"{tmp_path}/{name}"
    with pytest.raises(FeedsimError) as caught:
        load_scenario(path)
    assert [fault.key for fault in caught.value.faults] == [path]
    assert fragment in str(caught.value)


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    def refuse(*_args):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(FeedsimError, match="may not be read by you"):
        load_scenario(tmp_path / "secret.toml")


@pytest.mark.parametrize(
    "reader", [load_scenario, lambda path: read_table(path, largest=1000, what="trial")]
)
def test_a_pipe_is_refused_and_not_waited_for(tmp_path, reader):
    os.mkfifo(tmp_path / "pipe")  # nobody ever writes into it
    for path in (tmp_path / "pipe", "/dev/zero"):
        with pytest.raises(FeedsimError, match="is a pipe or a device, not a"):
            reader(path)


@pytest.mark.parametrize("text", ["a." * 300_000 + "b = 1", "[" + "'a' . " * 40 + "b]"])
def test_a_path_of_many_names_never_comes_to_the_toml_reader(monkeypatch, text):
    """It would take a time that grows with the square of their number."""
    monkeypatch.delattr("tomllib.loads")
    with pytest.raises(FeedsimError, match="nested too deeply"):
        scenario_from_text(text)


def test_dots_in_a_text_are_no_path():
    title = "One. Two. Three. " * 10
    assert scenario_from_text(changed(("/title", f'"{title}"'))).title == title


@pytest.mark.parametrize("data", [None, [], "text", 5])
def test_plain_data_that_is_no_table(data):
    with pytest.raises(FeedsimError, match="needs a table of keys"):
        scenario_from_dict(data)


def test_plain_data_with_a_key_that_is_no_text():
    with pytest.raises(FeedsimError, match="needs text for every key"):
        scenario_from_dict(tomllib.loads(BASE) | {5: 6})


def test_a_fault_says_key_found_and_allowed():
    with pytest.raises(FeedsimError) as caught:
        scenario_from_text(changed(("carrier/missing", '"100 %"')))
    assert caught.value.faults == (Fault("carrier.missing", '"100 %"', "a share of 0 % to 99 %"),)
    assert caught.value.lines == ('carrier.missing: found "100 %"; needs a share of 0 % to 99 %',)


def test_an_error_survives_its_way_between_processes():
    error = FeedsimError(Fault("a.b", "1", "2"), "plain words")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own
    assert again.faults == error.faults
    assert str(again) == "a.b: found 1; needs 2\nplain words"


CARD = Path(__file__).parents[2] / "scenarios/membership_card.toml"


@pytest.mark.parametrize(
    ("change", "needed"),
    [
        ("line.speed=0", "a speed of more than 0 m/min, with its unit"),
        ("line.speed=-60", "a speed of more than 0 m/min, with its unit"),
        ("feeder.0.insert.double=500", "a share of 0 % to 100 %, with its unit"),
        ("feeder.0.insert.double=0.5", 'a share with its unit, in quotes; write "50 %" if a '),
        ("feeder.0.insert.gap=-5", "a length of"),
        ("tune.assurance=most", "a share of 50 % to 99.9 %"),
        ("line.speed=60", 'a speed with its unit, in quotes; write "60 m/min"'),
    ],
)
def test_no_value_is_proposed_that_the_key_refuses(change: str, needed: str) -> None:
    with pytest.raises(FeedsimError) as caught:
        feedsim.load(CARD, [change])
    (fault,) = caught.value.faults
    assert fault.allowed.startswith(needed)
    for proposed in re.findall('write "([^"]+)"', fault.allowed):
        feedsim.load(CARD, [f"{fault.key}={proposed}"])
