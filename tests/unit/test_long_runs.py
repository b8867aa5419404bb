"""Runs so long that doubles round the belt's travel by more than two travels that count as one."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

CARD = Path("scenarios/membership_card.toml")
PITCH_MM, CARRIERS, PATIENCE_S = 9000, 4000, 120


@pytest.mark.parametrize("master", ["encoder", "virtual"])
@pytest.mark.parametrize("engine", ["events", "compiled"])
def test_a_carrier_that_waited_is_dropped_at_once(engine: str, master: str, tmp_path: Path) -> None:
    """An insert is fed over 14.1 m, carriers come every 9 m: every second one is dropped.

    Beyond 2^23 mm a double is 1.9e-9 mm from the next; without motion cycles the program acts at
    the very reading at which a carrier is out of reach.
    """
    changed = {
        "controller.motion_cycle": "0 ms",
        "controller.not_ready": "engage",
        "controller.search_limit": "100 m",
        "carrier.pitch": f"{PITCH_MM} mm",
        "carrier_eye.missed": "0 %",
        "feeder.0.eye.missed": "0 %",
        "feeder.0.insert.gap": "14 m",
        "feeder.0.insert.misfeed": "0 %",
        "run.master": master,
    }
    words = [sys.executable, "-m", "feedsim", "run", str(CARD), "--json", "--engine", engine]
    words += ["--carriers", str(CARRIERS), "--records", "none", "--out", str(tmp_path)]
    words += [part for key, value in changed.items() for part in ("--set", f"{key}={value}")]
    assert PITCH_MM * CARRIERS > 2**23
    ran = subprocess.run(words, check=True, capture_output=True, text=True, timeout=PATIENCE_S)
    missed = json.loads(ran.stdout)["feeders"][0]["missed"]
    assert missed["by_cause"]["not_staged"] == missed["count"] == CARRIERS // 2
