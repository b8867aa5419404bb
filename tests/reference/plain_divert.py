"""The plain implementation, part 5: the divert gate, carrier by carrier.

Written from the model page alone (section 17). What is known, and when, is read off the records
one by one; nothing is shared with the figures of a run.
"""

from __future__ import annotations

import math

from feedsim.machine import Machine
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome

TINY_S = 1e-10
UNSEEN = (Outcome.NOT_SEEN, Outcome.MERGED)


def plain_gate(machine: Machine, records: RunRecords, needs: set[int], tolerance_mm: float):
    """Return for each carrier what the gate did, and when it was known what first."""
    return [
        _carrier(machine, records, k, needs, tolerance_mm)
        for k in range(len(records.carriers.eye_time_s))
    ]


def _carrier(machine, records, k, needs, tolerance_mm):
    gate = machine.divert
    known = []
    good = True
    for number, feeder in enumerate(records.feeders):
        outcome = feeder.outcome[k]
        closed = feeder.engage_time_s[k]
        if outcome == Outcome.PLACED:
            good = good and not feeder.double[k]
            good = good and abs(feeder.placement_error_mm[k]) <= tolerance_mm + 1e-9
        elif number in needs:
            good = False
            if gate.missed and outcome not in UNSEEN and not math.isnan(feeder.missed_time_s[k]):
                known.append((feeder.missed_time_s[k], "missed"))
        if gate.doubled and feeder.called_double[k]:
            known.append((closed, "doubled"))
        if gate.late and feeder.late_engage[k]:
            known.append((closed, "late"))
    by = records.carriers.divert_by_time_s[k]
    if not math.isfinite(by):
        return "not_reached", None
    came = records.carriers.eye_time_s[k]
    for stop in records.stops:
        homed = [step.time_s for step in stop.steps if step.step == "homed"]
        if homed and came <= homed[-1] + TINY_S and by >= stop.time_s - TINY_S:
            known = []
    first = min(known, default=None, key=lambda pair: pair[0])
    in_time = first is not None and first[0] <= by + TINY_S
    word = f"{'good' if good else 'bad'}_{'diverted' if in_time else 'passed'}"
    return word, first
