"""The one rule for cells and decimal commas, for every file of figures that is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from feedsim.answers.trial.study.data import read_trial
from feedsim.errors import FeedsimError
from feedsim.scenario.csv_numbers import delimiter_of, plain_number
from feedsim.scenario.motor_file import read_motors
from feedsim.scenario.record_file import read_column

TABLES = {
    "trial": (("line_speed_m_per_min", "placement_error_mm"), ("24", "0.5"), ("60", "1.25")),
    "record": (("note", "pitch_mm"), ("7", "260.5"), ("8", "261.25")),
    "motors": (
        ("name", "rated_torque_n_m", "peak_torque_n_m", "rated_speed_rpm", "max_speed_rpm",
         "rotor_inertia_kg_cm2", "rated_power_w", "over_temperature_factor"),
        ("a", "1.25", "3.5", "3000", "6000.5", "0.03", "50.5", "0.9"),
    ),
}  # fmt: skip


def read(kind: str, path: Path) -> list[object]:
    if kind == "trial":
        return read_trial(path, feeders=["a"], longest_mm=200.0).error_mm.tolist()
    if kind == "record":
        return list(read_column(path).values)
    return list(read_motors(path, key="motors"))


@pytest.mark.parametrize("kind", TABLES)
@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_say_the_same_in_every_file(kind: str, mark: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    found = []
    for joined, comma in ((",", "."), (mark, "."), (mark, ",")):
        head, *rows = TABLES[kind]
        lines = [joined.join(head), *(joined.join(r).replace(".", comma) for r in rows)]
        path.write_text("\n".join(lines) + "\n")
        found.append(read(kind, path))
    assert found[0] == found[1] == found[2]


def test_what_is_no_decimal_comma_stays_as_it_is() -> None:
    for text in ("1.000,5", "1,000,5", "1,5.2", "x", ""):
        assert plain_number(text, commas=True) == text
    with pytest.raises(ValueError, match="decimal commas need semicolons"):
        plain_number("1,5", commas=False)
    assert delimiter_of("a\tb;c\td") == "\t"


@pytest.mark.parametrize("kind", TABLES)
@pytest.mark.parametrize("cell", ["1.5 mm", "1.5mm", "0.06 in", "2 Nm"])
def test_a_cell_with_a_unit_is_told_where_the_unit_belongs(
    kind: str, cell: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    head, row, *_ = TABLES[kind]
    path.write_text(",".join(head) + "\n" + ",".join((row[0], cell, *row[2:])) + "\n", "utf-8")
    with pytest.raises(FeedsimError) as caught:
        read(kind, path)
    (said,) = caught.value.lines
    assert f'found "{cell}"; needs a number' in said.replace("'", '"')
    assert "without its unit, which is in the head of the column" in said
