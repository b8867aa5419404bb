"""What a rehearsal page is given: motion, cards, eyes and events, against the engine."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.feeder import SceneFeeder
from feedsim.answers.rehearse.study.scene import scene
from feedsim.draws.line_draws import RunDraws
from feedsim.motion.master import Master
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, load_scenario
from feedsim.simulation.line import simulate_traced
from tests.unit.story_cases import explain
from tests.unit.unpacking import unpacked

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BUSY = (
    "feeder.0.insert.misfeed=4 %",
    "feeder.0.insert.double=4 %",
    "feeder.0.eye.missed=4 %",
    "carrier_eye.missed=2 %",
)
CASES = {
    "ramps in time, lag": ("membership_card", (), range(30, 60)),
    "misses, strays, doubles": ("membership_card", BUSY, range(5, 60)),
    "ramps in travel": ("imperial", (), range(12)),
    "two feeders": ("two_feeders", (), range(100, 120)),
    "profile, from standstill": ("from_standstill", (), range(60)),
    "empty start, virtual master": ("bench", (), range(12)),
    "scanned eyes, random arrivals": ("hand_fed", (), range(40, 60)),
}


FILTERS = (
    "carrier_eye.capture=polled",
    "carrier_eye.filter_time=15 ms",
    "controller.scan=12 ms",
    "feeder.0.eye.filter_time=8 ms",
)


class Case:
    """A scene beside the engine's own run of the same scenario, traced in full."""

    def __init__(self, name: str) -> None:
        file, overrides, chosen = CASES[name]
        self.scenario: Scenario = load_scenario(SCENARIOS / f"{file}.toml", overrides=overrides)
        self.scene = scene(self.scenario, ShownCarriers(chosen), name="A")
        self.page: Any = self.scene.plain()
        self.chosen = chosen
        self.machine = machine_of(self.scenario)
        self.draws = RunDraws(self.machine, self.scenario.seed)
        self.records: RunRecords
        self.trace: Trace
        self.records, self.trace = simulate_traced(
            self.machine, self.draws, carriers=chosen.stop + 40
        )
        self.first = self.scene.carriers.first
        self.times = np.linspace(self.scene.from_s, self.scene.to_s, 97).tolist()

    def feeders(self) -> list[tuple[int, SceneFeeder]]:
        return list(enumerate(self.scene.feeders))


@pytest.fixture(scope="module", params=CASES)
def case(request: pytest.FixtureRequest) -> Case:
    return Case(request.param)


# -- packing --------------------------------------------------------------------------------------


def test_a_column_keeps_every_bit() -> None:
    values = [1 / 3, -0.0, 1e300, math.nan, math.inf, 123456.000000001]
    found = unpacked(column(values))
    assert found.tobytes() == np.array(values).tobytes()


@pytest.mark.parametrize(
    ("values", "kind"), [([-1], "u1"), ([256], "u1"), ([2**31], "i4"), ([0.5], "i4")]
)
def test_what_does_not_fit_is_refused(values: list[float], kind: Any) -> None:
    with pytest.raises(ValueError, match="fit into"):
        column(values, kind)


def arrays_in(of: Any, page: Any) -> Iterator[tuple[Any, Any]]:
    """Yield each array of a scene with what the page reads under its name."""
    if isinstance(of, np.ndarray):
        yield of, page
    elif isinstance(of, dict):
        for name, value in of.items():
            yield from arrays_in(value, page.get(name))
    elif isinstance(of, tuple) and page and isinstance(page, list):
        for value, read in zip(of, page, strict=True):
            yield from arrays_in(value, read)
    elif is_dataclass(of) and isinstance(page, dict):
        for f in fields(of):
            yield from arrays_in(getattr(of, f.name), page.get(f.name))


def test_the_page_reads_the_numbers_of_the_scene(case: Case) -> None:
    found = list(arrays_in(case.scene, case.page))
    # 4 of carriers, 3 of a gate; of each feeder 10 of inserts, 13 of rows, 2 of each of 7 hazards
    gate = 0 if case.scene.gate is None else 3
    assert len(found) == 4 + gate + len(case.scene.feeders) * (10 + 13 + 2 * 7)
    for numbers, read in found:
        assert np.array_equal(unpacked(read), numbers, equal_nan=numbers.dtype.kind == "f")
    eyes = [(case.scene.carrier_eye, case.page["carrier_eye"])]
    for number, feeder in case.feeders():
        eyes.append((feeder.insert_eye, case.page["feeders"][number]["insert_eye"]))
    for blocked, read in eyes:
        numbers = [unpacked(read[name]).tolist() for name in ("number", "from_s", "to_s")]
        assert list(zip(*numbers, strict=True)) == [tuple(one) for one in blocked]


# -- motion, evaluated here from the numbers that the page reads -----------------------------------


def belt_position(belt: dict[str, Any], t: float) -> float:
    start, travel, speed, a = (unpacked(c) for c in belt.values())
    i = int(np.flatnonzero(start <= t)[-1])
    s = t - start[i]
    return float(travel[i] + speed[i] * s + a[i] * s * s / 2.0)


def feed_position(feed: dict[str, Any], t: float) -> float:
    """f0 + f1·s + … + f4·s⁴ − decay·exp(−K·s): the module docstring of feed_piece."""
    pieces = {name: unpacked(c) for name, c in feed["pieces"].items()}
    i = max(0, int(np.count_nonzero(pieces["start_s"] <= t)) - 1)
    s = t - pieces["start_s"][i]
    rise = unpacked(feed["rises"]).reshape(-1, 4)[pieces["shape"][i]]
    f = pieces["f0_mm"][i] + sum(rise[n] * s ** (n + 1) for n in range(4))
    decay = pieces["decay_mm"][i]
    return float(f - decay * math.exp(-feed["gain_per_s"] * s)) if decay else float(f)


def test_belt_and_feed_are_where_the_engine_has_them(case: Case) -> None:
    for t in case.times:
        # the same numbers in another order of operations: a few roundings of a travel of 1e5 mm
        assert belt_position(case.page["belt"], t) == pytest.approx(
            case.trace.belt.position(t), abs=1e-9
        )
        for number, feeder in enumerate(case.page["feeders"]):
            at = case.trace.feeds[number].position(t)
            assert feed_position(feeder["feed"], t) == pytest.approx(at, abs=1e-9)


def test_the_clutch_is_engaged_as_the_engine_has_it(case: Case) -> None:
    error = 1.0 + case.machine.encoder.scale_error
    for number, feeder in enumerate(case.page["feeders"]):
        pieces = {name: unpacked(c) for name, c in feeder["feed"]["pieces"].items()}
        for t in case.times:
            i = max(0, int(np.count_nonzero(pieces["start_s"] <= t)) - 1)
            start, belt = float(pieces["start_s"][i]), case.trace.belt
            ran = t - start
            if pieces["in_travel"][i]:
                ran = (belt.position(t) - belt.position(start)) / error
            r = min(1.0, max(0.0, pieces["engagement"][i] + pieces["slope"][i] * ran))
            assert r == pytest.approx(case.trace.feeds[number].engagement(t), abs=1e-9)


def test_counts_are_those_that_the_program_reads(case: Case) -> None:
    encoder, phases = case.scene.encoder, case.draws.phases()
    master = Master(
        case.trace.belt,
        case.machine.encoder,
        controller=case.machine.controller,
        phase=phases.encoder,
        ticks_phase_s=phases.ticks_s,
    )
    q, error = encoder.count_mm, encoder.scale_error
    for t in case.times:
        m = case.trace.belt.position(t)
        if q:
            units = m / ((1.0 + error) * q) + encoder.phase
            assert math.floor(units + encoder.same_travel_mm / q) == master.reading(t)
        else:
            assert m / (1.0 + error) == pytest.approx(master.reading(t), abs=1e-9)


# -- carriers and inserts -------------------------------------------------------------------------


def test_carriers_are_those_of_the_run(case: Case) -> None:
    carriers = case.scene.carriers
    edges = carriers.leading_edge_mm
    here = slice(case.first, case.first + len(edges))
    assert edges.tolist() == case.records.carriers.leading_edge_mm[here].tolist()
    assert case.chosen.start >= case.first
    assert case.chosen.stop <= case.first + len(edges)
    known = {
        e.carrier: e.time_s
        for e in case.trace.events
        if (e.part, e.event) == ("carrier_eye", "known")
    }
    for k, t in enumerate(carriers.known_s.tolist(), case.first):
        assert t == known[k] if k in known else math.isnan(t)


def test_the_first_chosen_carrier_comes_in_and_the_last_one_goes_out(case: Case) -> None:
    edges, belt = case.records.carriers.leading_edge_mm, case.trace.belt
    at_first = belt.position(case.scene.from_s) - edges[case.chosen.start]
    at_last = belt.position(case.scene.to_s) - edges[case.chosen.stop - 1]
    assert at_last == pytest.approx(case.scene.right_mm, abs=1e-6)
    if case.scene.from_s > 0.0:
        assert at_first == pytest.approx(case.scene.left_mm, abs=1e-6)
    # nobody who can be seen is left out
    for t in case.times:
        x = belt.position(t) - edges
        seen = (x > case.scene.left_mm) & (
            x - case.machine.carriers.length_mm < case.scene.right_mm
        )
        count = len(case.scene.carriers.leading_edge_mm)
        assert set(np.flatnonzero(seen)) <= set(range(case.first, case.first + count))


def test_an_insert_lands_with_its_nose_on_the_placement_point(case: Case) -> None:
    """F + slip + S = f at the landing (model, section 9), and its offset is the recorded one."""
    for number, feeder in case.feeders():
        inserts = feeder.inserts
        what, feed = case.machine.feeders[number], case.trace.feeds[number]
        slips = case.scene.carriers.slip_mm
        landed = np.flatnonzero(~np.isnan(inserts.lands_s))
        assert len(landed) > 5
        for i in landed:
            t, k = float(inserts.lands_s[i]), int(inserts.carrier[i])
            if t > case.scene.to_s:
                continue
            nose = feed.position(t) - inserts.nose_mm[i] - inserts.slip_mm[i]
            assert nose == pytest.approx(what.insert_eye_to_placement_mm, abs=1e-6)
            if k >= case.first:
                offset = (
                    case.trace.belt.position(t)
                    - case.records.carriers.leading_edge_mm[k]
                    - slips[k - case.first]
                    - what.eye_to_placement_mm
                )
                recorded = case.records.feeders[number].offset_mm[k]
                assert offset == pytest.approx(recorded, abs=1e-6)


def test_every_insert_in_the_picture_is_there(case: Case) -> None:
    """From a pitch upstream of the eye to those on the carriers in the picture."""
    for number, feeder in case.feeders():
        first, noses = feeder.inserts.first, feeder.inserts.nose_mm
        numbers = range(first, first + len(noses))
        assert np.all(np.diff(noses) > 0.0)
        rows = feeder.rows
        for row, engaged in zip(rows.insert.tolist(), rows.engage_time_s, strict=True):
            if row >= 0 and engaged < case.scene.to_s:
                assert row in numbers
        what = case.machine.feeders[number].inserts
        last = case.trace.feeds[number].position(case.scene.to_s)
        assert noses[-1] + 2.0 * (what.length_mm + what.gap_mm) > last


# -- eyes -----------------------------------------------------------------------------------------


def test_the_carrier_eye_is_blocked_from_switching_to_tail(case: Case) -> None:
    eye = case.scene.carrier_eye
    what, edges = case.machine.carrier_eye, case.records.carriers.leading_edge_mm
    switched = [
        (e.time_s, e.carrier)
        for e in case.trace.events
        if (e.part, e.event) == ("carrier_eye", "switches")
        and case.scene.from_s < e.time_s < case.scene.to_s
    ]
    pairs = [(blocked.from_s, blocked.number) for blocked in eye]
    assert [pair for pair in pairs if case.scene.from_s < pair[0]] == switched
    merged = {e.carrier for e in case.trace.events if e.event == "merged"}
    for k, _, end in eye:
        if k + 1 not in merged:
            tail = case.trace.belt.position(end - what.off_response_s) - edges[k]
            assert tail == pytest.approx(case.machine.carriers.length_mm, abs=1e-6)


def test_the_insert_eye_switches_when_the_engine_says(case: Case) -> None:
    for number, feeder in case.feeders():
        eye = feeder.insert_eye
        starts = {blocked.number: blocked.from_s for blocked in eye}
        part, inside = f"feeder.{number}.insert_eye", 0
        for e in case.trace.events:
            if (
                e.part == part
                and e.event == "switches"
                and case.scene.from_s < e.time_s < case.scene.to_s
            ):
                assert starts[e.insert] == pytest.approx(e.time_s, abs=1e-9)
                inside += 1
        assert inside > 5
        # it is never blocked twice at once
        in_order = sorted(eye, key=lambda blocked: blocked.from_s)
        for one, following in pairwise(in_order):
            assert one.to_s <= following.from_s + 1e-9


def test_an_insert_eye_clears_as_the_tail_goes_by(case: Case) -> None:
    for number, feeder in case.feeders():
        inserts = feeder.inserts
        first, feed = inserts.first, case.trace.feeds[number]
        off = case.machine.feeders[number].eye.off_response_s
        slipped = clear = 0
        for blocked in feeder.insert_eye:
            i, end = blocked.number - first, blocked.to_s
            if i < 0 or not math.isfinite(end) or end > case.scene.to_s:
                continue
            length = feed.position(end - off) - inserts.nose_mm[i]
            own = inserts.length_mm[i]
            assert length == pytest.approx(own, abs=1e-6) or length == pytest.approx(
                own + inserts.slip_mm[i], abs=1e-6
            )
            slipped += length > own + 1e-3
            clear += 1
        assert clear > 5
        if case.scenario.title.startswith("Membership"):  # the tail is on the eye as it is engaged
            assert slipped > 5


@pytest.fixture(scope="module")
def filtered() -> Case:
    name = "filters, polled"
    CASES[name] = ("membership_card", FILTERS, range(30, 70))
    try:
        return Case(name)
    finally:
        del CASES[name]


def test_what_the_program_has_of_a_filtered_eye_begins_as_the_engine_says(filtered: Case) -> None:
    scene_, times = filtered.scene, {}
    for e in filtered.trace.events:
        if e.event == "switches" and scene_.from_s < e.time_s < scene_.to_s:
            times.setdefault(e.part, []).append(e.time_s)
    found = {
        "carrier_eye": scene_.carrier_input,
        "feeder.0.insert_eye": scene_.feeders[0].insert_input,
    }
    for part, seen in found.items():
        assert seen is not None
        starts = [level.from_s for level in seen.levels]
        here = [start for start in starts if scene_.from_s < start < scene_.to_s]
        assert len(here) > 20
        np.testing.assert_allclose(here, times[part], rtol=0.0, atol=1e-9)
    carrier, insert = found.values()
    assert carrier is not None
    assert insert is not None
    assert (carrier.scan_s, insert.scan_s) == (0.012, 0.0)
    ends = np.array([level.to_s for level in carrier.levels])
    scans = (ends[ends < scene_.to_s] - carrier.phase_s) / carrier.scan_s
    np.testing.assert_allclose(scans, np.round(scans), rtol=0.0, atol=1e-6)


def test_the_output_of_a_filtered_eye_is_that_before_the_filter(filtered: Case) -> None:
    eye = filtered.scene.carrier_eye
    began = {
        e.carrier: e.time_s
        for e in filtered.trace.events
        if (e.part, e.event) == ("carrier_eye", "output_on")
    }
    off_s = filtered.machine.carrier_eye.off_response_s
    edges, belt = filtered.records.carriers.leading_edge_mm, filtered.trace.belt
    for k, start, end in eye:
        assert start == began[k]
        assert belt.position(end - off_s) - edges[k] == pytest.approx(210.0, abs=1e-6)
    assert len(eye) > 35


def test_nothing_is_said_of_the_input_where_it_is_the_output(case: Case) -> None:
    assert case.scene.carrier_input is None
    assert all(feeder.insert_input is None for _, feeder in case.feeders())
    assert "carrier_input" not in case.page
    assert all("insert_input" not in feeder for feeder in case.page["feeders"])


# -- rows and events ------------------------------------------------------------------------------


def test_rows_are_those_of_the_run(case: Case) -> None:
    for number, feeder in case.feeders():
        rows, own = feeder.rows, case.records.feeders[number]
        count = len(rows.outcome)
        here = slice(case.first, min(case.first + count, case.chosen.stop))
        for name in (
            "outcome",
            "insert",
            "placement_error_mm",
            "opening_time_s",
            "tail_mm",
            "double",
        ):
            ours = getattr(rows, name)[: here.stop - here.start]
            assert np.array_equal(ours, getattr(own, name)[here], equal_nan=True), name


def test_events_are_those_of_the_stretch(case: Case) -> None:
    events = case.page["events"]
    names = [tuple(name) for name in events["names"]]
    found = [
        (t, *names[what], carrier, insert)
        for t, what, carrier, insert in zip(
            *(unpacked(events[c]).tolist() for c in ("time_s", "what", "carrier", "insert")),
            strict=True,
        )
    ]
    inside = [
        tuple(e[:5]) for e in case.trace.events if case.scene.from_s <= e.time_s <= case.scene.to_s
    ]
    assert found == inside
    assert found == [tuple(e[:5]) for e in case.scene.events]


def test_what_was_before_the_picture_is_counted(case: Case) -> None:
    for number, feeder in case.feeders():
        own, n = case.records.feeders[number], case.first
        counts = [int(np.count_nonzero(own.outcome[:n] == outcome)) for outcome in Outcome]
        assert feeder.before.outcomes == tuple(counts)
        errors = own.placement_error_mm[:n][own.outcome[:n] == Outcome.PLACED]
        assert feeder.before.error_sum_mm == pytest.approx(math.fsum(errors), abs=1e-9)
        assert feeder.before.cycles == int(np.count_nonzero(own.insert[:n] >= 0))


def test_reasons_are_those_of_the_stories() -> None:
    """Of all carriers of a short stretch; of a long one only of those that were missed."""
    scenario = load_scenario(
        SCENARIOS / "membership_card.toml", overrides=("run.carriers=1400", *BUSY)
    )
    short = scene(scenario, ShownCarriers(range(30, 40)), name="", units="inch")
    (told,) = [feeder.stories.reasons for feeder in short.feeders]
    assert told[35] == explain(scenario, 35, units="inch")[0].reason
    assert told.keys() >= set(range(30, 40))
    long = scene(scenario, ShownCarriers(range(30, 1100)), name="")
    (feeder,) = long.feeders
    missed = np.flatnonzero(feeder.rows.outcome != Outcome.PLACED) + long.carriers.first
    assert len(missed) > 20
    assert feeder.stories.reasons.keys() == set(missed.tolist())
