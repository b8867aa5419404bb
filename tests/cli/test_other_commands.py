"""``feedsim check``, ``new`` and ``schema``, and the command line itself."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from feedsim import __version__
from feedsim.answers.data import described, names
from feedsim.scenario import starter_text

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"

Run = Callable[..., object]


def test_new_writes_a_scenario_that_checks_and_never_writes_over_one(
    tmp_path: Path, feedsim: Run
) -> None:
    path = tmp_path / "line.toml"
    assert feedsim("new", path).status == 0
    assert path.read_text("utf-8") == starter_text()
    assert "valid" in feedsim("check", path).out
    path.write_text("mine", "utf-8")
    ended = feedsim("new", path)
    assert ended.status == 2
    assert "--force" in ended.err
    assert path.read_text("utf-8") == "mine"
    assert feedsim("new", path, "--force").status == 0
    assert feedsim("new", tmp_path).status == 2


WARNINGS = {
    # each change and a fragment of what an experienced eye would say of it
    "feeder.0.settings.stage_position=96 mm": "beyond the nose limit",
    "feeder.0.settings.engage_lead=0 ms": "will walk with speed",
    "line.speed=400 m/min": "cannot keep up",
    "feeder.0.clutch.ramp_in=150 ms": "run-up is too short",
    "feeder.0.clutch.ramp_out=5 ms": "Drive overload",
    # 155.6 mm in 155.6 ms, and then the two ramps alike: less than 160 ms of ramp-in
    "feeder.0.clutch={ramp_in = '160 ms', ramp_out = '160 ms'}": "before its ramp-in has ended",
    "feeder.0.servo.loop_gain=40 1/s": "lag is not over",
    "feeder.0.servo.velocity_feedforward=0.95 %": "If the fraction 0.95 was meant",
    # 1 mm of travel in a 1 ms cycle at 60 m/min, and 500 mm of wheel
    "line.encoder.counts_per_rev=1000": "ticks and counts are locked",
    "feeder.0.insert.gap_sd=25 mm": "next one's nose rests",
    "feeder.0.insert.gap=20 mm": "Tail held",
    "controller.scan=500 ms,feeder.0.settings.engage_lead=12 ms": "Late marks",
    "controller.scan=60 ms": "Late openings",
    "feeder.0.eye.off_response=65 ms": "insert eye may not see the gap",
    "carrier_eye.off_response=45 ms": "carrier eye may not see the gap",
    "feeder.0.settings.target_offset=130 mm": "sticks out",
    "feeder.0.settings.speed_ratio=1.08": "faster than the belt",
    "line.encoder.scale_error=0.2 %": "scale error shifts",
    "acceptance.placement_tolerance=0.5 mm": "keeps only",
    "carrier.pitch_sd=0 mm": "beat with the ticks",
    "controller.search_limit=240 mm": "one misfeed empties the feeder",
    # the next nose is 155.6 − 60 mm before its eye
    "controller.search_limit=90 mm": "nothing is ever staged again",
    "feeder.0.eye_to_placement=3000 mm": "marks will be lost",
    "run.carriers=100": "0.1 % at 95 %: even with none seen it takes 3838",
    # 100 − 60.025 mm of travel; 300 − 359.924 mm: by so much the stage and the placement move
    "feeder.0.settings.disengage_distance=100 mm": "stage an insert 40 mm past",
    "feeder.0.settings.engage_distance=300 mm": "place inserts 59.9 mm early",
    "feeder.0.nose_limit=130 mm": "protects nothing",
    "feeder.0.grip_end=120 mm": "protects nothing",
    "feeder.0.insert.gap=180 mm": "No lower speed helps",
    "feeder.0.settings.target_offset=0.5 mm": "from an end of the carrier",
    "feeder.0.insert_eye_to_placement=205 mm": "some land while the feed",
    "acceptance.missed=0 %": "never shown to be met at 95 %",
    "acceptance.within_tolerance=99.99 %": "even with none seen it takes 38",
    "feeder.0.insert.misfeed=2 %": "is allowed: eyes and singulator 1.98 %",
    "carrier_eye.missed=1 %": "is allowed: eyes and singulator 1",
    # gain times cycle: 2 and 1.5
    "feeder.0.servo.loop_gain=2000 1/s": "from 2 on such a loop does not settle",
    "feeder.0.servo.loop_gain=1500 1/s": "beyond 1 such a loop swings",
    # one misfeed is waited for 155.6 mm, the carriers after it less by 260 − 175.6 mm each
    "controller.not_ready=engage,feeder.0.insert.misfeed=1 %": "is allowed: late service",
    "feeder.0.insert.double=3 %": "is allowed: doubles and strays 3.01 %",
}


def test_a_good_setup_has_no_warnings(feedsim: Run) -> None:
    assert "No warnings" in feedsim("check", CARD).out


def test_check_prints_json_for_a_program_that_asks(feedsim: Run) -> None:
    """As its schema describes it; what is wrong goes to standard error, as ever."""
    found = json.loads(feedsim("check", CARD, "--set", "feeder.0.insert.double=3 %", "--json").out)
    Draft202012Validator(described("check")).validate(found)
    said = " ".join(feedsim("check", CARD, "--set", "feeder.0.insert.double=3 %").out.split())
    warnings = [*found["warnings"], *(w for f in found["feeders"] for w in f["warnings"])]
    assert warnings
    assert all(warning in said for warning in warnings)
    wrong = feedsim("check", CARD, "--set", "carrier.pitch=-1 mm", "--json")
    assert (wrong.status, wrong.out) == (2, "")
    assert "carrier.pitch" in wrong.err


@pytest.mark.parametrize(("change", "fragment"), WARNINGS.items())
def test_check_warns_of(change: str, fragment: str, feedsim: Run) -> None:
    words = [word for one in change.split(",") for word in ("--set", one)]
    if change.startswith("feeder.0.clutch={"):
        words = ["--set", change]
    ended = feedsim("check", CARD, *words)
    assert ended.status == 0
    said = " ".join(ended.out.split())
    assert fragment in said.split("warning", 1)[-1]


@pytest.mark.parametrize(
    "changes",
    [
        # one misfeed needs 2 · 155.6 − 60 mm of search, since the first nose is at the stage
        ("controller.search_limit=260 mm",),
        # the smallest gap is kept whatever the spread
        ("carrier.pitch_sd=15 mm", "carrier.min_gap=30 mm"),
        # waited for, and none lost
        ("controller.not_ready=engage", "feeder.0.insert.misfeed=0.2 %"),
        # a loop so stiff that e^(K·T) is beyond any float, closed often enough
        ("feeder.0.servo.loop_gain=50000 1/s", "controller.motion_cycle=0.01 ms"),
    ],
)
def test_check_raises_no_false_alarm(changes: tuple[str, ...], feedsim: Run) -> None:
    words = [word for change in changes for word in ("--set", change)]
    assert "No warnings" in feedsim("check", CARD, *words).out


def test_check_warns_of_counts_that_walk_slowly_against_the_ticks(feedsim: Run) -> None:
    # 1.01 mm in a cycle are 2.02 counts of 0.5 mm: as before after 1.01/0.02 = 50.5 mm
    words = ("--set", "line.encoder.counts_per_rev=1000", "--set", "line.speed=60.6 m/min")
    regular = " ".join(feedsim("check", CARD, *words).out.split())
    assert "only every 50.5 mm of belt travel" in regular
    spread = ("carrier.pitch_sd=6 mm", "feeder.0.insert.gap_sd=6 mm")
    more = [word for change in spread for word in ("--set", change)]
    assert "only every" not in " ".join(feedsim("check", CARD, *words, *more).out.split())


def test_check_knows_that_the_tail_of_a_short_insert_is_past_its_eye_at_rest(feedsim: Run) -> None:
    # 30 mm long, staged 60 mm past the eye: the output has most of a cycle of 260 mm, while the
    # gap of 100 mm alone, 100 ms at 1000 mm/s, would be too short for it
    changes = ("feeder.0.insert.length=30 mm", "feeder.0.insert.gap=100 mm",
               "feeder.0.eye.off_response=110 ms")  # fmt: skip
    words = [word for change in changes for word in ("--set", change)]
    assert "may not see the gap" not in feedsim("check", CARD, *words).out
    longer = [*words, "--set", "feeder.0.insert.length=70 mm"]
    assert "insert eye may not see the gap" in " ".join(feedsim("check", CARD, *longer).out.split())


def test_check_warns_of_a_mean_error_that_locked_ticks_leave(feedsim: Run) -> None:
    # Steps of 300 mm/s · 5 ms = 1.5 mm. Right settings have the closing (E − U) = 264.694 mm of
    # travel after the opening (leads alike: 350 + 25 − 55 − mean slip 0.306 (0.3 and 0.2 mm,
    # clipped at 0) − 55): nearest are 176 and 177 steps, 264 and 265.5 mm; 264 is 0.694 early.
    said = " ".join(feedsim("check", SCENARIOS / "hand_fed.toml").out.split())
    assert "place inserts 0.694 mm early on average at 18 m/min." in said
    assert "in steps of 1.5 mm. No step lies nearer: latch the eyes" in said


def test_check_advises_a_lead_before_it_advises_hardware(feedsim: Run) -> None:
    # Both eyes scanned at 35 m/min: steps of 1 ms, 0.5833 mm; E − U = 299.9 mm of travel are
    # 514.11 steps, so that 514 leave −0.067 mm. A lead of 13 ms is the sum of the delays.
    scanned = ("carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned")
    words = [word for change in scanned for word in ("--set", change)]
    words += ["--speed", "35 m/min"]
    automatic = " ".join(feedsim("check", CARD, *words).out.split())
    assert "The engage lead is 0.471 ms more than the delays add up to" in automatic
    assert "0.067 mm early on average" in automatic
    assert "Typed in and run at the speeds of the sweep" in automatic
    typed = [*words, "--set", "feeder.0.settings.engage_lead=13 ms"]
    said = " ".join(feedsim("check", CARD, *typed).out.split())
    assert "An engage lead of 13.47 ms would place them 0.067 mm early there, 99.9311 %" in said
    assert "atch the eyes" not in said


def test_check_warns_of_losses_that_irregular_carriers_bring(feedsim: Run) -> None:
    def said(path: Path, *changes: str) -> str:
        words = [word for change in changes for word in ("--set", change)]
        return " ".join(feedsim("check", path, *words).out.split())

    short = ("carrier.length=100 mm", "carrier.pitch=240 mm", "carrier.pitch_sd=25 mm",
             "feeder.0.settings.target_offset=8 mm")  # fmt: skip
    # cycle 175.6 mm less half a tick of 1 mm, gap and eyes spread it by 2 to 2.5 mm: with the tail
    # H beyond (240 - 175.1)/25.1 = 2.586 sd, 0.486 %, those that come too soon are H/(1 + H)
    found = re.search(r"([0-9.]+) % of the carriers come during a cycle", said(CARD, *short))
    assert found is not None
    assert float(found[1]) == pytest.approx(0.484, rel=0.02)
    # waited for, 1 in 200 is late, and none is lost
    assert "are lost" not in said(CARD, *short, "controller.not_ready=engage")
    close = ("carrier.min_gap=0 mm", "carrier.pitch=200 mm", "carrier_eye.off_response=10 ms",
             "acceptance.missed=1 %")  # fmt: skip
    # gaps exponential of mean 52 mm, 3 mm of travel at 300 mm/s: 1 − e^(−3/52) = 5.61 %
    assert "5.61 % of the hand-fed carriers follow too closely" in said(
        SCENARIOS / "hand_fed.toml", *close
    )
    far = said(SCENARIOS / "hand_fed.toml", "feeder.0.eye_to_placement=3000 mm")
    assert "marks will be lost" in far


def test_frozen_leads_cancel_in_the_placement_but_not_in_the_stage(feedsim: Run) -> None:
    keys = ("engage_lead", "disengage_lead")
    changes = [w for k in keys for w in ("--set", f"feeder.0.settings.{k}=0 ms")]
    said = " ".join(feedsim("check", CARD, *changes).out.split())
    assert "the placement holds on average" in said
    assert "the stage position will walk with speed, by 12 mm" in said


def test_check_tells_the_geometry_and_the_settings(feedsim: Run) -> None:
    said = " ".join(feedsim("check", CARD).out.split())
    # one carrier each 260 mm at 1000 mm/s; 120 − 60 mm of run-up; 85.6 − 60 mm of tail
    for words in ("260 ms", "60 mm of run-up", "25.6 mm before the eye", "engage lead 12 ms"):
        assert words in said


def test_the_help_of_schema_names_every_answer(feedsim: Run) -> None:
    told = " ".join(feedsim("schema", "--help").out.split())
    listed = told.partition("Of an answer's JSON instead: ")[2].partition(".")[0]
    assert re.split(", | or ", listed) == [*names()]


def test_schema_is_json_and_knows_the_keys(feedsim: Run) -> None:
    schema = json.loads(feedsim("schema").out)
    assert {"title", "line", "carrier", "feeder"} <= set(schema["properties"])


def test_version_and_help(feedsim: Run) -> None:
    assert feedsim("--version").out == f"feedsim {__version__}\n"
    assert "run" in feedsim("--help").out
    assert feedsim("run", "--help").status == 0


@pytest.mark.parametrize(
    "words",
    [
        ("run",),
        ("frobnicate",),
        ("run", CARD, "--no-such-option"),
        ("run", CARD, "--speed", "60"),
        ("run", CARD, "--speed", "-5 m/min"),
        ("run", CARD, "--speed", "5 kg"),
        ("run", CARD, "--speed", "inf m/min"),
        ("check", CARD, "--speed", "inf m/min"),
        ("run", CARD, "--carriers", "many"),
        ("run", CARD, "--carriers", "0"),
        ("run", CARD, "--seed", "-1"),
        ("run", CARD, "--set", "nonsense"),
        ("run", CARD, "--set", "feeder.7.insert.gap=60 mm"),
        ("run", CARD, "--around", "99999"),
        ("run", CARD, "--units", "furlong"),
        ("run", "no_such_file.toml"),
        ("run", "."),
        ("check", "no_such_file.toml"),
        ("new", "no/such/folder\0/x.toml"),
    ],
    ids=lambda words: " ".join(str(w).rsplit("/", 1)[-1] for w in words).replace("\0", "NUL"),
)
def test_wrong_calls_end_with_status_2_and_a_message(
    words: tuple[object, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim(*words)
    assert ended.status == 2
    assert ended.err.strip()
    assert "Traceback" not in ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_said_and_nothing_is_left(
    tmp_path: Path, feedsim: Run
) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    ended = feedsim("run", CARD, "--carriers", 20, "--out", tmp_path / "file" / "out")
    assert ended.status == 2
    assert "file" in ended.err
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_an_interrupted_run_writes_nothing_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("feedsim.simulation.line.simulate", interrupt)
    ended = feedsim("run", CARD, "--out", tmp_path / "out")
    assert ended.status == 3
    assert "interrupted" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_stops_reading_is_no_error() -> None:
    code = f"{sys.executable} -m feedsim schema | head -1"
    done = subprocess.run(["bash", "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("words", [("schema",), ("--help",), ("check", str(CARD))])
def test_output_that_cannot_be_printed_is_said(words: tuple[str, ...]) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "feedsim", *words],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith("error: cannot print the result")


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom feedsim.cli import main\n"
        "heavy = {'pint', 'matplotlib', 'scipy', 'numpy', 'simpy', 'pydantic', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_scenarios_use_nothing_but_known_keys() -> None:
    for path in SCENARIOS.glob("*.toml"):
        assert tomllib.loads(path.read_text("utf-8"))["title"]


def test_a_name_that_is_too_long_says_so(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("new", tmp_path / ("a" * 300 + ".toml"))
    assert ended.status == 2
    assert "cannot write this file: File name too long" in ended.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ("run", "\x1b[31mred.toml"),
        ("sweep", CARD, "--vary", "\x1b[31mred=1,2"),
        ("sweep", CARD, "--vary", "\x1b[31m"),
        ("new", "x.toml", "--nonsense\x1b[31m"),
        ("check", CARD, "--set", "\x1b[31m=1"),
    ],
)
def test_escape_codes_do_not_reach_the_terminal(
    words: tuple[object, ...], feedsim: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim(*words)
    assert ended.status == 2
    assert "\x1b" not in ended.err + ended.out
