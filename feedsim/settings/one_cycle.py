"""The feed's motion in one cycle at a steady speed, for many cycles at once.

A cycle starts as its command does, a command delay after the clutch closes. The feed's travel is
that of its ramp-in less that of its ramp-out (:mod:`feedsim.motion.ramps`), which starts from
however far the ramp-in has engaged the feed, less what is left of the lag that the cycle before
left: that falls by e^(−K·t), K the loop gain (feedsim/MODEL.md, section 6).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Clutch, Servo
from feedsim.motion.feed_piece import steady_lag
from feedsim.motion.ramps import lag_missing, ramp_command, ramp_motion

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
    feedforward: float
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
        ramp_in, ramp_out = clutch.ramps_s(counted_mm_s)
        rigid = servo.loop_gain_per_s == math.inf
        return cls(
            feed_mm_s=ratio * counted_mm_s,
            gain_per_s=min(servo.loop_gain_per_s, _STIFF_PER_S),
            feedforward=1.0 if rigid else servo.velocity_feedforward,
            in_s=max(_STEP_S, ramp_in),
            out_s=max(_STEP_S, ramp_out),
            delay_s=servo.command_delay_s,
            sees_s=sees_s,
            opens_s=opens_s,
            busy_s=busy_s,
        )

    @property
    def lag_mm(self) -> float:
        """The lag at steady speed."""
        return steady_lag(self.feed_mm_s, self.gain_per_s, self.feedforward)

    def travel(self, t: Floats, left: Floats) -> Floats:
        """Return the feed travel (mm) at t with the clutch closed; ``left``: lag at the start."""
        return self._motion(t, left)[0]

    def _motion(self, t: Floats, left: Floats) -> tuple[Floats, Floats]:
        """Return travel (mm) and speed (mm/s)."""
        (travel, speed), lag = self._ramp(t, self.in_s), self._of(left, t)
        return self.feed_mm_s * travel - lag, self.feed_mm_s * speed + self.gain_per_s * lag

    def _ramp(self, t: Floats, ramp_s: float | Floats) -> tuple[Floats, Floats]:
        return ramp_motion(t, ramp_s, gain=self.gain_per_s, feedforward=self.feedforward)

    def _of(self, left: Floats, t: Floats) -> Floats:
        """Return what is left at t of the lag at the start."""
        found: Floats = left * np.exp(-self.gain_per_s * t)
        return found

    def time_at(self, way: Floats, left: Floats) -> Floats:
        """Return when a travel is reached, by Newton's method in a bracket.

        Before the start, at most ``sees_s``, when the lag was as much: −ln(−way/left)/K.
        """
        low, ahead = np.zeros_like(way), np.maximum(way, -left)
        high = (np.maximum(way, 0.0) + self.lag_mm + np.abs(left)) / self.feed_mm_s + self.in_s
        t = np.clip((way + self.lag_mm) / self.feed_mm_s + 0.5 * self.in_s, low, high)
        for _ in range(_ROUNDS):
            travel, speed = self._motion(t, left)
            over = travel - ahead
            short = over < 0.0
            if np.max(np.abs(over)) < _SAME_MM:
                break
            low, high = np.where(short, t, low), np.where(short, high, t)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                nearer = t - over / speed
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
        end = self.feed_mm_s * (ramp_command(at, self.in_s) + 0.5 * full * full * self.out_s)
        return Opened(end, at, at + full * self.out_s, full)

    def position(self, opened: Opened, t: Floats, left: Floats) -> Floats:
        """Return the feed travel (mm) at t, from 0, also behind the opening."""
        full = opened.full
        risen, fallen = (
            self._ramp(since, full * ramp)[0]
            for since, ramp in ((t, self.in_s), (t - opened.opens_s, self.out_s))
        )
        return self.feed_mm_s * full * (risen - fallen) - self._of(left, t)

    def left(self, opened: Opened, t: Floats, left: Floats) -> Floats:
        """Return the lag (mm) at t, behind the ramp-out."""
        full = opened.full
        ramp_in, ramp_out = full * self.in_s, full * self.out_s
        fallen = lag_missing(t - opened.rests_s, ramp_out, self.gain_per_s)
        risen = lag_missing(t - ramp_in, ramp_in, self.gain_per_s)
        return self.lag_mm * full * (fallen - risen) + self._of(left, t)
