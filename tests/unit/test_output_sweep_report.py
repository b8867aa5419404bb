"""``report.html``: whole in itself, escaped, with the answer, the cautions and the figures."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from feedsim.output.sweep_report import sweep_report
from feedsim.scenario import load_scenario
from feedsim.studies.axes import speeds_of
from feedsim.studies.review import review
from feedsim.studies.sweep import Sweep, run_sweep

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
EVIL = '<script>alert(1)</script> & "co"'


def report(*changes: str, speeds: tuple[float, ...] = (1000.0, 3000.0)) -> str:
    scenario = load_scenario(CARD, overrides=["run.carriers=120", *changes])
    sweep = Sweep(scenario, (speeds_of(speeds),), 1)
    points = run_sweep(sweep, jobs=1, known={}, on_point=lambda *_: None, on_lost=lambda _: None)
    settings = [feeder.settings for feeder in review(scenario).feeders]
    return sweep_report(sweep.to_plain(points), figures={"sweep": b"PNG"}, settings=settings)


class Tags(HTMLParser):
    """Every tag opened must be closed, but for those that stand alone."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in {"meta", "img"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_answer_the_reason_the_settings_and_the_cautions_are_there() -> None:
    html = report()
    tags = Tags()
    tags.feed(html)
    assert tags.open == []
    text = re.sub(r"\s+", " ", html)
    # 1000 and 3000 mm/s are 60 and 180 m/min
    assert "Accepted at every speed of the sweep up to 60 m/min." in text
    assert "At 180 m/min:" in text
    assert "jam hazard" in text
    assert "engage lead 12 ms" in text
    assert "no safety function" in text
    assert "data:image/png;base64,UE5H" in text


def test_no_outside_address_and_no_script() -> None:
    html = report()
    assert not re.search(r"(?:https?:)?//[a-z]", html.replace("data:image/png;base64,", ""))
    assert "<script" not in html
    assert "<link" not in html


def test_text_of_the_scenario_is_escaped() -> None:
    quoted = EVIL.replace('"', '\\"')
    html = report(f'title="{quoted}"', f'feeder.0.name="{quoted}"')
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;co&#34;" in html


@pytest.mark.parametrize(
    ("speeds", "answer"),
    [((3000.0,), "Not accepted even at the lowest"), ((1000.0,), "up to 60 m/min")],
)
def test_one_sided_answers(speeds: tuple[float, ...], answer: str) -> None:
    assert answer in report(speeds=speeds)
