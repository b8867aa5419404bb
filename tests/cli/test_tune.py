"""``feedsim tune`` as its user meets it: files, a scenario written, what was wrong, going on."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from feedsim.answers.data import described
from feedsim.answers.tune import answer as tuning_module
from feedsim.scenario import load_scenario

pytestmark = pytest.mark.usefixtures("quick_engine")

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COUPON = SCENARIOS / "coupon.toml"
FEW = ("--carriers", 1000, "--set", "tune.carriers=1000", "--set", "tune.draws=60",
       "--set", "tune.knob=[]", "--set", "tune.unsure=[]", "--jobs", 1)  # fmt: skip
STAGE = "feeder.0.settings.stage_position"
CYCLE = "controller.motion_cycle=0.5,1 ms"
ASKED = (COUPON, *FEW, "--knob", f"{STAGE}=76:104:4 mm", "--knob", CYCLE,
         "--aim", "spread", "--speed", "130 m/min")  # fmt: skip

Run = Callable[..., Any]


def test_it_prints_a_page_writes_its_files_and_a_scenario_with_its_comments(
    tmp_path: Path, feedsim: Run
) -> None:
    new = tmp_path / "new" / "tuned.toml"
    ended = feedsim("tune", *ASKED, "--out", tmp_path / "out", "--write", new)
    assert ended.status == 0, ended.err
    lines = ended.out.splitlines()
    assert "ACCEPTED at 130 m/min" in ended.out
    assert lines[-1] == f"wrote {new}, with the best setup for 130 m/min"
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"tune.json", "tune.csv", "fronts.csv", "tune.png", "windows.svg"} <= names
    assert not (tmp_path / "out" / ".feedsim").exists()
    data = json.loads((tmp_path / "out" / "tune.json").read_text())
    Draft202012Validator(described("tune")).validate(data)

    # comments, order and the table of what may be chosen are kept; values are the best ones
    text, before = new.read_text(), COUPON.read_text()
    comments = [line for line in before.splitlines() if line.startswith("#")]
    assert [line for line in text.splitlines() if line.startswith("#")] == comments
    written = load_scenario(new)
    best = dict(zip((k["key"] for k in data["knobs"]), data["best_nominal"]["values"], strict=True))
    assert written.controller.motion_cycle == 0.5e-3
    assert f"{written.feeder[0].settings.stage_position:g} mm" == best[STAGE]
    assert tomllib.loads(text)["line"]["speed"] == "130 m/min"
    # what was only for the search stays out: all else is as it was
    own, now = tomllib.loads(before), tomllib.loads(text)
    own["line"]["speed"] = "130 m/min"
    own["controller"]["motion_cycle"] = "0.5 ms"
    own["feeder"][0]["settings"]["stage_position"] = best[STAGE]
    assert now == own
    assert (
        tomllib.loads(text)["feeder"][0]["clutch"] == tomllib.loads(before)["feeder"][0]["clutch"]
    )

    # an existing file stays, unless one says so
    again = feedsim("tune", *ASKED, "--out", tmp_path / "out", "--write", new)
    assert again.status == 2
    assert str(new) in again.err
    assert new.read_text() == text


def test_the_knobs_of_a_file_stay_in_what_is_written(tmp_path: Path, feedsim: Run) -> None:
    own = tmp_path / "own.toml"
    text = COUPON.read_text()
    head, _, _ = text.partition("[[tune.knob]]")
    own.write_text(
        f"{head}[[tune.knob]]   # the two cycles that can be had\n"
        'key = "controller.motion_cycle"\nvalues = ["0.5 ms", "1 ms"]\n'
    )
    new = tmp_path / "tuned.toml"
    ended = feedsim("tune", own, "--carriers", 1000, "--set", "tune.carriers=1000", "--jobs", 1,
                    "--set", "carrier_eye.off_response=0.4 ms", "--seed", 7,
                    "--aim", "jam_risk", "--speed", "130 m/min", "--out", tmp_path / "out",
                    "--write", new, "--json")  # fmt: skip
    assert ended.status == 0, ended.err
    assert json.loads(ended.out)["aim"] == "jam_risk"
    assert "# the two cycles that can be had" in new.read_text()
    assert load_scenario(new).tune is not None
    written = load_scenario(new).tune
    assert written is not None
    assert [knob.key for knob in written.knob] == ["controller.motion_cycle"]
    # the machine for which it was found, and nothing of the trial
    data = tomllib.loads(new.read_text())
    assert data["carrier_eye"]["off_response"] == "0.4 ms"
    assert [data[t] for t in ("run", "tune", "seed")] == [
        tomllib.loads(own.read_text())[t] for t in ("run", "tune", "seed")
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--knob", "controller.motion_cycle"), "--knob"),
        (("--knob", "controler.motion_cycle=0.5,1 ms"), "controller"),
        (("--knob", f"{STAGE}=80:40 mm"), f"--knob {STAGE}: found"),
        (("--knob", f"{STAGE}=40:80 ms"), f"--knob {STAGE}: found"),
        ((), "--knob"),
        (("--knob", f"{STAGE}=40:80 mm", "--unsure", "carrier_eye.response"), "--unsure"),
        (
            ("--knob", f"{STAGE}=40:80 mm", "--unsure", "carrier_eye.response=±x"),
            "--unsure carrier_eye.response: ",
        ),
        (("--knob", f"{STAGE}=40:80 mm", "--speed", "80 m/min"), "--speed: "),
        (("--knob", f"{STAGE}=40:80 mm", "--aim", "spread", "--speed", "80 mm"), "--speed: "),
        (("--knob", f"{STAGE}=40:80 mm", "--assurance", "200 %"), "--assurance: "),
        (("--knob", f"{STAGE}=40:80 mm", "--aim", "profit"), "--aim"),
        (
            ("--knob", f"{STAGE}=40:80 mm", "--spend", "much"),
            "--spend: found 'much'; needs a number\n",
        ),
        (("--knob", f"{STAGE}=40:80 mm", "--resume"), "--resume"),
        (
            ("--knob", f"{STAGE}=40:80 mm", "--cluster", "tcp://127.0.0.1:1", "--jobs", 2),
            "--cluster",
        ),
    ],
)
def test_a_wrong_call_is_told_and_leaves_nothing(
    words: tuple[object, ...], said: str, tmp_path: Path, feedsim: Run
) -> None:
    out = tmp_path / "out"
    ended = feedsim("tune", COUPON, "--set", "tune.knob=[]", "--set", "tune.unsure=[]",
                    *words, "--out", out, "--write", tmp_path / "new.toml")  # fmt: skip
    assert ended.status == 2
    assert said in ended.err
    assert "Traceback" not in ended.err
    assert [*tmp_path.rglob("*.*")] == []


@pytest.mark.parametrize(
    "words",
    [
        ("--set", "tune.knob=[]"),
        ("--unsure", "carrier_eye.response=±5 ms"),
        ("--knob", "line.speed=40:90 m/min"),
    ],
)
def test_a_wrong_call_leaves_an_unfinished_search_as_it_was(
    words: tuple[str, ...], tmp_path: Path, feedsim: Run
) -> None:
    kept = tmp_path / "out" / ".feedsim" / "points" / "tuned"
    kept.parent.mkdir(parents=True)
    kept.write_text("hours of work")
    ended = feedsim("tune", COUPON, *words, "--out", tmp_path / "out")
    assert ended.status == 2
    assert "discarded" not in ended.err
    assert kept.read_text() == "hours of work"


def test_where_nothing_is_better_it_says_so_and_on_what(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("tune", COUPON, *FEW, "--knob", "controller.motion_cycle=2 ms,3 ms",
                    "--aim", "spread", "--out", tmp_path / "out")  # fmt: skip
    assert ended.status == 0, ended.err
    said = " ".join(ended.out.split())
    assert "No other choice is better than the present setup." in said
    assert "All changes together" not in said
    assert "on 0 fresh carriers" not in said


def test_where_nothing_is_accepted_no_scenario_is_written(tmp_path: Path, feedsim: Run) -> None:
    words = (COUPON, *FEW, "--knob", f"{STAGE}=60:70:5 mm", "--aim", "jam_risk", "--speed",
             "150 m/min", "--out", tmp_path / "out", "--write", tmp_path / "new.toml")  # fmt: skip
    ended = feedsim("tune", *words)
    assert ended.status == 0
    assert "NOT ACCEPTED: no setup of these is." in ended.out
    assert ended.out.splitlines()[-1].endswith("new.toml was not written")
    assert not (tmp_path / "new.toml").exists()
    assert feedsim("tune", *words, "--gate").status == 1


def test_an_interrupted_search_goes_on_to_the_same_answer(
    tmp_path: Path, feedsim: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = (*ASKED, "--out", tmp_path / "out")
    assert feedsim("tune", *words).status == 0
    whole = (tmp_path / "out" / "tune.json").read_bytes()
    (tmp_path / "out" / "tune.json").unlink()

    def ended_early(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(tuning_module, "outcome", ended_early)
        ended = feedsim("tune", *words)
    assert ended.status == 3
    assert "--resume goes on from there" in ended.err
    assert not (tmp_path / "out" / "tune.json").exists()
    gone_on = feedsim("tune", *words, "--resume")
    assert gone_on.status == 0, gone_on.err
    assert (tmp_path / "out" / "tune.json").read_bytes() == whole
    assert not (tmp_path / "out" / ".feedsim").exists()
