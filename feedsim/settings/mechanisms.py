"""What each mechanism alone costs at a line speed: a share of carriers, cycles or inserts.

Each function takes a machine with its settings solved at that speed, and one of its feeders.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from feedsim.machine import Eye, Feeder, Machine
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.distribution import Distribution, clipped_normal
from feedsim.settings.predict import (
    cycle_time,
    engage_travel,
    largest_demand,
    late_share,
)
from feedsim.settings.spreads import (
    late_opening,
    placed_nose_at_opening,
    placement_spread,
    rest_between_cycles,
    stage_spread,
    tail_at_opening,
)

__all__ = [
    "MECHANISMS",
    "Allowed",
    "Figure",
    "Mechanism",
    "long_waits",
    "long_waits_random",
]

Figure = Literal["missed", "jam_risk", "within_tolerance"]


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a setup is judged by.

    Attributes
    ----------
    placement_tolerance_mm : float
        Either side of the target.
    outside_tolerance, missed, jam_risk : float
        Largest shares: of placed inserts, of carriers, of feed cycles.
    speed_mismatch : float
        Largest deviation of nose speed/belt speed from 1 at the landing.
    overhang_mm : float
        By how much an insert may stick out over its carrier.
    """

    placement_tolerance_mm: float
    outside_tolerance: float
    missed: float
    jam_risk: float
    speed_mismatch: float
    overhang_mm: float

    def share(self, figure: Figure) -> float:
        """Return the largest share of a figure."""
        if figure == "missed":
            return self.missed
        return self.jam_risk if figure == "jam_risk" else self.outside_tolerance


Share = Callable[[Machine, Feeder, float, Allowed], float]


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One thing that limits the speed.

    Attributes
    ----------
    name : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        Which acceptance figure it enters.
    share : callable
        (machine, feeder, line speed in mm/s, allowed) → its share of that figure, 0…1.
    """

    name: str
    figure: Figure
    share: Share


def feed_cycle(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of the carriers that find the feeder busy.

    With H the mean number of carriers that come while one is served, H/(1 + H) are lost: a
    renewal begins with each carrier that is served (Cox, Renewal Theory, 1962, from memory).
    """
    if machine.controller.not_ready_engages:
        return 0.0
    total, carriers = 0.0, 1
    while carriers < 1000:
        busy = _busy(machine, feeder, speed, carriers)
        total += busy
        if busy < 1e-12:
            break
        carriers += 1
    return total / (1.0 + total)


def _busy(machine: Machine, feeder: Feeder, speed: float, carriers: int) -> float:
    """Return the probability that so many pitches are over before the feeder is ready."""
    c = machine.carriers
    if not c.random:
        rest = rest_between_cycles(machine, feeder, speed=speed, carriers=carriers)
        return rest.share_below(0.0)
    from scipy.special import gammainc

    shortest = c.length_mm + c.min_gap_mm
    free = speed * cycle_time(machine, feeder, speed=speed) - carriers * shortest
    mean = c.pitch_mm - shortest
    return float(gammainc(carriers, free / mean)) if free > 0.0 else 0.0


def late_service(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts placed too late since the feeder had to be waited for.

    A wait is handed on to the next carrier: the waits follow Lindley's recursion, and the share
    is that of waits beyond the tolerance.
    """
    if not machine.controller.not_ready_engages:
        return 0.0
    c = machine.carriers
    rest = rest_between_cycles(machine, feeder, speed=speed, carriers=1)
    if c.random:
        shortest = c.length_mm + c.min_gap_mm
        service = speed * cycle_time(machine, feeder, speed=speed) - shortest
        return long_waits_random(
            allowed.placement_tolerance_mm, service=service, mean_gap=c.pitch_mm - shortest
        )
    # who waits is engaged at a tick after readiness, no longer half a cycle before its own
    drift = rest.mean - 0.5 * speed * machine.controller.motion_cycle_s
    sd = math.hypot(c.pitch_sd_mm, feeder.inserts.gap_sd_mm / feeder.settings.speed_ratio)
    return long_waits(allowed.placement_tolerance_mm, drift=drift, sd=sd)


def long_waits(limit: float, *, drift: float, sd: float) -> float:
    """Return the share of waits beyond a limit, steps of the recursion normal(−drift, sd).

    exp(−θ·(limit + 0.5826·sd)) with θ = 2·drift/sd²: the corrected diffusion approximation
    (Siegmund 1979, Advances in Applied Probability 11:701-719, from memory).

    Parameters
    ----------
    limit, drift, sd : float
        mm; ``drift`` by how much a carrier comes later than the feeder is ready, on average.
    """
    if drift <= 0.0:
        return 1.0
    if sd == 0.0:
        return 0.0
    theta = 2.0 * drift / (sd * sd)
    return math.exp(-theta * (limit + 0.5826 * sd))


def long_waits_random(limit: float, *, service: float, mean_gap: float) -> float:
    """Return the share of waits beyond a limit behind exponential gaps and an equal service.

    With ρ = D/m the waits not beyond x have the share
    (1 − ρ)·Σ ((k·D − x)/m)^k/k!·e^((x − k·D)/m), k from 0 to x/D (Erlang 1909; M/D/1 in any text
    on queues, from memory). Where that is many terms, the share is far below any that matters
    unless ρ is near 1, and Lundberg's bound e^(−θx), e^(θD) = 1 + θm, stands for it.

    Parameters
    ----------
    limit, service, mean_gap : float
        x, D and m (mm of belt travel).
    """
    if service <= 0.0:
        return 0.0
    rho = service / mean_gap
    if rho >= 1.0:
        return 1.0
    if limit > 8.0 * service:
        from scipy.optimize import brentq

        most = 1e3 / service
        theta = brentq(lambda x: x * service - math.log1p(x * mean_gap), 1e-9, most)
        return math.exp(-float(theta) * limit)
    terms = range(int(limit / service) + 1)
    reached = ((k, (k * service - limit) / mean_gap) for k in terms)
    return 1.0 - (1.0 - rho) * sum(y**k / math.factorial(k) * math.exp(-y) for k, y in reached)


def late_marks(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of marks known after their point, which are skipped."""
    if machine.controller.late_mark_engages:
        return 0.0
    return _late(machine, feeder, speed, 0.0)


def late_engages(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts placed too late since their mark was known too late."""
    if not machine.controller.late_mark_engages:
        return 0.0
    return _late(machine, feeder, speed, allowed.placement_tolerance_mm)


def _late(machine: Machine, feeder: Feeder, speed: float, by_mm: float) -> float:
    """Return the share of marks known later than their point by more than a travel."""
    return late_share(
        engage_travel(machine, feeder, speed=speed) + by_mm,
        counted_speed=speed / (1.0 + machine.encoder.scale_error),
        scan_s=machine.controller.scan_s,
        scanned=machine.carrier_eye.scanned,
    )


def late_openings(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that late openings put out of tolerance, beyond those out anyway."""
    off = late_opening(machine, feeder, speed=speed)
    if not off.mean and not off.rarely:
        return 0.0
    outside = [
        _outside(placement_spread(machine, feeder, speed=speed, late=late), allowed)
        for late in (True, False)
    ]
    return max(0.0, outside[0] - outside[1])


def placement(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts out of tolerance by spread and mean error alone."""
    return _outside(placement_spread(machine, feeder, speed=speed, late=False), allowed)


def _outside(error: Distribution, allowed: Allowed) -> float:
    tolerance = allowed.placement_tolerance_mm
    return error.share_outside(-tolerance, tolerance)


def carrier_gap(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of carriers that merge with the one before at the carrier eye."""
    c, eye = machine.carriers, machine.carrier_eye
    blind = speed * eye.off_response_s
    if c.random:
        mean = c.pitch_mm - c.length_mm - c.min_gap_mm
        return -math.expm1(-max(0.0, blind - c.min_gap_mm) / mean)
    return _gap(c.pitch_mm - c.length_mm, c.pitch_sd_mm, c.min_gap_mm, eye, blind)


def insert_gap(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that merge with the one before at the insert eye, and stray."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    blind = feeder.settings.speed_ratio * counted * feeder.eye.off_response_s
    ins = feeder.inserts
    return _gap(ins.gap_mm, ins.gap_sd_mm, ins.min_gap_mm, feeder.eye, blind)


def _gap(gap: float, sd: float, least: float, eye: Eye, blind: float) -> float:
    """Return the share of gaps, clipped at the least, that end before the output drops."""
    if blind == 0.0:
        return 0.0
    if sd == 0.0:
        return Distribution(max(gap, least), eye.edge_sd_mm).share_below(blind)
    below = 0.5 * math.erfc((gap - least) / (sd * math.sqrt(2.0)))
    if eye.edge_sd_mm == 0.0:
        return Distribution(gap, sd).share_below(blind) if blind > least else 0.0
    if below < 1e-6:
        return Distribution(gap, math.hypot(sd, eye.edge_sd_mm)).share_below(blind)
    above = {value + least: share for value, share in clipped_normal(gap - least, sd).items()}
    return Distribution(0.0, eye.edge_sd_mm, choices=(above,)).share_below(blind)


def nose_strike(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles whose staged nose reaches beyond the nose limit."""
    staged = stage_spread(machine, feeder, speed=speed)
    late, g = late_opening(machine, feeder, speed=speed), feeder.settings.speed_ratio
    further = Distribution(
        staged.mean + g * late.mean,
        staged.normal_sd,
        staged.half_widths,
        staged.choices,
        tuple((share, g * length) for share, length in late.rarely),
    )
    return 1.0 - further.share_below(feeder.nose_limit_mm)


def tail_held(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles in which the clutch opens before the placed tail is past the grip end."""
    return tail_at_opening(machine, feeder, speed=speed).share_below(feeder.grip_end_mm)


def off_carrier(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that stick out over an end of their carrier by more than is allowed."""
    error = placement_spread(machine, feeder, speed=speed)
    target, over = feeder.settings.target_offset_mm, allowed.overhang_mm
    room = machine.carriers.length_mm - feeder.inserts.length_mm
    return error.share_outside(-target - over, room + over - target)


def run_up(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that land before they are fast enough, or at a wrong speed altogether."""
    belt_speed, ratio = speed, feeder.settings.speed_ratio
    counted = speed / (1.0 + machine.encoder.scale_error)
    if abs(ratio * counted / belt_speed - 1.0) > allowed.speed_mismatch + 1e-9:
        return 1.0
    belt = BeltMotion([BeltPiece(0.0, 0.0, counted, 0.0)])
    feed = FeedMotion(belt, scale_error=0.0, ratio=ratio, servo=feeder.servo)
    feed.engage(0.0, Ramp(feeder.clutch.ramp_in, feeder.clutch.travel_ramp))
    needed = _way_to_speed(feed, (1.0 - allowed.speed_mismatch) * belt_speed)
    staged = stage_spread(machine, feeder, speed=speed)
    slips = clipped_normal(feeder.inserts.slip_mm, feeder.inserts.slip_sd_mm)
    way = replace(
        staged,
        mean=feeder.insert_eye_to_placement_mm - staged.mean,
        choices=(*({-x: p for x, p in c.items()} for c in staged.choices), slips),
    )
    return way.share_below(needed)


def _way_to_speed(feed: FeedMotion, speed: float) -> float:
    """Return how far a feed that starts at 0 s runs until it is as fast as that (mm)."""
    low, high = 0.0, 1e-3
    while feed.speed(high) < speed:
        low, high = high, 2.0 * high
        if high > 1e4:
            return math.inf
    while high - low > 1e-12 * high:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if feed.speed(middle) < speed else (low, middle)
    return feed.position(high)


def landing_late(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that land when the feed has slowed down too far.

    In a full ramp-out of time T or travel A the speed has fallen by the share u after a feed
    travel of g·v_c·T·(u − u²/2), or g·A·(u − u²/2); the feed follows its command at a distance.
    """
    nose = placed_nose_at_opening(machine, feeder, speed=speed)
    counted = speed / (1.0 + machine.encoder.scale_error)
    ramp = feeder.clutch.ramp_out
    length = ramp if feeder.clutch.travel_ramp else counted * ramp
    u = allowed.speed_mismatch
    still = length * (u - 0.5 * u * u) + counted * feeder.servo.command_delay_s
    place = feeder.insert_eye_to_placement_mm - feeder.settings.speed_ratio * still
    return nose.share_below(place)


def drive(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """1 where the ramps ask for more acceleration than the drive allows, else 0."""
    limit = feeder.servo.max_acceleration_mm_s2
    return float(largest_demand(machine, feeder, speed=speed) > limit * (1.0 + 1e-9))


def unstaged(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of carriers lost to eyes that miss cards, misfeeds and strays, whatever the timing.

    After a misfeed or a stray the feeder searches on for another insert pitch; the next carrier
    is lost unless that fits as well.
    """
    again = (feeder.inserts.length_mm + feeder.inserts.gap_mm) / feeder.settings.speed_ratio
    fits = speed * cycle_time(machine, feeder, speed=speed) + again <= machine.carriers.pitch_mm
    lost = 1.0 - (1.0 - feeder.inserts.misfeed) * (1.0 - strays(machine, feeder, speed, allowed))
    return 1.0 - (1.0 - machine.carrier_eye.missed) * (1.0 - (0.0 if fits else lost))


def strays(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that go past their eye unseen: missed, merged, or there too early."""
    merged = insert_gap(machine, feeder, speed, allowed)
    return 1.0 - (1.0 - _unseen(machine, feeder, speed)) * (1.0 - merged)


def _unseen(machine: Machine, feeder: Feeder, speed: float) -> float:
    """Return the share of inserts that their eye misses, or that pass it before the search."""
    ins = feeder.inserts
    staged = stage_spread(machine, feeder, speed=speed)
    before = ins.length_mm + ins.gap_mm
    next_nose = replace(
        staged, mean=staged.mean - before, normal_sd=math.hypot(staged.normal_sd, ins.gap_sd_mm)
    )
    early = 1.0 - next_nose.share_below(0.0)
    return 1.0 - (1.0 - feeder.eye.missed) * (1.0 - early)


def doubles(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles with a double, or with an insert unseen for other reasons than a gap."""
    return 1.0 - (1.0 - feeder.inserts.double) * (1.0 - _unseen(machine, feeder, speed))


MECHANISMS = (
    Mechanism("feed cycle", "missed", feed_cycle),
    Mechanism("late service", "within_tolerance", late_service),
    Mechanism("late marks", "missed", late_marks),
    Mechanism("late engages", "within_tolerance", late_engages),
    Mechanism("late openings", "within_tolerance", late_openings),
    Mechanism("placement spread", "within_tolerance", placement),
    Mechanism("carrier gap at its eye", "missed", carrier_gap),
    Mechanism("insert gap at its eye", "jam_risk", insert_gap),
    Mechanism("nose strike", "jam_risk", nose_strike),
    Mechanism("tail held", "jam_risk", tail_held),
    Mechanism("off carrier", "jam_risk", off_carrier),
    Mechanism("run-up", "jam_risk", run_up),
    Mechanism("landing in the ramp-out", "jam_risk", landing_late),
    Mechanism("drive", "jam_risk", drive),
    Mechanism("eyes and singulator", "missed", unstaged),
    Mechanism("doubles and strays", "jam_risk", doubles),
)
"""All of them; those of one acceptance figure add up, but for what they share."""
