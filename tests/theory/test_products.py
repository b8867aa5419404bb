"""Feeders that lose inserts independently: so many products have them all."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.machine import DoubleCheck
from feedsim.metrics.product_rows import ProductClass, product_rows
from feedsim.records.columns import RunRecords
from tests.machines import Sample, feeder, machine, mean_of, run, share_of, spread_carriers
from tests.unit.records_builder import CRITERIA

pytestmark = pytest.mark.usefixtures("quick_engine")

PITCH_MM, INSERT_PITCH_MM = 300.0, 155.6
MISFEEDS = (0.06, 0.1)
DOUBLES = (0.02, 0.05)
CARRIERS = 6_000
BATCH = 100


def line(*, misfeeds=(0.0, 0.0), doubles=(0.0, 0.0)):
    """Return two rigid feeders without ramps; a cycle takes an insert pitch of belt travel."""
    base = feeder()
    feeders = [
        replace(
            base,
            eye_to_placement_mm=400.0 + 300.0 * i,
            inserts=replace(base.inserts, misfeed=misfeeds[i], double=doubles[i]),
            double_check=DoubleCheck(),
        )
        for i in range(2)
    ]
    return machine(*feeders, carriers=spread_carriers(pitch_mm=PITCH_MM, pitch_sd_mm=0.0))


def served(misfeed):
    """Return the share of carriers that a feeder serves.

    By hand: one cycle with j misfeeds takes (j + 1)·155.6 mm, and while it takes k whole
    pitches of 300 mm or more k carriers are lost (none lies near a whole number of pitches:
    155.6, 311.2, 466.8, 622.4, 778, 933.6, 1089.2 …). j is geometric. A renewal: of
    1 + E[lost] carriers one is served.
    """
    lost = sum(
        misfeed**j * (1.0 - misfeed) * math.floor((j + 1) * INSERT_PITCH_MM / PITCH_MM)
        for j in range(40)
    )
    return 1.0 / (1.0 + lost)


def batches(flags) -> Sample:
    """Return a share with the standard error of batches, since losses follow a renewal."""
    whole = len(flags) // BATCH * BATCH
    return mean_of(np.asarray(flags[:whole], dtype=float).reshape(-1, BATCH).mean(axis=1))


def complete(records: RunRecords, described):
    rows = product_rows(records, described, criteria=CRITERIA)
    return rows.classes == ProductClass.COMPLETE


def test_independent_misses_multiply():
    """Share complete = Π(1 − p_i): each feeder's own inserts, drawn for itself."""
    described = line(misfeeds=MISFEEDS)
    records = run(described, carriers=CARRIERS)
    theory = math.prod(served(p) for p in MISFEEDS)
    found = batches(complete(records, described))
    assert found.standard_error < 0.006
    assert abs(found.z(theory)) < 4.0
    # either feeder by itself, so that the product of two errors cannot hide them
    for number, p in enumerate(MISFEEDS):
        alone = batches(records.feeders[number].outcome == 0)
        assert abs(alone.z(served(p))) < 4.0


def test_twin_misses_in_common_are_found():
    """The planted fault: the second feeder misses what the first one missed."""
    described = line(misfeeds=(0.1, 0.1))
    records = run(described, carriers=CARRIERS)
    twin = replace(records, feeders=(records.feeders[0], records.feeders[0]))
    theory = served(0.1) ** 2
    assert abs(batches(complete(records, described)).z(theory)) < 4.0
    assert abs(batches(complete(twin, described)).z(theory)) > 4.0


@pytest.mark.parametrize("counts_one_feeder_only", [False, True])
def test_doubles_multiply_too(counts_one_feeder_only):
    """Without a double: Π(1 − d_i), binomial; the twin that looks at one feeder must fail.

    At 2 and 5 % a double is 85.6 mm longer at most, so no cycle takes a pitch: nothing is missed.
    """
    described = line(doubles=DOUBLES)
    records = run(described, carriers=CARRIERS)
    assert all((f.outcome == 0).all() for f in records.feeders)
    doubled = product_rows(records, described, criteria=CRITERIA).doubled
    if counts_one_feeder_only:
        doubled = records.feeders[0].double != 0
    theory = 1.0 - math.prod(1.0 - d for d in DOUBLES)
    z = share_of(int(doubled.sum()), CARRIERS).z(theory)
    assert (abs(z) < 4.0) is not counts_one_feeder_only
