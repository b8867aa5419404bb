"""Cells that a spreadsheet would run are made harmless, and numbers are left alone."""

from __future__ import annotations

import csv
import io

import pytest

from feedsim.render.csv_table import csv_table, harmless


# OWASP, CSV injection (from memory): what begins with = + - @, a tab or a carriage return
@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "-"])
def test_a_formula_is_quoted(text):
    assert harmless(text) == "'" + text


@pytest.mark.parametrize("text", ["", "card feeder", "a=b", "-5", "+5.25", "-.5e-3", "60 m/min"])
def test_what_is_no_formula_stays(text):
    assert harmless(text) == text


def test_a_table_reads_back():
    rows = [{"name": '=x,"y"', "a_mm": -0.1}, {"name": "b", "b_mm": 1e-9, "a_mm": None}]
    read = list(csv.DictReader(io.StringIO(csv_table(rows).decode())))
    assert read == [
        {"name": '\'=x,"y"', "a_mm": "-0.1", "b_mm": ""},
        {"name": "b", "a_mm": "", "b_mm": "1e-09"},
    ]
    assert float(read[0]["a_mm"]) == -0.1
