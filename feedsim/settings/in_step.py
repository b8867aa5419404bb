"""Waits for a motion tick that keep step with an earlier tick, since cards come evenly.

Closed forms take the wait from a point to its motion tick as uniform over a cycle. It is not where
a point lies some number of scans after an earlier tick and the spread of that number leaves some
harmonic of the wait in step.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import SAME_STEP
from feedsim.probability.normal import kept_of_wave
from feedsim.settings.acts import is_locked, locked_step
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.nominal_cycle import nominal_cycle

_FINER, _FINE_ENOUGH, _MOST_PLACES = 8, 32_000, 200_000
_HARMONICS, _PLACES, _NEAR = 65, 1024, 0.1


def corrected_in_step(at: FeederAtSpeed) -> float:
    """Return the mean shift of corrected closings by openings they keep step with (mm).

    With both eyes scanned, stage correction moves the engage point by the opening's wait. The point
    then lies n·scan + K after the opening's tick, n the scan ticks from the insert's edge to the
    next mark and K = (E − U)/v_c − T/2. Its wait for a tick of the motion cycle T is

        T/2 + Σ T·sin(2πh·(n·scan + K)/T)/(πh)

    (Fourier series of a sawtooth, any textbook). Harmonic h meets whole scans only through δ, by
    which h·scan/T differs from a whole number, so with n normal, mean D and sd σ, its sine becomes
    that of 2π(h·K/T + δ·D) times e^(−2π²δ²σ²): still in step where δ is small, as for 2 ms and
    0.888 ms with h = 4. With δ beyond a tenth δ·D is not known well enough, since D depends on the
    wait itself; that part has a size (:func:`corrected_size`). Where δ is 0,
    :func:`feedsim.settings.corrected_acts.corrected_acts` knows what h does.
    """
    cycle = nominal_cycle(at) if _keeps_step(at) else None
    if cycle is None:
        return 0.0
    scan, tick, v, eye = at.controller.scan_s, at.controller.motion_cycle_s, at.speed_mm_s, at.eye
    closed = at.engage_travel_mm / at.counted_mm_s + 0.5 * tick
    seen = cycle.edge_s + eye.response_s + eye.filter_s + 0.5 * scan
    many = (at.carriers.pitch_mm / v - closed - seen) / scan
    k = (at.engage_travel_mm - at.opening_travel_mm) / at.counted_mm_s - 0.5 * tick
    h, off, left = _harmonics(at, near=True)
    waves = np.sin(2.0 * math.pi * (h * k / tick + off * many)) * left / h
    return v * tick * float(waves.sum()) / math.pi


def corrected_size(at: FeederAtSpeed, *, near: bool) -> float:
    """Return the largest size (mm) of harmonics of :func:`corrected_in_step`, at any phases.

    ``near``: of those that it knows, with δ up to a tenth, or else of those beyond.
    """
    if not _keeps_step(at):
        return 0.0
    h, _, left = _harmonics(at, near=near)
    waves = np.zeros(1 + _PLACES // 2, dtype=complex)
    waves[h.astype(int)] = left / h
    largest = float(np.abs(np.fft.irfft(-0.5j * waves, _PLACES)).max()) * _PLACES
    return at.speed_mm_s * at.controller.motion_cycle_s * largest / math.pi


def _keeps_step(at: FeederAtSpeed) -> bool:
    both = is_locked(at.eye, at.controller) and is_locked(at.carrier_eye, at.controller)
    return both and at.settings.stage_correction


def _harmonics(at: FeederAtSpeed, *, near: bool) -> tuple[Floats, Floats, Floats]:
    """Return h, δ and e^(−2π²δ²σ²) (any textbook) of harmonics that steps of locked ticks leave."""
    h = np.arange(1.0, _HARMONICS)
    scans = h * (at.controller.scan_s / at.controller.motion_cycle_s)
    off = scans - np.rint(scans)
    chosen = (np.abs(off) > SAME_STEP) & ((np.abs(off) <= _NEAR) == near)
    travel = math.hypot(at.carriers.arrival.sd_mm, at.inserts.gap_sd_mm * at.belt_per_feed)
    sd = travel / (at.speed_mm_s * at.controller.scan_s)
    return h[chosen], off[chosen], kept_of_wave(2.0 * math.pi * off[chosen] * sd)


def lattice_wait(at: FeederAtSpeed, spread_s: float) -> float:
    """Return the largest difference of opening waits from those of edges at any phase (s).

    Scan tick j of the lattice closes at the first motion tick at or after j·scan + E/v. Edges come
    some fixed time after these closings, with a normal spread. The mean wait is the wait at an
    edge's place, convolved with the places of the closings, each harmonic h times
    e^(−2π²h²σ²/L²), L = scan·cycle/γ (convolution, any textbook).
    """
    scan, cycle = at.controller.scan_s, at.controller.motion_cycle_s
    step = locked_step(at.controller)
    scans, cycles = round(cycle / step), round(scan / step)
    places = scans * cycles
    if scans == 1 or places > _MOST_PLACES:
        return 0.0
    finer = max(1, min(_FINER, _FINE_ENOUGH // places))

    def closed(known: Floats, travel: float) -> Floats:  # in steps, known at scan ticks
        ticks = (known + travel / (at.counted_mm_s * step)) / scans
        return scans * np.ceil(ticks - SAME_STEP)

    closings = np.zeros(finer * places)
    ends = closed(cycles * np.arange(float(scans)), at.engage_travel_mm) % places
    np.add.at(closings, (finer * ends).astype(int), 1.0 / scans)
    edges = (np.arange(finer * places) + 0.5) / finer
    waits = closed(cycles * np.ceil(edges / cycles), at.opening_travel_mm) - edges
    h = np.arange(1.0 + finer * places // 2)
    damped = kept_of_wave(2.0 * math.pi * h * spread_s / (places * step))
    both = np.conj(np.fft.rfft(closings)) * np.fft.rfft(waits - waits.mean()) * damped
    return step * float(np.abs(np.fft.irfft(both, len(edges))).max())
