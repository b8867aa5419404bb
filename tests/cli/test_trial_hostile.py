"""Files that people really have: each works, or is refused in words, with the row."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.answers.trial.study.data import read_trial

CARD = Path(__file__).parents[2] / "scenarios" / "trial_reply_card.toml"
HEAD = "line_speed_m_per_min,placement_error_mm\n"
ROWS = "24,0.1\n36,0.2\n60,0.3\n24,-0.25\n"
GERMAN = "line_speed_m_per_min;placement_error_mm\r\n24;0,1\r\n36;0,2\r\n60;0,3\r\n24;-0,25\r\n"
SOUND = (HEAD + ROWS).encode()

Run = Callable[..., Any]

WORKS = {
    "plain": SOUND,
    "a byte order mark": b"\xef\xbb\xbf" + SOUND,
    "UTF-16 of a spreadsheet": (HEAD + ROWS).replace(",", "\t").encode("utf-16"),
    "semicolons and decimal commas": GERMAN.encode(),
    "a line that names the separator": ("sep=;\r\n" + GERMAN).encode(),
    "tabs": SOUND.replace(b",", b"\t"),
    "old line ends": SOUND.replace(b"\n", b"\r"),
    "quotes and blanks": b'"line_speed_m_per_min" , "placement_error_mm"\n'.replace(b" , ", b",")
    + b'"24", "0.1"\n36 , 0.2\n60,0.3\n24,-.25\n'.replace(b', "', b',"'),
    "comments and empty rows": b"# at the machine\n\n" + SOUND.replace(b"36", b"# oops\n,\n36"),
    "cells left out": HEAD.replace("\n", ",stage_position_mm,note\n").encode() + ROWS.encode(),
    "a true minus": SOUND.replace(b"-", "\u2212".encode()),
    "no end of line": SOUND.rstrip(),
    "capitals": SOUND.replace(b"placement", b"Placement"),
}


@pytest.mark.parametrize("name", WORKS)
def test_it_is_read_as_what_it_says(name: str, tmp_path: Path) -> None:
    path = tmp_path / "trial.csv"
    found = []
    for content in (SOUND, WORKS[name]):
        path.write_bytes(content)
        data = read_trial(path, feeders=["reply card feeder"], longest_mm=210.0)
        found.append((data.speed_mm_s.tolist(), data.error_mm.tolist()))
    assert found[0] == found[1]
    # 24 m/min are 400 mm/s
    assert found[0] == ([400.0, 600.0, 1000.0, 400.0], [0.1, 0.2, 0.3, -0.25])


def test_a_file_of_a_spreadsheet_is_fitted(tmp_path: Path, feedsim: Run) -> None:
    path = tmp_path / "trial.csv"
    path.write_bytes(b"\xef\xbb\xbf" + GERMAN.encode())
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "out")
    assert ended.status == 0, ended.err
    assert "-0.250" not in ended.out  # two carriers at 24 m/min: mean -0.075
    assert "-0.075" in ended.out


ODD = {
    "one speed only": HEAD + "24,0.1\n24,0.3\n24,0.2\n",
    "one row": HEAD + "24,0.1\n",
    "two rows": HEAD + "24,0.1\n60,0.4\n",
    "nothing spreads": HEAD + "24,1\n24,1\n60,2\n60,2\n",
    "all on target": HEAD + "24,0\n24,0\n60,0\n60,0\n",
    "every row a speed of its own": HEAD + "".join(f"{20 + k},{k % 3}\n" for k in range(60)),
    "missed only": "line_speed_m_per_min,missed\n24,0\n24,1\n24,no\n",
    "a tally only": "line_speed_m_per_min,carriers,missed\n60,3000,2\n",
    "stage only": "line_speed_m_per_min,stage_position_mm\n24,70\n24,70.2\n60,70.5\n60,70.4\n",
    "a far outlier": HEAD + "".join(f"{20 + k % 3},{k % 7 / 10}\n" for k in range(60)) + "20,199\n",
    "all equal but one": HEAD + "24,1\n" * 30 + "24,2\n" + "60,1\n" * 30,
    "next to no speed": HEAD + "0.001,0.1\n0.001,0.2\n60,0.1\n60,0.3\n",
    "beyond all speed": HEAD + "24,0.1\n24,0.2\n50000,0.1\n50000,0.3\n",
}


@pytest.mark.parametrize("name", ODD)
def test_it_is_odd_and_works(name: str, tmp_path: Path, feedsim: Run) -> None:
    path = tmp_path / "trial.csv"
    path.write_text(ODD[name])
    new = tmp_path / "new.toml"
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "out", "--write", new)
    assert ended.status == 0, ended.err
    assert "nan" not in ended.out.lower().replace("nanometre", "")
    assert (tmp_path / "out/trial_fit.json").exists()


REFUSED = {
    "empty": (b"", "is empty"),
    "empty rows": (b"\n\n,,\n", "is empty"),
    "head only": (HEAD.encode(), "there is nothing measured in it"),
    "no head": (ROWS.encode(), "row 1: there is no head"),
    "no unit": (
        b"line_speed,placement_error_mm\n24,1\n",
        "says no unit; write line_speed_m_per_min",
    ),
    "wrong unit of a length": (
        b"line_speed_m_per_min,placement_error_cm\n24,1\n",
        "row 1, column placement_error_cm: has an unknown unit",
    ),
    "wrong unit of a speed": (b"line_speed_km_h,placement_error_mm\n24,1\n", "write line_speed_m"),
    "a slip of the pen": (b"line_speed_m_per_min,placment_error_mm\n24,1\n", "did you mean"),
    "no speed": (b"placement_error_mm\n1\n", "no column gives the line speed"),
    "nothing measured": (b"line_speed_m_per_min,remark\n24,good\n", "nothing measured in it"),
    "twice": (
        b"line_speed_m_per_min,placement_error_mm,placement_error_in\n24,1,1\n",
        "two columns for one thing: placement_error_mm and placement_error_in",
    ),
    "text in a number": (SOUND.replace(b"0.2", b"left"), 'row 3, placement_error_mm: found "left"'),
    "a unit in a cell": (SOUND.replace(b"0.2", b"0.2 mm"), 'found "0.2 mm"; needs a number'),
    "a formula": (SOUND.replace(b"0.2", b"=B2"), 'found "=B2"; needs a number'),
    "NaN": (SOUND.replace(b"0.2", b"NaN"), "row 3, placement_error_mm: found"),
    "infinite": (SOUND.replace(b"0.3", b"inf"), "row 4, placement_error_mm: found"),
    "beyond float": (SOUND.replace(b"0.3", b"1e999"), "row 4, placement_error_mm: found"),
    "speed 0": (SOUND.replace(b"36", b"0"), "row 3, line_speed_m_per_min: found"),
    "no speed in a row": (SOUND.replace(b"36", b""), "row 3, line_speed_m_per_min: found"),
    "a decimal comma among commas": (SOUND.replace(b"0.2", b"0,2"), "row 3: has 3 cells where"),
    "the same in quotes": (SOUND.replace(b"0.2", b'"0,2"'), "decimal commas need semicolons"),
    "thousands": (GERMAN.replace("0,2", "1.000,2").encode(), 'found "1.000,2"; needs a number'),
    "a quote left open": (SOUND.replace(b"0.2", b'"0.2'), "a quote is not closed"),
    "a cell without end": (SOUND.replace(b"0.2", b"1" * 200_000), "row 3"),
    "NUL": (SOUND.replace(b"0.2", b"\0"), "has a NUL character (row 3)"),
    "another encoding": (SOUND.replace(b"0.2", b"0.2\xb5"), "is not UTF-8 text (line 3)"),
    "no text at all": (bytes(range(256)) * 8, "is not UTF-8 text"),
    "half of UTF-16": (b"\xff\xfe\x00", "is not UTF-8 text"),
    "a speed next to 0": (
        SOUND.replace(b"36", b"1e-308"),
        'row 3, line_speed_m_per_min: found "1e-308"; needs a line speed, 0.0006 to 60000',
    ),
    "a speed beyond all reason": (
        b"line_speed_ft_per_min,placement_error_mm\n24,1\n1e9,1\n",
        'found "1e9"; needs a line speed, 0.0019685 to 196850',
    ),
    "a stage beyond all reason": (
        b"line_speed_m_per_min,stage_position_in\n24,1\n24,1e150\n24,2\n",
        "row 3, stage_position_in: found 2.54e+151 mm; needs how far the resting nose is from the "
        "insert eye, -393.701 to 393.701",
    ),
    "an error beyond all reason": (SOUND.replace(b"0.2", b"-1e300"), "a carrier is long"),
    "carriers beyond all reason": (
        b"line_speed_m_per_min,carriers,missed\n24,1" + b"0" * 12 + b",1\n",
        "row 2, carriers: found",
    ),
    "longer than a carrier": (SOUND.replace(b"0.2", b"400"), "more than a carrier is long"),
    "missed and placed": (
        b"line_speed_m_per_min,missed,placement_error_mm\n24,1,0.2\n",
        "row 2: a carrier that was missed has no placement error",
    ),
    "more missed than there were": (
        b"line_speed_m_per_min,missed,carriers\n24,5,3\n",
        "row 2: 5 missed, of 3 in all",
    ),
    "part of a carrier": (b"line_speed_m_per_min,missed\n24,0.5\n", "row 2, missed: found"),
    "measured in a tally": (
        b"line_speed_m_per_min,carriers,missed,placement_error_mm\n24,50,0,0.1\n",
        "row 2: what is measured belongs to one carrier",
    ),
    "a feeder that is not there": (
        b"line_speed_m_per_min,feeder,placement_error_mm\n24,7,0.1\n",
        "row 2, feeder: found",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_it_is_refused_in_words(name: str, tmp_path: Path, feedsim: Run) -> None:
    content, says = REFUSED[name]
    path = tmp_path / "trial.csv"
    path.write_bytes(content)
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "out")
    assert ended.status == 2
    assert says in ended.err
    assert ended.out == ""
    assert list(tmp_path.iterdir()) == [path]


def test_many_faults_are_told_up_to_a_number(tmp_path: Path, feedsim: Run) -> None:
    path = tmp_path / "trial.csv"
    path.write_text(HEAD + "24,x\n" * 1000)
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "out")
    assert ended.status == 2
    assert len(ended.err.splitlines()) == 22
    assert "and more in the rows after that" in ended.err


def test_a_million_rows(tmp_path: Path, feedsim: Run) -> None:
    rng = np.random.Generator(np.random.PCG64(1))
    speeds = np.tile([24, 36, 48, 60], 250_000)
    errors = 1.5 + 0.7e-3 * speeds / 0.06 + rng.normal(size=len(speeds)) * 0.3
    path = tmp_path / "trial.csv"
    with path.open("w") as file:
        file.write(HEAD)
        file.writelines(f"{v},{e:.2f}\n" for v, e in zip(speeds, errors, strict=True))
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "out")
    assert ended.status == 0, ended.err
    assert "1,000,000 rows" in ended.out
    # 1.5 mm and 0.7 ms, known to 0.003 mm and 0.01 ms
    assert "-1.50" in ended.out
    assert "+0.70 ms" in ended.out
