"""The feed's motion in one cycle at a steady speed, for many cycles at once.

A cycle starts as its command does, a command delay after the clutch closes. The lag e of the feed
behind its command p obeys e' + K·e = (1 − k)·p', K the loop gain and k the feedforward
(feedsim/MODEL.md, section 6). With w the feed's speed with the clutch closed, λ = (1 − k)·w/K and
q(T) = (1 − e^(−K·T))/(K·T), a ramp-in of T from rest leaves, t from its start,

    λ·(K·t − 1 + e^(−K·t))/(K·T) until it ends, and λ·(1 − q(T)·e^(−K·(t − T))) from then on,

a ramp-out that takes the command from r·w to rest λ·r·q(r·T_out)·e^(−K·(t − t_end)) instead of λ·r
(the step response of a first-order lag, integrated; any control textbook), and what the cycle
before left falls by e^(−K·t) besides.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Clutch, Servo

_STEP_S, _STIFF_PER_S = 1e-9, 1e7
_ROUNDS, _DEAD, _SAME_MM = 12, 40.0, 1e-6


class Opened(NamedTuple):
    """What follows from an opening: shape of the edges.

    ``end_mm``: command travel to rest. ``opens_s``, ``rests_s``: when it begins and ends to fall.
    ``full``: by how much the ramp-in had engaged the feed, 0…1.
    """

    end_mm: Floats
    opens_s: Floats
    rests_s: Floats
    full: Floats


class Cycle(NamedTuple):
    """A feed cycle (s, mm of feed, mm/s).

    ``opens_s``: from an edge to the start of the ramp-out. ``busy_s``: from the end of the ramp-out
    to the next possible closing. ``delay_s``: from a closing to the start of the cycle.
    ``sees_s``: from an edge that switches its eye at the closing to that start.
    """

    feed_mm_s: float
    gain_per_s: float
    lag_mm: float
    in_s: float
    out_s: float
    delay_s: float
    sees_s: float
    opens_s: float
    busy_s: float

    @classmethod
    def of(
        cls, clutch: Clutch, servo: Servo, *, counted_mm_s: float, ratio: float, sees_s: float,
        opens_s: float, busy_s: float,
    ) -> Cycle:  # fmt: skip
        """Return the cycle of a clutch and a servo; a step is a ramp of 1e-9 s."""
        seconds = 1.0 / counted_mm_s if clutch.travel_ramp else 1.0
        feed = ratio * counted_mm_s
        return cls(
            feed_mm_s=feed,
            gain_per_s=min(servo.loop_gain_per_s, _STIFF_PER_S),
            lag_mm=feed * (1.0 - servo.velocity_feedforward) / servo.loop_gain_per_s,
            in_s=max(_STEP_S, seconds * clutch.ramp_in),
            out_s=max(_STEP_S, seconds * clutch.ramp_out),
            delay_s=servo.command_delay_s,
            sees_s=sees_s,
            opens_s=opens_s,
            busy_s=busy_s,
        )

    def travel(self, t: Floats, left: Floats) -> Floats:
        """Return the feed travel (mm) at t with the clutch closed; ``left``: lag at the start."""
        return self._motion(t, left)[0]

    def _motion(self, t: Floats, left: Floats) -> tuple[Floats, Floats]:
        """Return travel (mm) and speed (mm/s)."""
        k, ramp, fallen = self.gain_per_s, self.in_s, np.exp(-self.gain_per_s * t)
        left, t = left * fallen, np.maximum(t, 0.0)
        ramps, fallen = t < ramp, np.minimum(fallen, 1.0)
        since = np.exp(-k * np.maximum(t - ramp, 0.0))
        q = -math.expm1(-k * ramp) / (k * ramp)
        behind = np.where(ramps, (k * t - 1.0 + fallen) / (k * ramp), 1.0 - q * since)
        command = np.where(ramps, 0.5 * t * t / ramp, t - 0.5 * ramp)
        grows = np.where(ramps, (1.0 - fallen) / ramp, k * q * since)
        travel = self.feed_mm_s * command - self.lag_mm * behind - left
        speed = self.feed_mm_s * np.minimum(t / ramp, 1.0) - self.lag_mm * grows + left * k
        return travel, speed

    def time_at(self, way: Floats, left: Floats) -> Floats:
        """Return when a travel is reached, by Newton's method in a bracket.

        Before the start, at most ``sees_s``, when the lag was as much: −ln(−way/left)/K.
        """
        low, ahead = np.zeros_like(way), np.maximum(way, -left)
        high = (np.maximum(way, 0.0) + self.lag_mm + np.abs(left)) / self.feed_mm_s + self.in_s
        t = np.clip((way + self.lag_mm) / self.feed_mm_s + 0.5 * self.in_s, low, high)
        for _ in range(_ROUNDS):
            travel, speed = self._motion(t, left)
            short = travel < ahead
            if np.max(np.abs(travel - ahead)) < _SAME_MM:
                break
            low, high = np.where(short, t, low), np.where(short, high, t)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                nearer = t - (travel - ahead) / speed
            t = np.where((nearer >= low) & (nearer <= high), nearer, 0.5 * (low + high))
        crept = (way < -left) & (left > 0.0)
        since_s = (np.log(-way[crept]) - np.log(left[crept])) / self.gain_per_s
        t[crept] = np.maximum(-self.sees_s, -since_s)
        return t

    def unseen(self, left: Floats) -> Floats:
        """Return the lag (mm) while an edge passes that switches its eye as the clutch closes."""
        return left * math.exp(min(_DEAD, self.gain_per_s * self.sees_s))

    def opened(self, edge_s: Floats) -> Opened:
        """Return what follows from an opening behind an edge."""
        at = np.maximum(0.0, edge_s + self.opens_s)
        full = np.minimum(1.0, at / self.in_s)
        ran = np.where(full < 1.0, 0.5 * at * full, at - 0.5 * self.in_s)
        end = self.feed_mm_s * (ran + 0.5 * full * full * self.out_s)
        return Opened(end, at, at + full * self.out_s, full)

    def position(self, opened: Opened, t: Floats, left: Floats) -> Floats:
        """Return the feed travel (mm) at t, from 0, also behind the opening.

        The speed rises and falls at steady rates 1/T, and each change of its rate by one adds
        w·t²/2 − λ·(t − (1 − e^(−K·t))/K) from then on (the same response, by superposition).
        """
        k, full = self.gain_per_s, opened.full

        def runs(since: Floats) -> Floats:
            s = np.maximum(since, 0.0)
            found: Floats = 0.5 * self.feed_mm_s * s * s - self.lag_mm * (s + np.expm1(-k * s) / k)
            return found

        risen = (runs(t) - runs(t - full * self.in_s)) / self.in_s
        fallen = (runs(t - opened.opens_s) - runs(t - opened.rests_s)) / self.out_s
        return risen - fallen - left * np.exp(-k * t)

    def left(self, opened: Opened, t: Floats, left: Floats) -> Floats:
        """Return the lag (mm) at t, behind the ramp-out."""
        k = self.gain_per_s
        ramp_out, ramp_in = opened.full * self.out_s, opened.full * self.in_s
        fallen = np.exp(-k * (t - opened.rests_s)) * -np.expm1(-k * ramp_out) / (k * self.out_s)
        risen = np.exp(-k * (t - ramp_in)) * -np.expm1(-k * ramp_in) / (k * self.in_s)
        return self.lag_mm * (fallen - risen) + left * np.exp(-k * t)
