"""The cost of each mechanism alone at a line speed: a share of carriers, cycles or inserts.

Each is a function of a feeder at that speed, its settings solved there, and of the criteria.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from feedsim.criteria import Criteria, Figure
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_jams import (
    doubles,
    drive,
    landing_late,
    nose_strike,
    off_carrier,
    run_up,
    tail_held,
)
from feedsim.settings.mechanisms_missed import (
    carrier_gap,
    carrier_short,
    feed_cycle,
    late_marks,
    memory,
    unstaged,
)
from feedsim.settings.mechanisms_placed import (
    late_engages,
    late_openings,
    late_service,
    no_cycle,
    placement,
)
from feedsim.settings.mechanisms_unseen import insert_gap, insert_short

Share = Callable[[FeederAtSpeed, Criteria], float]


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One mechanism that limits the speed.

    Attributes
    ----------
    name : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        Which acceptance figure it enters.
    share : callable
        (feeder at a line speed, criteria) → its share of that figure, 0…1.
    by_settings : bool
        Whether distances or leads change it.
    """

    name: str
    figure: Figure
    share: Share
    by_settings: bool = True


MECHANISMS = (
    Mechanism("feed cycle", "missed", feed_cycle),
    Mechanism("late service", "within_tolerance", late_service),
    Mechanism("mark memory", "missed", memory),
    Mechanism("late marks", "missed", late_marks),
    Mechanism("late engages", "within_tolerance", late_engages),
    Mechanism("late openings", "within_tolerance", late_openings),
    Mechanism("ramps longer than the cycle", "within_tolerance", no_cycle),
    Mechanism("placement error", "within_tolerance", placement),
    Mechanism("carrier gap at its eye", "missed", carrier_gap),
    Mechanism("carrier too short to see", "missed", carrier_short),
    Mechanism("insert gap at its eye", "jam_risk", insert_gap),
    Mechanism("insert too short to see", "jam_risk", insert_short),
    Mechanism("nose strike", "jam_risk", nose_strike),
    Mechanism("tail held", "jam_risk", tail_held),
    Mechanism("off carrier", "jam_risk", off_carrier),
    Mechanism("run-up", "jam_risk", run_up),
    Mechanism("landing in the ramp-out", "jam_risk", landing_late),
    Mechanism("drive", "jam_risk", drive, by_settings=False),
    Mechanism("eyes and singulator", "missed", unstaged),
    Mechanism("doubles and strays", "jam_risk", doubles),
)
"""All mechanisms; those of one acceptance figure add up, except for what they share."""
