"""``report.html``: whole in itself, escaped, with answer, reasons, limits and cautions."""

from __future__ import annotations

import html as entities
import re
import tomllib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.sweep import words
from feedsim.answers.sweep.links import Picture
from feedsim.answers.sweep.report import sweep_report
from feedsim.answers.sweep.study import SweepPlan, Swept, run_point
from feedsim.criteria import Failing
from feedsim.metrics.machine_settings import MachineSettings
from feedsim.running.axes import Axis, parse_axis, parse_speeds
from feedsim.scenario import scenario_to_dict
from feedsim.settings.limits import TOGETHER
from tests.unit.sweep_points import NOTHING, by_hand, card, feeder, limit, point

EVIL = '<script>alert(1)</script> & "co"'
LIMITS = [
    limit(TOGETHER, "within_tolerance", 1290.0),
    limit("placement error", "within_tolerance", 1300.0),
    limit("tail held", "jam_risk", 2100.0),
]
SETTINGS = MachineSettings(20.0, 60.0, 360.0, 12.0, 60.0, 12.0, 7200, 1200, 1.0)
JAM: dict[Failing, str] = {
    "jam_risk": "card feeder: 2 % of the feed cycles had a jam hazard (20), at most 0.1 % may."
}


def ran(*axes: Axis, changes: tuple[str, ...] = ()) -> str:
    """Return the report of a sweep that was run."""
    sweep = SweepPlan(card(*changes), axes, 1)
    plain = scenario_to_dict(sweep.scenario)
    points = [run_point(plain, at, 1) for at in sweep.points]
    settings = [feeder.settings for feeder in review(sweep.scenario).feeders]
    swept = Swept.of(sweep, points, [NOTHING])
    return sweep_report(
        replace(swept, closed_form=tuple(LIMITS)),
        figures=[Picture("A line over speed", b"PNG")],
        settings=settings,
    )


def told(points: Any, *axes: Axis, limits: Any = LIMITS, **more: Any) -> str:
    """Return the text of the report of points made by hand, without tags, on one line."""
    settings = [SETTINGS] * len(points[0].results.feeders)
    made = by_hand(points, *axes, limits=limits)
    return text_of(sweep_report(made, figures=(), settings=settings, **more))


def text_of(html: str) -> str:
    body = html[html.index("<body") :]
    return re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", " ", body))).strip()


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


SPEEDS = parse_speeds("60,180 m/min")
GAP = parse_axis("feeder.0.insert.gap=30,40,70 mm")
SCAN = parse_axis("controller.scan=1,2 ms")


def gap_points() -> list[Any]:
    verdicts = ((False, True), (False, True), (True, False))
    return [
        point(1000.0, accepted=a, decided=d, because={} if a else JAM, varied={GAP.key: value})
        for value, (a, d) in zip(GAP.values, verdicts, strict=True)
    ]


def gap_by_speed() -> list[Any]:
    return [
        point(v, accepted=a, because={} if a else JAM, varied={GAP.key: value})
        for value, verdicts in zip(GAP.values, ((False, False), (True, False), (True, True)),
                                   strict=True)
        for v, a in zip((1000.0, 3000.0), verdicts, strict=True)
    ]  # fmt: skip


def test_the_answer_the_reason_the_settings_and_the_cautions_are_there() -> None:
    html = ran(SPEEDS)
    tags = Tags()
    tags.feed(html)
    assert tags.open == []
    text = text_of(html)
    assert "How fast can this line run" in text
    assert "Accepted so far at every speed of the sweep up to 60 m/min." in text
    assert "At 180 m/min it is not accepted any more:" in text
    assert "jam hazard" in text
    assert "engage lead 12 ms" in text
    assert "no safety function" in text
    assert "data:image/png;base64,UE5H" in html


@pytest.mark.parametrize("axes", [(SPEEDS,), (GAP,), (SCAN, SPEEDS), (SCAN, GAP)])
def test_no_outside_address_no_script_and_every_tag_closed(axes: tuple[Axis, ...]) -> None:
    html = ran(*axes)
    tags = Tags()
    tags.feed(html)
    assert tags.open == []
    assert not re.search(r"(?:https?:)?//[a-z]", html.replace("data:image/png;base64,", ""))
    assert "<script" not in html
    assert "<link" not in html
    assert "@import" not in html
    assert "url(" not in html


def test_text_of_the_scenario_is_escaped() -> None:
    quoted = EVIL.replace('"', '\\"')
    html = ran(SPEEDS, changes=(f'title="{quoted}"', f'feeder.0.name="{quoted}"'))
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;co&#34;" in html


@pytest.mark.parametrize(
    ("accepted", "answer", "why"),
    [
        (False, "Not accepted even at the lowest", "At 60 m/min it is not accepted: card feeder"),
        (True, "up to 60 m/min", "Every point meets every acceptance figure."),
    ],
)
def test_one_sided_answers(accepted: bool, answer: str, why: str) -> None:
    speed = parse_speeds("60 m/min")
    because = {} if accepted else JAM
    text = told([point(1000.0, accepted=accepted, because=because)], speed)
    assert answer in text
    assert why in text


def test_the_answer_says_what_it_is_worth_and_how_sure_it_is() -> None:
    # points made by hand place 10 products an hour for each mm/s
    sure = [point(1000.0), point(3000.0, accepted=False, because=JAM)]
    text = told(sure, SPEEDS)
    assert "That is 10,000 complete products per hour. Why" in text
    assert "At 60 m/min it is accepted, and 1000 carriers decide it at 95 %." in text
    assert "Every verdict is decided at 95 %" in text
    unsure = [point(1000.0, decided=False), sure[1]]
    text = told(unsure, SPEEDS)
    assert "complete products per hour. More carriers are needed to be sure." in text
    assert "At 60 m/min it is accepted, but 1000 carriers do not decide it." in text
    assert "1 of 2 verdicts are not decided at 95 %" in text


# -- limits


@pytest.mark.parametrize(
    ("units", "speeds"), [("metric", ("78 m/min", "77.4 m/min")), ("inch", ("256 ft", "254 ft"))]
)
def test_the_limits_are_listed_the_binding_one_first(units: Any, speeds: tuple[str, str]) -> None:
    points = [point(v) for v in SPEEDS.numbers]
    html = told(points, SPEEDS, units=units)
    part = html[html.index("What limits the speed") : html.index(" Table ")]
    assert f"Placement error binds first; at {speeds[0]}" in part
    assert f"and together with the others at {speeds[1]}" in part
    rows = part[part.index("mechanism brings") :]
    places = [rows.index(name) for name in ("placement error", "tail held", TOGETHER)]
    assert places == sorted(places)
    assert f"placement error placement within tolerance {speeds[0]}" in rows


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ([], "no mechanism limits the speed"),
        (
            [limit("eyes and singulator", "missed", 0.0), limit(TOGETHER, "missed", 0.0)],
            "eyes and singulator alone are too much for missed carriers, however slow the line.",
        ),
        (
            [limit(TOGETHER, "missed", 500.0), limit("drive", "jam_risk", 1000.0)],
            "drive binds first; at 60 m/min that alone brings jam risk to its limit, "
            "and all together bring missed carriers to its limit at 30 m/min.",
        ),
        (
            [limit("drive", "jam_risk", 1000.0), limit(TOGETHER, "jam_risk", 1000.0)],
            "drive binds first; at 60 m/min that alone brings jam risk to its limit.",
        ),
    ],
)
def test_what_binds_in_a_sentence(limits: list[FeederLimit], said: str) -> None:
    assert said in words.binding(limits, "metric")


def test_without_limits_there_is_no_such_section() -> None:
    assert "What limits the speed" not in told([point(1000.0)], parse_speeds("60 m/min"),
                                                  limits=())  # fmt: skip


@pytest.mark.parametrize(
    ("end", "decided", "said"),
    [
        (2000.0, True, "the runs agree."),
        (1000.0, True, "the runs agree."),
        (900.0, True, "below what the runs say"),
        (900.0, False, "do not contradict it"),
        (3100.0, True, "above what the runs say"),
        (3100.0, False, "do not contradict it"),
        (0.0, True, "allows no speed at all, below what the runs say"),
    ],
)
def test_runs_are_held_against_the_closed_form(end: float, decided: bool, said: str) -> None:
    points = [
        point(1000.0, decided=decided),
        point(3000.0, accepted=False, decided=decided, because=JAM),
    ]
    limits = [limit(TOGETHER, "missed", 9000.0), limit(TOGETHER, "jam_risk", end, "other")]
    assert said in words.agreement(by_hand(points, SPEEDS, limits=limits), "metric")


def test_no_such_agreement_for_other_keys_or_without_limits() -> None:
    assert words.agreement(by_hand(gap_points(), GAP, limits=LIMITS), "metric") == ""
    points = [point(v) for v in SPEEDS.numbers]
    assert words.agreement(by_hand(points, SPEEDS), "metric") == ""


# -- other sweeps


def test_a_sweep_over_a_key_speaks_of_its_values() -> None:
    text = told(gap_points(), GAP)
    assert "With which values of feeder.0.insert.gap is this line accepted at 60 m/min?" in text
    assert "Accepted so far with feeder.0.insert.gap at 70 mm." in text
    assert "30 mm to 40 mm: too many jam hazards" in text
    assert "Not accepted at 2 of 3 points: too many jam hazards at 2." in text
    assert "for the scenario as given: other values of feeder.0.insert.gap have other" in text
    assert "They are those of the scenario as given." in text
    assert "speed of the sweep" not in text
    assert "ach speed" not in text


def test_a_point_leads_to_its_numbers_and_these_to_the_command_that_plays_it() -> None:
    made = by_hand(gap_points(), GAP, limits=LIMITS)
    page = sweep_report(made, figures=(), settings=[SETTINGS])
    for place in range(3):
        assert f'<tr id="point-0-{place}"' in page
        assert f'href="#watch-{place}"' in page
        assert f'<li id="watch-{place}">' in page


def test_a_map_lists_the_highest_speed_of_each_value() -> None:
    text = told(gap_by_speed(), GAP, SPEEDS)
    assert "How fast can this line run with each value of feeder.0.insert.gap" in text
    answer = text[text.index("highest accepted speed") : text.index(" Why ")]
    assert "30 mm none - jam risk" in answer
    assert "40 mm 60 m/min 10,000 jam risk" in answer
    assert "70 mm 180 m/min 30,000 nothing, within the sweep" in answer
    assert "Not accepted at 3 of 6 points" in text


def test_two_keys_say_at_how_many_points_it_is_accepted() -> None:
    points = [
        point(1000.0, accepted=a == "1 ms", because={} if a == "1 ms" else JAM,
              varied={SCAN.key: a, GAP.key: b})
        for a in SCAN.values
        for b in GAP.values
    ]  # fmt: skip
    text = told(points, SCAN, GAP)
    assert f"With which values of {SCAN.key} and {GAP.key} is this line accepted" in text
    assert "Accepted at 3 of 6 points." in text


def test_settings_that_differ_between_points_are_told() -> None:
    same = [point(v) for v in SPEEDS.numbers]
    assert "The same at every point." in told(same, SPEEDS)
    others = [point(1000.0), point(3000.0, feeder(engage_mm=350.0))]
    text = told(others, SPEEDS, units="metric")
    assert "Not the same at every point" in text
    assert "engage distance 350 mm to 360 mm." in text
    assert "The same at every point." not in text


def test_a_long_table_repeats_its_head_and_marks_what_is_not_accepted() -> None:
    speeds = parse_speeds("0.2:200:0.2 m/min")
    points = [point(v, accepted=v < 1000.0, because=JAM) for v in speeds.numbers]
    html = sweep_report(by_hand(points, speeds, limits=LIMITS), figures=(), settings=[SETTINGS])
    table = html[html.index("<h2>Table") : html.index("<h2>Settings")]
    assert table.count("<thead>") == 1
    assert table.count("<tr") == 1001
    # 60 m/min is the 300th of them
    assert table.count('class="refused"') == 701
    assert "thead { display: table-header-group; }" in html
    assert "tr, li, .mark, .cautions { break-inside: avoid; }" in html


def test_the_scenario_stands_there_as_a_file_to_paste_in_the_units_it_was_written_in() -> None:
    scenario = Path(__file__).parents[2] / "scenarios" / "imperial.toml"
    line = feedsim.load(scenario, {"run.carriers": 60})
    html = feedsim.sweep(line, "100,150 ft/min").files()["report.html"]
    assert isinstance(html, bytes)
    (pasted,) = re.findall(r"<pre>(.*?)</pre>", html.decode(), re.DOTALL)
    written = tomllib.loads(scenario.read_text("utf-8"))
    written["run"]["carriers"] = 60
    assert tomllib.loads(entities.unescape(pasted)) == written


def test_in_the_dark_it_is_dark_and_on_paper_it_is_not() -> None:
    """Of all rules that change colours one asks for a screen."""
    html = ran(SPEEDS)
    (dark,) = re.findall(
        r"@media screen and \(prefers-color-scheme: dark\) {\s*:root {([^}]*)}", html
    )
    (light,) = re.findall(r"^\s*:root {([^}]*)}", html, re.MULTILINE)[:1]
    assert set(re.findall(r"--\w+", dark)) == set(re.findall(r"--\w+", light))
    assert html.count("prefers-color-scheme") == 1


def test_each_feeder_has_its_limits_its_table_and_its_settings() -> None:
    points = [point(v, feeder(name="left"), feeder(name="right")) for v in SPEEDS.numbers]
    limits = [
        limit("drive", "jam_risk", 500.0, "right"),
        *(replace(x, feeder="left") for x in LIMITS),
    ]
    text = told(points, SPEEDS, limits=limits)
    assert text.count("left") >= 3
    assert "In closed form, left: placement error binds first" in text
    assert "In closed form, right: drive binds first; at 30 m/min" in text
