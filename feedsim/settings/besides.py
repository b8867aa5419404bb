"""Effects on the mean placement error that have no closed form, only a bound or a size.

- **selection**: carriers lost because the feeder is not ready, or their mark has no place, are not
  random: their clutch would mostly have closed early. For an error X and a lost share p,
  |E[X | laid] − E[X]| ≤ sd·√(p/(1 − p)), by Cauchy and Schwarz, sd that of the part that X and the
  loss have in common: ρ times the noise of a closing, ρ the noise's share of what decides the loss;
- **unequal cycles**: if ramp or lag do not end in time, the landing depends on the previous cycle,
  and settings are right for equal cycles (:mod:`feedsim.settings.unlike`). Where the law of what
  is left of the lag is in the mean, a quarter of its standard deviation (common practice, no
  source), and nothing for edges and landings while the feed changes its speed;
- **a short run-up**: an insert staged too near for its run-up lands in the ramp, or where it rests:
  at most that much late. E[(x − s)⁺] ≤ (√(sd² + d²) + d)/2, d = mean − s (Scarf 1958, from memory);
- **landings in the next cycle**, beyond those known (:mod:`feedsim.settings.uneven_gaps`): later by
  the travel between two closings: with a share q of the carriers served, on average the pitch over
  q (a renewal with each carrier served, as in
  :func:`feedsim.settings.mechanisms_missed.feed_cycle`);
- **inserts in step**: a cycle begins at a tick, so edges of inserts with evenly spaced gaps meet
  the scan at a fixed phase. A wait uniform on 0…T is then off by up to (T/π)·e^(−2π²σ²/T²), its
  first harmonic; so is the stage or, with stage correction, the mean itself. If the scan is no
  whole number of motion cycles, both repeat only every scan·cycle/γ, closings use only some places
  in that period, and the wait for scan and opening tick depends on the place
  (:func:`feedsim.settings.in_step.lattice_wait`);
- **closings in step with openings**: what is known of them
  (:func:`feedsim.settings.in_step.corrected_in_step`) is so to a tenth and for a feeder that serves
  each carrier; behind a carrier that is not served it may differ by twice its largest size;
- **openings in step with the motion**, where carriers wait: an edge a fixed travel after a closing
  meets the opening's tick, count and scan at a fixed phase. A service is then up to half of these
  longer or shorter than on average, times e^(−2π²σ²/T²); the effect is that on waits;
- **openings in step with counts**: known (:mod:`feedsim.settings.counts_in_step`) to what a
  fraction of a tick more or less makes of it, and for carriers that did not wait;
- **late openings in step**: the lateness of an opening depends on the phase of its edge in the
  scan. After a tick that phase is fixed, spread by gap and edge, and by the pitch if the carrier
  eye is latched. Each harmonic n of a lateness y(θ) keeps e^(−2π²n²σ²/T²), so the effect is at most
  Σ 2·|yₙ|·e^(−2π²n²σ²/T²), yₙ its Fourier coefficient;
- **an edge while the feed changes its speed**, if inserts are staged off: the next edge comes with
  more of the lag left;
- **a landing while the feed changes its speed**: the mean over the spread of the stage differs from
  the value at its mean. Estimated from the values one standard deviation to either side, or from
  those at equally likely places if that is more;
- **a landing behind an early opening**: what is known (:mod:`feedsim.settings.uneven_gaps`) is made
  mostly of few inserts;
- **out of reach**: if a motion cycle is longer than the room on a carrier, carriers whose clutch
  would close late in it are dropped, which leaves the early ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from statistics import NormalDist, fmean

import numpy as np

from feedsim.criteria import Criteria
from feedsim.probability.normal import kept_of_wave
from feedsim.settings.acts import is_locked
from feedsim.settings.counts_in_step import opened_in_counts
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.in_step import corrected_size, lattice_wait
from feedsim.settings.late_acts import late_opening_mean
from feedsim.settings.marks import share_merged
from feedsim.settings.mechanisms_missed import (
    carrier_short,
    feed_cycle,
    late_marks,
    memory,
    unstaged,
)
from feedsim.settings.mechanisms_placed import no_cycle
from feedsim.settings.nominal_cycle import nominal_cycle
from feedsim.settings.predict import landing_shift, staged_off
from feedsim.settings.queues import Waits
from feedsim.settings.right import right_settings
from feedsim.settings.sources import lag_part, sd_without_slips
from feedsim.settings.spreads import staged_nose
from feedsim.settings.uneven_gaps import behind_early_openings
from feedsim.settings.unlike import unlike
from feedsim.settings.waiting import waiting_longer

_RARE = 1e-5
_UNSURE = 0.05
"""Largest error of the law of waits over random lines, as a share of the mean wait."""
_WORTH_MM = 0.001
_IN_NUMBERS = 0.02
_HARMONICS = 9
_NOT_NORMAL = 1.5
_UNSURE_OF_LAG = 0.25
_TO = 0.1
_QUANTILES = 32
_NORMAL = [NormalDist().inv_cdf((k + 0.5) / _QUANTILES) for k in range(_QUANTILES)]


@dataclass(frozen=True, slots=True)
class Besides:
    """An effect not included in the mean; ``most_mm``: roughly its largest size (mm)."""

    name: str
    most_mm: float


def besides(at: FeederAtSpeed, allowed: Criteria, waits: Waits | None) -> tuple[Besides, ...]:
    """Return the effects not included in the mean; ``waits``: of carriers for the feeder."""
    return tuple(each for each in _sizes(at, allowed, waits) if each.most_mm > _WORTH_MM)


def _sizes(at: FeederAtSpeed, allowed: Criteria, waits: Waits | None) -> Iterator[Besides]:
    lost = _lost(at, allowed)
    early = behind_early_openings(at, served(at, allowed))
    if waits is not None:
        yield Besides("waits for the feeder", _waits_off(at, allowed, waits))
    yield Besides("openings in step with the motion", _opened_in_step(at, allowed))
    yield Besides("which carriers are lost", _selection(at, lost))
    left = lag_part(at)
    unsure = unlike(at, lost) if left is None else _UNSURE_OF_LAG * left.sd
    yield Besides("cycles that are unlike", unsure)
    yield Besides("a run-up that is too short", _short_run_up(at))
    yield Besides("landings in the next cycle", _next_cycle(at, allowed, early.next_cycle))
    yield Besides("inserts in step with the scan", _in_step(at))
    yield Besides("closings in step with openings", _corrected(at, lost))
    yield Besides("openings in step with counts", _opened_in_counts(at, waits))
    yield Besides("late openings in step with the scan", _late_in_step(at))
    yield Besides("carriers out of reach", _out_of_reach(at))
    if left is None:
        yield Besides("landings while the feed changes its speed", _bend(at))
        yield Besides("edges while the feed changes its speed", _sooner_edge(at))
    yield Besides("landings behind early openings", early.most_mm)


def served(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Return the share of pitches that bring a carrier which gets its insert."""
    return (1.0 - at.carriers.missing) * (1.0 - _lost(at, allowed))


def _lost(at: FeederAtSpeed, allowed: Criteria) -> float:
    left = 1.0
    for share in (feed_cycle, memory, late_marks, unstaged, carrier_short):
        left *= 1.0 - share(at, allowed)
    merged = share_merged(at)
    return 1.0 - left * (1.0 - merged if merged > _IN_NUMBERS else 1.0)


def _waits_off(at: FeederAtSpeed, allowed: Criteria, waits: Waits) -> float:
    """Return the error of the mean wait (mm), from the law of waits and from steps.

    Lateness comes in whole counts, and behind a scanned carrier eye in scans. The law ignores these
    steps: a wait is off by up to half a step, and one that near to the end of the reach may be
    served or not, as one near to 0 may be corrected or not. A full memory may keep carriers
    waiting, or not, for a long time.
    """
    scan = at.speed_mm_s * at.controller.scan_s if at.carrier_eye.scanned else 0.0
    half, room = 0.5 * max(scan, at.scale * at.count_mm), waits.room_mm
    at_once, waiting, ends = (float(waits.waiting(x)) for x in (0.0, half, max(half, room - half)))
    corrected = waits.corrected_mm
    unsure = (_UNSURE + _crowded(at, allowed)) * (waits.mean_wait_mm + corrected * at_once)
    hardly = corrected * (at_once - waiting)
    return unsure + waits.lasting_mm + half * waiting + room * ends + hardly


def _crowded(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Return the share lost to merging and memory, which the law of the waits ignores."""
    return 1.0 - (1.0 - share_merged(at)) * (1.0 - memory(at, allowed))


def _selection(at: FeederAtSpeed, lost: float) -> float:
    if lost >= 1.0:
        return math.inf
    c, ins = at.carriers, at.inserts
    noise = sd_without_slips(at)
    decides = math.hypot(c.arrival.sd_mm, ins.gap_sd_mm * at.belt_per_feed, noise)
    most = noise * noise / decides if decides > 0.0 else 0.0
    # half as much again if every late one is lost: ticks and counts are not normal
    more = 1.0 if at.controller.not_ready_engages else _NOT_NORMAL
    return more * most * math.sqrt(lost / (1.0 - lost))


def _short_run_up(at: FeederAtSpeed) -> float:
    """Return the mean lateness of inserts staged too far on for their run-up (mm)."""
    staged, (ramp_in_s, _) = staged_nose(at), at.feeder.clutch.ramps_s(at.speed_mm_s)
    room = at.feeder.insert_eye_to_placement_mm - 0.5 * at.speed_mm_s * ramp_in_s
    if 1.0 - staged.share_below(room) < _RARE:
        return 0.0
    beyond = staged.average - room
    return 0.5 * (math.hypot(staged.sd, beyond) + beyond)


def _next_cycle(at: FeederAtSpeed, allowed: Criteria, known: float) -> float:
    """Return the mean lateness due to inserts that land only in the next cycle (mm).

    ``known``: share of them that is known.
    """
    share, each = max(0.0, no_cycle(at, allowed) - known), served(at, allowed)
    if share == 0.0:
        return 0.0
    between = at.carriers.pitch_mm / each if each > 0.0 else math.inf
    return share * (between + at.inserts.length_mm)


def _bend(at: FeederAtSpeed) -> float:
    if not right_settings(at).unsettled:
        return 0.0
    mean, sd = staged_off(at), staged_nose(at).sd
    low, middle, high = (landing_shift(at, mean + by) for by in (-sd, 0.0, sd))
    whole = fmean(landing_shift(at, mean + sd * z) for z in _NORMAL)
    return max(abs(0.5 * (low + high) - middle), abs(whole - middle))


def _sooner_edge(at: FeederAtSpeed) -> float:
    """Return the effect of a lag on the next edge if inserts are staged off (mm).

    The next edge comes sooner, with more of the lag left, and is staged accordingly. Half as much
    again for the effect on the landing.
    """
    further, v = staged_off(at), at.line_mm_s
    if abs(further) < _WORTH_MM or not right_settings(at).unsettled:
        return 0.0
    s = replace(at.settings, stage_position_mm=at.settings.stage_position_mm + further)
    moved = FeederAtSpeed(at.machine, replace(at.feeder, settings=s))
    usual, sooner = nominal_cycle(at), nominal_cycle(moved)
    if usual is None or sooner is None:
        return math.inf
    return 1.5 * abs(v * (sooner.edge_s - usual.edge_s) + further / at.settings.speed_ratio)


def _search_sd(at: FeederAtSpeed) -> float:
    """Return the standard deviation of where a search ends (mm of belt travel)."""
    return at.belt_per_feed * math.hypot(at.inserts.gap_sd_mm, at.eye.edge_sd_mm)


def _in_step(at: FeederAtSpeed) -> float:
    if not is_locked(at.eye, at.controller):
        return 0.0
    scan = at.speed_mm_s * at.controller.scan_s
    of_scan = scan / math.pi * kept_of_wave(2.0 * math.pi * _search_sd(at) / scan)
    if not is_locked(at.carrier_eye, at.controller):
        return of_scan
    return max(of_scan, at.speed_mm_s * lattice_wait(at, _search_sd(at) / at.speed_mm_s))


def _corrected(at: FeederAtSpeed, lost: float) -> float:
    other = 1.0 - (1.0 - lost) * (1.0 - at.carriers.missing)
    known, unknown = (corrected_size(at, near=near) for near in (True, False))
    return (_TO + 2.0 * other) * known + unknown


def _opened_in_counts(at: FeederAtSpeed, waits: Waits | None) -> float:
    """Return the error of what is known (mm): a closing that waited is at no count."""
    known, most = opened_in_counts(at)
    return most + (abs(known) * float(waits.served_beyond(0.0)) if waits else 0.0)


def _opened_in_step(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Return the effect on waits (mm) of services longer or shorter by the opening's steps.

    These are its tick, its count and, behind a scanned eye, the scan.
    """
    tick_s = at.controller.motion_cycle_s + (at.controller.scan_s if at.eye.scanned else 0.0)
    tick = at.speed_mm_s * tick_s + at.scale * at.count_mm
    if not at.controller.not_ready_engages or at.carriers.arrival.in_order or tick == 0.0:
        return 0.0
    left = kept_of_wave(2.0 * math.pi * _search_sd(at) / tick)
    if left * tick < _WORTH_MM:
        return 0.0
    return left * max(abs(waiting_longer(at, allowed, by)) for by in (-0.5 * tick, 0.5 * tick))


def _late_in_step(at: FeederAtSpeed) -> float:
    """Return the effect of edges at a fixed phase on the mean of late openings (mm).

    With T the scan and U the travel from edge to point, an edge y + U before its scan tick makes
    the opening y late, for y up to L = min(T, T − U): the coefficient is ∫ y·e^(iky) dy/T,
    k = 2πn/T (Fourier series, any textbook).
    """
    mean, scan = late_opening_mean(at), at.counted_mm_s * at.controller.scan_s
    if mean == 0.0 or scan == 0.0 or at.eye.scanned or at.settings.stage_correction:
        return 0.0
    pitch = 0.0 if at.carrier_eye.scanned else at.carriers.arrival.sd_mm
    spread = math.hypot(_search_sd(at), pitch)
    latest = min(scan, scan - at.opening_travel_mm)
    n = np.arange(1.0, _HARMONICS)
    ik = 2.0j * math.pi * n / scan
    wave = (latest * np.exp(ik * latest) / ik - (np.exp(ik * latest) - 1.0) / ik**2) / scan
    left = kept_of_wave(2.0 * math.pi * n * spread / scan)
    return at.scale * min(float(np.abs(wave) @ left) * 2.0, max(mean, latest - mean))


def _out_of_reach(at: FeederAtSpeed) -> float:
    if not (at.controller.not_ready_engages or at.controller.late_mark_engages):
        return 0.0
    room = at.carriers.reach_mm(at.settings)
    return 0.5 * max(0.0, at.speed_mm_s * at.controller.motion_cycle_s - room)
