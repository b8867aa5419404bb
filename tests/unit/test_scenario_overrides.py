"""``feeder.0.insert.gap=60 mm``: any key by its path."""

import copy
import tomllib

import pytest

from feedsim.errors import FeedsimError
from feedsim.scenario import apply_overrides, scenario_from_dict, scenario_from_text
from tests.cli.bad_scenarios.table import BASE, changed

DATA = tomllib.loads(BASE)
PROFILE = '[["0 s", "0 m/min"], ["5 s", "60 m/min"]]'


@pytest.mark.parametrize(("text", "value"), [
    ("60 mm", "60 mm"),
    ('"60 mm"', "60 mm"),
    ("'60 mm'", "60 mm"),
    (" 60 mm ", "60 mm"),
    ("60", 60),
    ("6e1", 60.0),
    ("true", True),
    ("auto", "auto"),
    ("", ""),
    ("a=b", "a=b"),
    ('["1 s", 2]', ["1 s", 2]),
    ('{x = "1 s"}', {"x": "1 s"}),
    ("1\nother = 2", "1\nother = 2"),
    ("[" * 5000, "[" * 5000),
    ("9" * 5000, "9" * 5000),
])  # fmt: skip
def test_a_value_is_toml_or_else_text(text, value):
    changed_data = apply_overrides(DATA, [f"feeder.0.insert.gap={text}"])
    assert changed_data["feeder"][0]["insert"]["gap"] == value


def test_the_data_stay_as_they_are():
    before = copy.deepcopy(DATA)
    apply_overrides(DATA, ["feeder.0.insert.gap=1 mm", "line.encoder.kind=absolute", "seed=9"])
    assert before == DATA


def test_a_later_one_wins_and_blanks_do_not_matter():
    data = apply_overrides(DATA, ["seed=5", " seed = 6"])
    assert data["seed"] == 6


def test_tables_that_the_file_leaves_out_are_made():
    short = {name: value for name, value in DATA.items() if name not in ("limits", "sweep")}
    data = apply_overrides(short, ["limits.overhang=2 mm", "sweep.replications=3"])
    assert data["limits"] == {"overhang": "2 mm"}
    assert scenario_from_dict(data).sweep.replications == 3


def test_places_in_lists():
    data = tomllib.loads(changed(("line/profile", PROFILE)))
    data = apply_overrides(data, ["line.profile.1.1=90 m/min", "sweep.speeds.0=30 m/min"])
    assert data["line"]["profile"] == [["0 s", "0 m/min"], ["5 s", "90 m/min"]]
    assert data["sweep"]["speeds"] == ["30 m/min", "60 m/min"]
    data = apply_overrides({"title": "x"}, ["sweep.speeds.step=5 m/min"])  # of the default range
    assert data["sweep"]["speeds"] == {"from": "20 m/min", "to": "120 m/min", "step": "5 m/min"}
    data = apply_overrides({}, ["sweep.speeds.to=90 m/min"])  # the default is as it was
    assert data["sweep"]["speeds"]["step"] == "10 m/min"


def test_a_whole_table():
    scenario = scenario_from_text(BASE, overrides=["run={carriers = 7}"])
    assert (scenario.run.carriers, scenario.run.warm_up) == (7, 20)


@pytest.mark.parametrize(("override", "key", "fragment"), [
    ("line.sped=60 m/min", "line.sped", 'the nearest in [line] is "speed"'),
    ("sped=60 m/min", "sped", "there is no such key"),
    ("speed=60 m/min", "speed", '"speed" belongs in [line]'),
    ("lime.speed=60 m/min", "lime", 'the nearest in the top of the file is "line"'),
    ("feeder.0.insert.gpa=60 mm", "feeder.0.insert.gpa", 'the nearest in [feeder.insert] is "gap"'),
    ("feeder.0.insret.gap=60 mm", "feeder.0.insret", 'the nearest in [[feeder]] is "insert"'),
    ("feeder.1.insert.gap=60 mm", "feeder.1", "feeder needs a number, 0 to 0"),
    ("feeder.-1.name=x", "feeder.-1", "feeder needs a number, 0 to 0"),
    ("feeder.²=x", 'feeder."²"', "feeder needs a number, 0 to 0"),
    (f"feeder.{'9' * 5000}=x", None, "feeder needs a number, 0 to 0"),
    ("feeder.insert.gap=60 mm", "feeder.insert", "feeder needs a number, 0 to 0"),
    ("line.profile.0=1", "line.profile.0", "needs something in the list first"),
    ("line.speed.now=1", "line.speed", 'is "60 m/min" and has no now in it'),
    ("title.0=x", "title", "and has no 0 in it"),
    ("supervision.jams=true", "supervision.jams", 'the nearest in [supervision] is "jam"'),
    ("supervision.clearing_time=inf s", "supervision.clearing_time", "the line never runs again"),
    ("feeder.0.insert.magazine=-5", "feeder.0.insert.magazine", "a whole number, 0 to"),
    ("seed", '"seed"', 'write a key, "=" and a value'),
    ("=5", '"=5"', 'write a key, "=" and a value'),
    ("line..speed=5", '"line..speed=5"', 'write a key, "=" and a value'),
    ("\udc80=5", '"\\udc80"', "there is no such key"),
    ("seed=\udc80", "seed", 'found "\\udc80"'),
    ("carrier.pitch=200 mm", "carrier.pitch", "carriers would overlap"),
])  # fmt: skip
def test_overrides_that_cannot_be(override, key, fragment):
    with pytest.raises(FeedsimError) as caught:
        scenario_from_text(BASE, overrides=[override])
    (fault,) = caught.value.faults
    assert key is None or fault.key == key
    assert fragment in str(fault)
    assert str(fault).isprintable()
    assert len(str(fault)) < 300


def test_faults_of_overrides_and_of_the_file_come_together():
    text = changed(("line/speed", "60"))
    with pytest.raises(FeedsimError) as caught:
        scenario_from_text(text, overrides=["a=1", "seed=x", "carrier.pitch=1 mm", "b.c=2"])
    assert {fault.key for fault in caught.value.faults} == {
        "a",
        "b",
        "seed",
        "line.speed",
        "carrier.pitch",
    }


def test_an_override_mends_a_fault_of_the_file():
    text = changed(("line/speed", "60"))
    assert scenario_from_text(text, overrides=["line.speed=90 m/min"]).line.speed == 1500.0
