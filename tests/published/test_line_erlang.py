"""Hand-fed carriers lost by a simulated line: Erlang's formula, and a queueing library.

A feeder that is not ready loses the carrier: one server, no place to wait. Lost is
λC/(1 + λC) whatever the service time's distribution (Erlang B with one server, M/G/1/1).
"""

from __future__ import annotations

import math

import ciw
import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.arrivals import RandomGaps
from feedsim.machine import Carriers, Clutch, Controller, Eye, Inserts
from feedsim.records.outcome import Outcome
from tests.machines import Sample, feeder, machine, run

pytestmark = pytest.mark.usefixtures("either_engine")

N = 20_000
BATCHES = 20
CYCLE_S = 0.4


def line_losses(*, per_s: float, spread_s: float = 0.0, longer_s: float = 0.0) -> NDArray[np.bool_]:
    """Simulate carriers of no length, ``per_s`` a second, at 1000 mm/s; True where one is lost.

    One cycle: insert pitch 85.6 + 294.4 = 380 mm in 0.38 s, and half of two ramps of 20 ms.
    """
    line = machine(
        feeder(
            inserts=Inserts(length_mm=85.6, gap_mm=294.4, gap_sd_mm=1000.0 * spread_s),
            clutch=Clutch(ramp_in=0.02, ramp_out=0.02, settle_s=longer_s),
        ),
        speed_m_min=60.0,
        carriers=Carriers(RandomGaps(1e-6, 1000.0 / per_s)),
        carrier_eye=Eye(),
        controller=Controller(mark_memory=1000),
    )
    outcome = run(line, carriers=N).feeders[0].outcome
    lost = outcome == int(Outcome.NOT_STAGED)
    assert np.all(lost | (outcome == int(Outcome.PLACED)))
    return lost


def ciw_losses(*, per_s: float, spread_s: float = 0.0) -> NDArray[np.bool_]:
    """Simulate the same queue with ciw."""
    service = ciw.dists.Normal(CYCLE_S, spread_s) if spread_s else ciw.dists.Deterministic(CYCLE_S)
    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Exponential(per_s)],
        service_distributions=[service],
        number_of_servers=[1],
        queue_capacities=[0],
    )
    ciw.seed(7)
    simulation = ciw.Simulation(network)
    simulation.simulate_until_max_customers(N, method="Arrive")
    records = sorted(simulation.get_all_records(), key=lambda r: r.arrival_date)
    return np.array([record.record_type == "rejection" for record in records])


def share(lost: NDArray[np.bool_]) -> Sample:
    """Mean with its standard error from batches, since losses come in runs."""
    means = [float(batch.mean()) for batch in np.array_split(lost, BATCHES)]
    return Sample(float(lost.mean()), float(np.std(means, ddof=1)) / math.sqrt(BATCHES))


def apart(a: Sample, b: Sample) -> float:
    """Difference in combined standard errors."""
    return (a.mean - b.mean) / math.hypot(a.standard_error, b.standard_error)


@pytest.mark.parametrize("spread_s", [0.0, 0.05])
@pytest.mark.parametrize(
    ("per_s", "lost"),
    [
        # Erlang B of one server at load 1; a standard table entry, checked with a library
        (2.5, 0.5),
        # L/(1/C + L) with C = 0.4 s and L = 2/s, 0.5/s: the loss formula of M/G/1/1
        (2.0, 0.444444),
        (0.5, 0.166667),
    ],
)
def test_lost_carriers_follow_erlang_and_ciw(per_s: float, lost: float, spread_s: float) -> None:
    found = share(line_losses(per_s=per_s, spread_s=spread_s))
    assert found.standard_error < 0.005
    assert abs(found.z(lost)) < 4.0
    assert abs(apart(found, share(ciw_losses(per_s=per_s, spread_s=spread_s)))) < 4.0


def test_a_cycle_a_tenth_longer_is_found() -> None:
    found = share(line_losses(per_s=2.0, longer_s=0.04))
    assert abs(found.z(0.444444)) > 4.0
    assert abs(apart(found, share(ciw_losses(per_s=2.0)))) > 4.0
    # and it loses what the formula says for 0.44 s: 0.88/1.88
    assert abs(found.z(0.88 / 1.88)) < 4.0
