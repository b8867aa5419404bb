"""Distances in encoder counts: one count is wheel circumference over counts a turn (SP 811: none).

Common practice, no source: an incremental encoder of N counts a turn on a wheel of circumference
C resolves C/N of travel.
"""

from __future__ import annotations

import pytest

from feedsim.errors import FeedsimError
from feedsim.running.axes import changed, parse_axis
from feedsim.running.run import machine_of
from feedsim.scenario import scenario_from_text, starter_text

TEXT = starter_text()  # 10000 counts on a wheel of 500 mm: 0.05 mm each
ENGAGE = "feeder.0.settings.engage_distance"
STEP = "feeder.0.settings.resolution.distance"


def read(*overrides: str, text: str = TEXT):
    return scenario_from_text(text, overrides=list(overrides))


@pytest.mark.parametrize(
    ("counts", "mm"),
    [("8400 counts", 420.0), ("1 count", 0.05), ("7198.5 counts", 359.925), ("8400counts", 420.0)],
)
def test_counts_are_travel_of_the_encoder(counts, mm):
    settings = read(f"{ENGAGE}={counts}").feeder[0].settings
    assert settings.engage_distance == mm


def test_a_count_is_what_the_encoder_makes_it():
    settings = read(f"{ENGAGE}=1000 counts", "line.encoder.counts_per_rev=2500").feeder[0].settings
    assert settings.engage_distance == 200.0


def test_an_adjustment_may_be_in_counts():
    more = '\n[[adjust]]\nat = "1 s"\nset = {"feeder.0.settings.engage_distance" = "8400 counts"}\n'
    assert read(text=TEXT + more).adjust[0].set[0].value == 420.0


def test_a_sweep_may_be_in_counts():
    axis = parse_axis(f"{ENGAGE}=7200:7220:10 counts")
    assert axis.numbers == (7200.0, 7210.0, 7220.0)
    lines = [changed(read(), [(ENGAGE, value)]) for value in axis.values]
    assert [line.feeder[0].settings.engage_distance for line in lines] == [360.0, 360.5, 361.0]


def test_with_a_faulty_encoder_only_the_encoder_is_at_fault():
    with pytest.raises(FeedsimError) as caught:
        read(f"{ENGAGE}=8400 counts", "line.encoder.counts_per_rev=0")
    assert [fault.key for fault in caught.value.faults] == ["line.encoder.counts_per_rev"]


@pytest.mark.parametrize(
    ("key", "counts", "allowed"),
    [
        (ENGAGE, "1e4 counts", 'a length, or counts as a plain number, such as "8400 counts"'),
        (STEP, "1.5 counts", 'a length, or a whole number of counts, such as "2 counts"'),
        (STEP, "1e1 counts", 'a length, or a whole number of counts, such as "2 counts"'),
    ],
)
def test_counts_of_another_form_are_told_theirs(key, counts, allowed):
    with pytest.raises(FeedsimError) as caught:
        read(f"{key}={counts}")
    assert [(fault.key, fault.allowed) for fault in caught.value.faults] == [(key, allowed)]


def test_counts_have_no_place_at_other_keys():
    with pytest.raises(FeedsimError, match='the unit "counts" is not known here'):
        read("carrier.pitch=8400 counts")


def test_a_bare_number_is_read_both_ways():
    with pytest.raises(FeedsimError) as caught:
        read(f"{ENGAGE}=8400", "feeder.0.settings.engage_lead=13")
    said = str(caught.value)
    assert 'write "8400 counts" if counts were meant (420 mm of belt), or "8400 mm"' in said
    assert 'engage_lead: found 13; needs "auto", or a time with its unit' in said


def test_the_step_of_distances_may_be_written_in_counts() -> None:
    steps = "feeder.0.settings.resolution"
    found = read(f"{steps}.distance=5 counts").feeder[0].settings.resolution
    assert (found.distance_counts, found.distance) == (5, 0.0)
    # 500 mm in 10,000 counts: 5 of them are 0.25 mm
    machine = machine_of(read(f"{steps}.distance=5 counts"))
    assert machine.feeders[0].settings.resolution.distance_mm == pytest.approx(0.25)
    with pytest.raises(FeedsimError, match="distance"):
        read(f"{steps}.distance=2.5 counts")
    with pytest.raises(FeedsimError, match="distance_counts"):
        read(f"{steps}.distance=-5 counts")
    with pytest.raises(FeedsimError, match='found "5 counts"'):
        read(f"{steps}.distance=5 counts", f"{steps}.distance_counts=3")
