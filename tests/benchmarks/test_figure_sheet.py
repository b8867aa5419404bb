"""The whole sheet of odd lines: some minutes."""

from __future__ import annotations

import pytest

from tests.figure_sheet import SHEET
from tests.unit.test_figure_sheet import faults

pytestmark = pytest.mark.benchmark


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("name", SHEET)
def test_no_label_is_cut_or_on_another(name: str) -> None:
    assert faults(name) == []
