"""Results of drive sizing: the mechanism, each speed, each candidate."""

from __future__ import annotations

from dataclasses import dataclass, field

from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import Demand
from feedsim.drivetrain.limits import MotorCriteria
from feedsim.machine import Drive, Motor
from feedsim.metrics.plain import AMONG, IF_ANY, LEFT_OUT, MAY_BE_OPEN
from feedsim.scenario import AS_WRITTEN, Scenario


@dataclass(frozen=True, slots=True)
class CandidateAt:
    """What one motor has to give at one speed, and whether it can.

    ``passes``: it meets every criterion.
    ``demand``: of all cycles together.
    ``hardest_cycle_rms_torque_n_m``: of the cycle in which it is highest.
    ``acceleration_reserve``: available acceleration beyond the demand, as a share of the demand.
    The rest as in :class:`Candidate` and :class:`FeederSizing`.
    ``available_acceleration_mm_s2``, ``inertia_ratio``, ``reflected_inertia_kg_m2``: see
    :class:`Candidate`.
    ``friction_limited_acceleration_mm_s2``: see :class:`FeederSizing`.
    """

    name: str
    passes: bool
    demand: Demand = field(metadata=AMONG)
    hardest_cycle_rms_torque_n_m: float
    criteria: MotorCriteria
    reflected_inertia_kg_m2: float
    inertia_ratio: float
    available_acceleration_mm_s2: float = field(metadata=MAY_BE_OPEN)
    acceleration_reserve: float = field(metadata=MAY_BE_OPEN)
    friction_limited_acceleration_mm_s2: float | None


@dataclass(frozen=True, slots=True)
class RampInTime:
    """The shortest ramp that the insert follows, a time; None: there is none, or it is unknown."""

    shortest_ramp_s: float | None


@dataclass(frozen=True, slots=True)
class RampInTravel:
    """The same where ramps are travels."""

    shortest_ramp_mm: float | None


@dataclass(frozen=True, slots=True)
class Moving:
    """How the feed moves at one speed.

    ``cycle_s``: mean time of a cycle, ``moving_share`` of the time.
    ``insert_slips``: friction does not hold the insert; None where friction is not known.
    ``load_alone``: demand of the mechanism, its motor without a rotor.
    ``friction_limited_acceleration_mm_s2``: see :class:`FeederSizing`.
    """

    cycle_s: float
    moving_share: float
    peak_feed_speed_mm_s: float
    peak_acceleration_mm_s2: float
    friction_limited_acceleration_mm_s2: float | None
    insert_slips: bool | None
    shortest_ramp: RampInTime | RampInTravel = field(metadata=AMONG)
    load_alone: Demand
    stretches: Cycles = field(metadata=LEFT_OUT, repr=False)


@dataclass(frozen=True, slots=True)
class SizedFeeder:
    """One feeder at one line speed.

    ``cycles``: number of feed cycles; below two ``moving`` is None, and there are no candidates.
    ``candidates``: as many as there are motors; none without cycles.
    """

    line_speed_mm_s: float
    cycles: int
    moving: Moving | None = field(metadata={**AMONG, **IF_ANY})
    candidates: tuple[CandidateAt, ...]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One motor, whatever the speed.

    ``reflected_inertia_kg_m2``: of the mechanism, as its shaft feels it.
    ``inertia_ratio``: that over the rotor's.
    ``best_reduction_ratio``: at which its rotor gives the load the largest acceleration.
    ``available_acceleration_mm_s2``: largest of the feed that its peak torque gives; infinity where
        nothing is inert.
    ``power_does_not_fit``: its rated power differs from rated torque times rated speed.
    ``highest_line_speed_mm_s``: at which it meets every criterion; None: at none; infinity: at all
        speeds tried.
    """

    name: str
    motor: Motor = field(metadata=AMONG)
    reflected_inertia_kg_m2: float
    inertia_ratio: float
    best_reduction_ratio: float
    available_acceleration_mm_s2: float = field(metadata=MAY_BE_OPEN)
    power_at_rated_torque_and_speed_w: float
    power_does_not_fit: bool
    highest_line_speed_mm_s: float | None
    no_limit_found: bool


@dataclass(frozen=True, slots=True)
class FeederSizing:
    """Results for one feeder, speeds rising.

    ``chosen``: the motor that the scenario chose. ``max_acceleration_mm_s2``: of its servo;
    infinity where it has no limit. ``load_inertia_kg_m2``, ``reduction_ratio``,
    ``reflected_inertia_kg_m2``: at the feed roller, from there to the motor, and at the motor
    without its rotor. ``friction_limited_acceleration_mm_s2`` and the free one: up to which an
    insert follows while the magazine holds it, and after; None where friction is not known.
    ``free_friction_limited_acceleration_mm_s2``, ``friction_limited_acceleration_mm_s2``: up to
    which an insert follows while the magazine holds it, and after; None where friction is not
    known.
    ``speeds``: rising.
    """

    number: int = field(metadata=LEFT_OUT)
    drive: Drive = field(metadata=LEFT_OUT, repr=False)
    name: str
    chosen: str | None
    max_acceleration_mm_s2: float = field(metadata=MAY_BE_OPEN)
    load_inertia_kg_m2: float
    reduction_ratio: float
    reflected_inertia_kg_m2: float
    friction_limited_acceleration_mm_s2: float | None
    free_friction_limited_acceleration_mm_s2: float | None
    service_factor: float
    allowed_inertia_ratio: float
    candidates: tuple[Candidate, ...]
    speeds: tuple[SizedFeeder, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Sizing:
    """What each feeder's motion demands of its motor, if it has a ``[feeder.drive]``.

    ``feeders``: those that have a ``[feeder.drive]``.
    """

    feedsim: str
    title: str
    seed: int
    line_speed_mm_s: float
    feeders: tuple[FeederSizing, ...]
    scenario: Scenario = field(metadata=AS_WRITTEN)
