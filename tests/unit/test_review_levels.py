"""What ``check`` says of cards and gaps that a filter or a scan may not let be seen.

On the starter: letters of 210 mm each 260 mm, cards of 85.6 mm with gaps of 70 mm (spread 1 mm), at
60 m/min, so that a millimetre passes in a millisecond; responses of 0.5 ms.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from feedsim.answers.budget.study.caveats import caveats_of
from feedsim.answers.check.study.checked_feeder import checked_feeders
from feedsim.answers.check.study.review import review
from feedsim.scenario import override, scenario_from_text

STARTER = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")


def warned(*changes: str) -> list[str]:
    found = review(override(scenario_from_text(STARTER), changes))
    return [w for w in found.feeders[0].warnings if "may not see" in w]


@pytest.mark.parametrize(
    "changes",
    [
        (),
        ("carrier_eye.capture=scanned", "controller.scan=90 ms"),
        ("carrier_eye.capture=polled",),
        ("carrier_eye.capture=polled", "carrier_eye.filter_time=20 ms"),
        ("feeder.0.eye.filter_time=20 ms",),
    ],
)
def test_nothing_is_said_where_levels_last(changes: tuple[str, ...]) -> None:
    assert warned(*changes) == []


def test_cards_shorter_than_filter_and_scan() -> None:
    words = warned("feeder.0.eye.filter_time=90 ms", "feeder.0.insert.gap=200 mm")
    assert len(words) == 1
    assert "The insert eye may not see an insert: its output is on for as little as 85" in words[0]
    assert "passes nothing shorter than 90 ms. 100 % of them are not seen" in words[0]
    assert words[0].endswith("Shorten the filter.")


def test_gaps_shorter_than_a_scan() -> None:
    # 50 mm, less four spreads of the pitch and of the edge: of 50 ms a scan of 60 shows 5/6
    (words,) = warned("carrier_eye.capture=polled", "controller.scan=60 ms")
    assert "may not see the gap between two carriers: its output is off for as little" in words
    assert "the program polls it every 60 ms" in words
    assert "16.7 % of them merge with the one before" in words
    assert words.endswith("Latch the eye, or scan faster.")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # 50 mm of gap, 5/6 of them with a scan of 60 ms in it
        (
            ("carrier_eye.capture=polled", "controller.scan=60 ms"),
            "About 16.7 % of the carriers merge with the one before at their eye at 60 m/min: "
            "those whose gap falls between two scans are lost, and the others come later.",
        ),
        # the eye needs 48.8 mm, P(gap + edge < 48.8) = Φ(−1.2/√(1² + 1²)) = 19.8 %
        (
            ("carrier_eye.off_response=48.8 ms", "carrier_eye.edge_sd=1 mm",
             "carrier.pitch_sd=1 mm"),
            "About 19.8 % of the carriers merge with the one before at their eye at 60 m/min: "
            "edges that are seen early are lost, and the others spread less.",
        ),
    ],
)  # fmt: skip
def test_those_that_merge_leave_a_selection(changes: tuple[str, ...], said: str) -> None:
    scenario = override(scenario_from_text(STARTER), changes)
    assert said in review(scenario).feeders[0].warnings
    # budget says the same
    (checked,) = checked_feeders(scenario, "metric")
    assert said in [caveat.words for caveat in caveats_of(checked) if caveat.kind == "merging"]


def test_a_card_seen_at_some_scans_only() -> None:
    words = warned(
        "carrier.length=30 mm", "carrier_eye.capture=polled", "controller.scan=40 ms",
        "feeder.0.settings.target_offset=1 mm", "limits.overhang=90 mm",
    )  # fmt: skip
    assert any("may not see a carrier" in w and "25 % of them are not seen" in w for w in words)
