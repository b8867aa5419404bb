"""Reading a trial: what each cell means."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.trial.study.columns import blank_heads, columns_of
from feedsim.answers.trial.study.data import UNKNOWN, TrialData, is_blank, read_trial
from feedsim.errors import FeedsimError

ONE = ["card feeder"]
TWO = ["card feeder", "Leaflet Feeder"]


def read(tmp_path: Path, text: str, *, feeders: list[str] = ONE) -> TrialData:
    path = tmp_path / "trial.csv"
    path.write_bytes(text.encode())
    return read_trial(path, feeders=feeders, longest_mm=210.0)


def test_every_column(tmp_path: Path) -> None:
    data = read(
        tmp_path,
        "feeder,line_speed_m_per_min,placement_error_mm,stage_position_mm,missed,carriers,note\n"
        "card feeder,60,0.25,60.5,,,first\n"
        "1,30,-0.5,,no,,\n"
        "leaflet feeder,30,,,yes,,lost\n"
        "0,60,,,3,2000,tally\n"
        "0,60,,,,,nothing yet\n",
        feeders=TWO,
    )
    assert data.row.tolist() == [2, 3, 4, 5]
    assert data.feeder.tolist() == [0, 1, 1, 0]
    assert data.speed_mm_s.tolist() == [1000.0, 500.0, 500.0, 1000.0]
    assert data.error_mm[:2].tolist() == [0.25, -0.5]
    assert np.isnan(data.error_mm[2:]).all()
    assert data.stage_mm[0] == 60.5
    assert data.missed.tolist() == [UNKNOWN, 0, 1, 3]
    assert data.carriers.tolist() == [1, 1, 1, 2000]
    assert data.blank == 1
    assert data.others == ("note",)


@pytest.mark.parametrize(
    ("head", "row", "speed", "error"),
    [
        # 1 in is 25.4 mm, 1 ft/min is 5.08 mm/s, exactly (NIST SP 811, App. B)
        ("line_speed_m_per_min,placement_error_mm", "60,0.5", 1000.0, 0.5),
        ("line_speed_mm_s,placement_error_mm", "250,0.5", 250.0, 0.5),
        ("line_speed_ft_per_min,placement_error_in", "100,0.5", 508.0, 12.7),
        (" Line_Speed_FT_per_min , PLACEMENT_ERROR_in ", " 100 , -0.5 ", 508.0, -12.7),
    ],
)
def test_units(tmp_path: Path, head: str, row: str, speed: float, error: float) -> None:
    data = read(tmp_path, f"{head}\n{row}\n")
    assert data.speed_mm_s[0] == pytest.approx(speed, rel=1e-12)
    assert data.error_mm[0] == pytest.approx(error, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (["0.5", "1.0", "-2.5", "0"], 0.5),
        (["0.1", "0.3", "-0.4", "1.2"], 0.1),
        (["0.12", "0.31", "-0.4", "1.25"], 0.01),
        (["0.12345", "0.31", "-0.4", "1.25"], 0.0),
    ],
)
def test_the_step_in_which_was_read_off(tmp_path: Path, values: list[str], step: float) -> None:
    rows = "".join(f"60,{value}\n" for value in values * 3)
    data = read(tmp_path, f"line_speed_m_per_min,placement_error_mm\n{rows}")
    assert data.error_step_mm == step


def test_the_step_is_in_the_unit_of_the_column(tmp_path: Path) -> None:
    rows = "".join(f"100,{k / 100}\n" for k in range(12))
    data = read(tmp_path, f"line_speed_ft_per_min,placement_error_in\n{rows}")
    assert data.error_step_mm == pytest.approx(0.254)


def test_few_values_show_no_step(tmp_path: Path) -> None:
    data = read(tmp_path, "line_speed_m_per_min,placement_error_mm\n60,1\n60,2\n")
    assert data.error_step_mm == 0.0


def test_several_feeders_need_the_column(tmp_path: Path) -> None:
    with pytest.raises(FeedsimError, match="row 2: which of the 2 feeders"):
        read(tmp_path, "line_speed_m_per_min,placement_error_mm\n60,1\n", feeders=TWO)


def test_a_name_goes_before_a_number(tmp_path: Path) -> None:
    data = read(
        tmp_path,
        "line_speed_m_per_min,feeder,placement_error_mm\n60,1,0.1\n60,0,0.1\n",
        feeders=["1", "0"],
    )
    assert data.feeder.tolist() == [0, 1]


@pytest.mark.parametrize("units", ["metric", "inch"])
@pytest.mark.parametrize("several", [False, True])
def test_the_head_of_a_blank_file_is_read(units: str, several: bool) -> None:
    heads = blank_heads(units, several=several)  # type: ignore[arg-type]
    columns, others = columns_of(heads, 1)
    assert len(columns) == len(heads) == (6 if several else 5)
    assert others == []


def test_what_counts_as_blank(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    head = "line_speed_m_per_min,carriers,missed,placement_error_mm\n"
    for text, blank in (
        (head + "60,500,,\n60,,,\n", True),
        (head, True),
        (head + "60,500,1,\n", False),
        (head + "60,,,0.2\n", False),
        (head + "60,,,oops\n", False),
        ("something else\n", False),
        ("", False),
    ):
        path.write_text(text)
        assert is_blank(path, feeders=ONE) is blank, text
