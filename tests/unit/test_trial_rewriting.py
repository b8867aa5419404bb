"""A scenario file with corrected settings, everything else as it was."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.scenario import load_scenario, override, scenario_from_text, starter_text
from feedsim.scenario.rewriting import corrected_text, in_unit_of

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
NEW = {
    "engage_distance": 350.1234,
    "engage_lead": 0.0123456,
    "disengage_distance": 61.5,
    "disengage_lead": 0.011,
}
WRITTEN = {
    "engage_distance": "350.123 mm",
    "engage_lead": "12.346 ms",
    "disengage_distance": "61.5 mm",
    "disengage_lead": "11 ms",
}


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_nothing_but_the_settings_changes(path: Path) -> None:
    text = path.read_text("utf-8")
    last = len(load_scenario(path).feeder) - 1
    written = corrected_text(text, settings={last: NEW}, folder=path.parent)
    old, new = tomllib.loads(text), tomllib.loads(written)
    table = new["feeder"][last]["settings"]
    for key in NEW:
        if "inch" not in text and " in" not in old["feeder"][last]["settings"]["stage_position"]:
            assert table.pop(key) == WRITTEN[key]
        else:
            del table[key]
        old["feeder"][last]["settings"].pop(key, None)
    assert new == old
    # each line that was there is still there, in the same order, but for those of the settings
    kept = [line for line in text.splitlines() if not line.startswith(tuple(NEW))]
    rest = [line for line in written.splitlines() if not line.startswith(tuple(NEW))]
    assert rest == kept


def test_comments_stay_in_their_column() -> None:
    text = starter_text()
    written = corrected_text(text, settings={0: NEW})
    line = next(row for row in written.splitlines() if row.startswith("engage_lead"))
    before = next(row for row in text.splitlines() if row.startswith("engage_lead"))
    assert line.startswith('engage_lead = "12.346 ms"')
    assert line.index("#") == before.index("#")
    assert line[line.index("#") :] == before[before.index("#") :]


def test_what_the_command_line_changed_is_written_too() -> None:
    changes = ["controller.scan=3 ms", "carrier_eye.response=1 ms", "acceptance.missed=1 %"]
    text = SCENARIOS[0].read_text("utf-8")
    written = corrected_text(text, overrides=changes, settings={0: NEW})
    wanted = override(
        scenario_from_text(text),
        [*changes, *(f"feeder.0.settings.{k}={v}" for k, v in WRITTEN.items())],
    )
    assert scenario_from_text(written) == wanted


def test_units_that_stand_there_are_kept() -> None:
    feeder = {
        "settings": {
            "stage_position": "2.25 in",
            "engage_distance": "auto",
            "disengage_distance": "6.15 cm",
            "engage_lead": "0.012 s",
        }
    }
    assert in_unit_of(feeder, "engage_distance", 254.0) == "10 in"
    assert in_unit_of(feeder, "disengage_distance", 61.499) == "6.1499 cm"
    assert in_unit_of(feeder, "engage_lead", 0.0123456) == "0.012346 s"
    assert in_unit_of(feeder, "disengage_lead", -0.0000001) == "0 ms"
    assert in_unit_of({"settings": {"stage_position": "?"}}, "engage_distance", 1.0) == "1 mm"


INLINE = """title = "x"
line = {speed = "60 m/min"}
carrier = {length = "210 mm", pitch = "300 mm"}
feeder = [{name = "a", eye_to_placement = "400 mm", insert_eye_to_placement = "120 mm", \
insert = {length = "85.6 mm", gap = "70 mm"}, \
settings = {target_offset = "20 mm", stage_position = "60 mm"}}]
"""
DOTTED = """title = "x"
line.speed = "60 m/min"
carrier.length = "210 mm"
carrier.pitch = "300 mm"
[[feeder]]
name = "a"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
insert.length = "85.6 mm"
insert.gap = "70 mm"
settings.target_offset = "20 mm"   # t
settings.stage_position = '60 mm'  # s
"""
OUT_OF_ORDER = """title = "x"
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "300 mm"
[[feeder]]
name = "a"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
[feeder.settings]  # here
target_offset = "20 mm"
stage_position = "60 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
[line.encoder]
counts_per_rev = 1000
"""


@pytest.mark.parametrize("text", [INLINE, DOTTED, OUT_OF_ORDER, "\ufeff" + DOTTED])
def test_other_ways_to_lay_out_a_file(text: str) -> None:
    changes = ["line.encoder.scale_error=0.4 %", "controller.scan=3 ms"]
    written = corrected_text(text, overrides=changes, settings={0: NEW})
    table = tomllib.loads(written)["feeder"][0]["settings"]
    assert {key: table[key] for key in NEW} == WRITTEN
    assert tomllib.loads(written)["controller"]["scan"] == "3 ms"
    for comment in ("# t", "# s", "# here"):
        assert (comment in written) == (comment in text)


def test_line_ends_of_another_system_stay() -> None:
    written = corrected_text(DOTTED.replace("\n", "\r\n"), settings={0: NEW})
    assert written.count("\n") == written.count("\r\n")


def test_a_scenario_that_would_not_be_sound_is_not_written() -> None:
    with pytest.raises(FeedsimError, match="engage_lead"):
        corrected_text(DOTTED, settings={0: {**NEW, "engage_lead": 1e9}})
