"""The summary says in words what was found, fits 80 columns, and needs no colour."""

import re
from dataclasses import replace
from unittest.mock import patch

import pytest

from feedsim.answers.run.summary import summary
from feedsim.cli.delivery import coloured
from feedsim.metrics.results import Results, summarise
from feedsim.records.outcome import Outcome
from feedsim.render import layout
from tests.unit import records_builder as by_hand
from tests.unit.records_builder import CRITERIA, missed, placed


def results(*feeders, criteria=CRITERIA, names=None, title="Sample card", **machine) -> Results:
    return summarise(
        by_hand.run(*map(by_hand.feeder, feeders)),
        by_hand.machine(*[by_hand.one_feeder(**machine) for _ in feeders]),
        criteria=criteria,
        names=names or [f"feeder {i}" for i in range(len(feeders))],
        title=title,
        seed=7,
        version="0",
    )


def said(found: Results, *, criteria=CRITERIA, units="metric", width=80) -> str:
    machine = by_hand.machine(by_hand.one_feeder())
    with patch.object(layout, "_room", return_value=width):
        return summary(found, machine=machine, criteria=criteria, units=units) + "\n"


def block(text: str, name: str) -> str:
    """Return what stands in the row of a name, on one line."""
    row = re.search(rf"^  {re.escape(name)} +(.*\n(?:^ {{10,}}.*\n)*)", text, re.MULTILINE)
    assert row, text
    return " ".join(row.group(1).split())


GOOD = [placed(placement_error_mm=0.01 * (i % 5 - 2)) for i in range(100)]


def test_figures_of_a_small_run_by_hand():
    """Of 6 carriers 4 get an insert: mean 0, sd of (-1, -1, 1, 1) = 2/sqrt(3) = 1.1547.

    Four inserts have no Cp. Two of six missed: 33.3 %.
    3600·4/(6·0.26) = 9231 an hour.
    """
    rows = [placed(placement_error_mm=e) for e in (-1.0, 1.0, -1.0, 1.0)]
    rows += [missed(Outcome.NOT_STAGED), missed(Outcome.LATE_MARK)]
    text = said(results(rows))
    assert "60 m/min, 6 carriers, seed 7" in text
    assert "4 complete products (66.7 %), 9231 per hour" in text
    error = block(text, "Placement error")
    assert error.startswith("mean 0.000 mm (no interval below 20)")
    assert error.endswith("sd 1.155 mm, from -1.000 to +1.000 mm")
    assert block(text, "In tolerance").endswith("4 placed, 1.5 mm either side")
    assert "33.3 % (no interval below 20)" in block(text, "Missed")
    assert block(text, "Missed").endswith("2 of 6 carriers: 1 × not staged, 1 × late mark")
    assert "none seen (95 %: below 52.7 %, unless in runs)" in block(
        text, "Jam risk"
    )  # 1 - 0.05^(1/4)
    # each cycle from 1.0 to 1.17 s, a carrier every 0.26 s: 65.4 %
    assert block(text, "Feed cycle") == (
        "mean 170 ms, longest 170 ms 65.4 % of the time between carriers"
    )
    assert block(text, "Stage position") == "mean 60.000 mm, sd 0.000 mm"


def test_only_the_causes_that_happened_are_named():
    text = said(results([*GOOD, missed(Outcome.MERGED)]))
    assert block(text, "Missed").endswith("1 of 101 carriers: 1 × merged")


def test_inches():
    rows = [placed(placement_error_mm=e) for e in (-1.0, 1.0)]
    text = said(results(rows), units="inch")
    # 1/25.4 = 0.03937, sd = sqrt(2)/25.4 = 0.0557, 1.5/25.4 = 0.05906, 35/25.4 = 1.378
    assert "196.9 ft/min" in text
    assert "sd 0.0557 in, from -0.0394 to +0.0394 in" in block(text, "Placement error")
    assert "0.05906 in either side" in block(text, "In tolerance")
    assert block(text, "nose strike").startswith("0 1.3780 in 0.0000 in")
    assert " mm" not in text


def test_met_and_decided():
    """4000 good carriers: the interval of none missed ends at z²/(n + z²) = 0.096 %."""
    text = said(results(GOOD * 40))
    assert "\nACCEPTED, for sure at 95 %\n" in text
    assert "NOT" not in text
    for name in ("In tolerance", "Missed", "Jam risk"):
        assert block(text, name).startswith("met ")
    assert "so far" not in text


def test_met_but_not_decided():
    text = said(results(GOOD))
    # None of n seen, the interval ends at z²/(n + z²): below 0.1 % from n = 999·z² = 3838 on, and
    # below 0.3 % from 1277 on; rounded up to two digits.
    assert (
        "NOT DECIDED: accepted so far. 100 carriers do not show it at 95 %; about 3900 would "
        "(--carriers 3900), if shares stay as they are (in tolerance, missed, jam risk)"
    ) in " ".join(text.split())
    assert "ACCEPTED" not in text
    assert block(text, "Missed") == (
        "met so far none seen (95 %: below 3 %, unless in runs) "
        "at most 0.1 % may; 0 of 100 carriers"
    )


def test_one_carrier_is_not_accepted_in_green(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    text = coloured(said(results(GOOD[:1])))
    assert "ACCEPTED" not in text
    assert "One carrier does not show it at 95 %; about 3900 would (--carriers 3900)" in " ".join(
        text.split()
    )
    assert "\x1b[32m" not in text
    assert "Cp " not in text
    # the twin: 4000 are
    assert "\x1b[32m\x1b[1mACCEPTED\x1b[0m" in coloured(said(results(GOOD * 40)))


def test_a_miss_among_few_is_not_refused_and_says_how_many_would_tell():
    # 1 of 500: were 0.2 % the share, z²·0.001·0.999/0.001² = 3838 carriers would have Wilson's
    # interval above 0.1 %; but the exact end of one side is there from 4043 on (8.1 hits,
    # scipy.stats.beta, a root by scipy.optimize)
    rows = [*(GOOD * 5)[:499], missed(Outcome.NOT_SEEN)]
    found = results(rows)
    text = " ".join(said(found).split())
    assert "NOT DECIDED: not accepted so far. 500 carriers do not show it at 95 %" in text
    assert "about 4100 would (--carriers 4100), if shares stay as they are (missed)" in text
    (row,) = [row for row in found.to_decide if row.figure == "missed"]
    assert not row.met
    assert row.carriers == pytest.approx(4043, rel=0.01)


def test_not_met_says_why():
    rows = [row for good in GOOD for row in (good, placed(placement_error_mm=3.0))]
    found = results(rows)
    text = said(found)
    assert "NOT ACCEPTED" in text
    assert found.not_accepted_because
    for reason in found.not_accepted_because:
        assert reason in " ".join(text.split())
    assert block(text, "In tolerance").startswith(
        "NOT MET 50 % (95 %: 43.1 to 56.9 %) at least 99.7 % must; 200 placed"
    )
    assert "so far" not in block(text, "In tolerance")


@pytest.mark.parametrize(
    ("limit", "state"),
    [(0.01, "not met so far "), (0.02, "met so far "), (0.2, "met 2 %"), (0.001, "NOT MET ")],
)
def test_each_figure_has_its_own_state(limit, state):
    """Of 300 carriers 6 missed, evenly spread: 2 %, 95 % interval 0.87 to 4.3 % (up: Wilson;
    down: where 6 or more have a probability of 5 %, scipy.stats.beta)."""
    criteria = replace(CRITERIA, missed=limit)
    rows = [*GOOD[:49], missed(Outcome.NOT_SEEN)] * 6
    text = said(results(rows, criteria=criteria), criteria=criteria)
    told = block(text, "Missed")
    assert told.startswith(state)
    assert "0.87 to 4.3 %" in told


def hazard(text, name):
    return block(text, name)


def test_hazards_are_named_when_seen_near_or_far():
    near = [placed(stage_position_mm=94.0 + 0.5 * (-1) ** i) for i in range(200)]
    text = said(results(near))  # margins 1 ± 0.5 mm: mean of two sd
    assert hazard(text, "nose strike") == "0 1.000 mm 0.501 mm 2.3 % near its limit"
    past = [*GOOD, placed(stage_position_mm=95.5)]
    assert hazard(said(results(past)), "nose strike").startswith("1 ")
    assert hazard(said(results(past)), "nose strike").endswith("SEEN")
    assert hazard(said(results(GOOD)), "nose strike") == "0 35.000 mm 0.000 mm under 1e-9"
    stray = [*GOOD, placed(strays=2)]
    assert hazard(said(results(stray)), "stray insert") == "1 - - - SEEN"
    assert hazard(said(results(GOOD)), "stray insert") == "0 - - -"


def test_a_feed_cycle_that_leaves_no_time_is_named():
    for ready, word in ((1.2, ""), (1.25, "near its"), (1.27, "TOO LONG")):
        text = said(results([placed(ready_time_s=ready)] * 9))
        told = block(text, "Feed cycle")
        assert [w for w in ("near its", "TOO LONG") if w in told] == ([word] if word else [])


@pytest.mark.parametrize(
    "rows",
    [[missed(Outcome.NOT_SEEN)] * 3, [placed()], [placed(placement_error_mm=0.1)] * 50],
    ids=["none placed", "one carrier", "all the same"],
)
def test_odd_runs(rows):
    text = said(results(rows))
    assert ("no insert placed" in text) == (rows[0]["outcome"] != Outcome.PLACED)
    assert "nan" not in text
    assert "None" not in text


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_80_columns_are_enough(units):
    wide = [
        placed(
            placement_error_mm=188.123 * (-1) ** i,
            stage_position_mm=60.0 + 55.5 * (-1) ** i,
            demanded_acceleration_mm_s2=1.7e6,
        )
        for i in range(5000)
    ] + [missed(cause) for cause in list(Outcome)[1:] for _ in range(999)]
    found = results(wide, names=["a feeder with quite a long name that goes on and on " * 3])
    text, much = said(found, units=units), said(found, units=units, width=200)
    assert max(map(len, text.splitlines())) <= 80
    assert sorted(text.split()) == sorted(much.split())  # nothing is cut off


def test_colour_adds_nothing_to_the_words(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    plain = said(results([*GOOD, placed(stage_position_mm=95.5)], [*GOOD, placed()]))
    assert "\x1b[31m\x1b[1mSEEN\x1b[0m" in coloured(plain)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured(plain)) == plain
    monkeypatch.setenv("NO_COLOR", "1")  # no-color.org
    assert coloured(plain) == plain


def test_names_are_not_taken_for_markup():
    text = said(results(GOOD, names=["[red]cards[/red] :smile:"], title="[b]A[/b]\tcard"))
    assert "[red]cards[/red] :smile:" in text
    assert "[b]A[/b] card" in text


def test_stops_are_told():
    found = results(GOOD)
    assert "stops" not in said(found)
    stopped = replace(
        found, stops=replace(found.stops, count=2, downtime_s=120.0, availability=0.9)
    )
    assert "2 stops, 120 s down, running 90 % of the time" in said(stopped)
