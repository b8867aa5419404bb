"""The feed's motion over a run: clutch command and servo following, piece after piece.

The engagement r runs between 0 (open) and 1 (closed), linear in time or in counted travel
on a ramp; the command is dp/dc̃ = g·r with c̃ = m/(1+ε). Pieces are made when they are
asked for, one to each stretch on which belt acceleration and ramp slope are constant.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from feedsim.machine import Servo
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed_piece import FeedPiece, Rate, Shape

__all__ = ["FeedMotion", "Ramp"]


class Ramp(NamedTuple):
    """How a change of engagement runs: a full one takes ``length``.

    ``length`` is seconds, or mm of counted travel where ``in_travel``; 0 is a step.
    """

    length: float
    in_travel: bool


class _Command(NamedTuple):
    """From ``start_s`` on: let r go to ``target``, or drive the feed alone."""

    start_s: float
    target: float
    ramp: Ramp
    jog_mm_s: float


_STEP = Ramp(0.0, in_travel=False)
_STILL: Rate = (0.0, 0.0, 0.0, 0.0)
_MOST_SHAPES = 64


class FeedMotion:
    """Feed travel f(t) of one feeder, from rest at f = 0 at t = 0.

    Parameters
    ----------
    belt : BeltMotion
    scale_error : float
        ε.
    ratio : float
        g.
    servo : Servo
        Loop gain and feedforward.
    """

    def __init__(
        self,
        belt: BeltMotion,
        *,
        scale_error: float,
        ratio: float,
        servo: Servo,
    ) -> None:
        self._belt = belt
        self._factor = ratio / (1.0 + scale_error)
        self._belt_per_counted = 1.0 + scale_error
        self._gain = servo.loop_gain_per_s
        self._feedforward = servo.velocity_feedforward
        # what the command does from the last piece on: r now, r wanted, how, jog speed
        self._engagement = 0.0
        self._target = 0.0
        self._ramp = _STEP
        self._jog_mm_s = 0.0
        self._commands = [_Command(0.0, 0.0, _STEP, 0.0)]
        self._shapes: dict[Rate, Shape] = {}
        self.pieces: list[FeedPiece] = []
        self._append(0.0, 0.0, lag=0.0)

    # -- changing the motion ---------------------------------------------------------

    def engage(self, t: float, ramp: Ramp) -> None:
        """Let r rise to 1 from time ``t`` (s)."""
        self._give(_Command(t, 1.0, ramp, 0.0))

    def open(self, t: float, ramp: Ramp) -> None:
        """Let r fall to 0 from time ``t`` (s), at the slope of a full ramp."""
        self._give(_Command(t, 0.0, ramp, 0.0))

    def jog(self, t: float, speed: float) -> None:
        """Drive the feed alone at ``speed`` (mm/s) from time ``t`` (s); 0 stops it."""
        self._give(_Command(t, 0.0, _STEP, speed))

    def follow(self, belt: BeltMotion, t: float) -> None:
        """Go on along another belt motion from time ``t`` (s), r undisturbed.

        A command that was given for later than ``t`` stays.
        """
        self._go_on(t, belt=belt, factor=self._factor)

    def set_ratio(self, ratio: float, t: float) -> None:
        """Go on at another speed ratio from time ``t`` (s), r undisturbed."""
        self._go_on(t, belt=self._belt, factor=ratio / self._belt_per_counted)

    def _go_on(self, t: float, *, belt: BeltMotion, factor: float) -> None:
        later = [c for c in self._commands if c.start_s > t]
        in_force = self._commands[-len(later) - 1]
        command, lag, r = self._cut(t)
        self._belt, self._factor = belt, factor
        self._obey(in_force, r)
        self._append(t, command, lag=lag)
        for c in later:
            self._carry_out(c)

    def forget_before(self, t: float) -> None:
        """Drop what ended before time ``t`` (s)."""
        pieces, commands = self.pieces, self._commands
        drop = 0
        for piece in pieces:
            if piece.end_s >= t:
                break
            drop += 1
        del pieces[:drop]
        while len(commands) > 1 and commands[1].start_s < t:
            del commands[0]

    def _give(self, command: _Command) -> None:
        self._commands.append(command)
        self._carry_out(command)

    def _carry_out(self, command: _Command) -> None:
        t = command.start_s
        travelled, lag, r = self._cut(t)
        self._obey(command, r)
        self._append(t, travelled, lag=lag)

    def _cut(self, t: float) -> tuple[float, float, float]:
        """Drop all motion from ``t`` on; return p, e = p − f and r then."""
        i = self._index(t)
        piece = self.pieces[i]
        command, lag = piece.state(t)
        r = self._engagement_on(piece, t)
        if piece.start_s >= t:
            del self.pieces[i:]
        elif i >= 0:
            del self.pieces[i + 1 :]
        piece.end_s = t
        return command, lag, r

    def _obey(self, command: _Command, r: float) -> None:
        _, self._target, self._ramp, self._jog_mm_s = command
        self._engagement = r if command.ramp.length else command.target

    # -- making pieces ---------------------------------------------------------------

    def _append(self, t: float, command: float, *, lag: float) -> None:
        if self._target or self._engagement:
            rate, slope, end = self._follow_rate(t)
        else:
            rate, slope, end = _STILL, 0.0, math.inf
            if self._jog_mm_s:
                rate = (self._jog_mm_s, 0.0, 0.0, 0.0)
        shape = self._shapes.get(rate)
        if shape is None:
            shape = self._shape(rate)
        self.pieces.append(
            FeedPiece(t, command, lag, shape, end, self._engagement, slope, self._ramp.in_travel)
        )

    def _shape(self, rate: Rate) -> Shape:
        """Make the shape of a rate, and keep it: at steady speed each cycle has the same ones."""
        if len(self._shapes) >= _MOST_SHAPES:
            self._shapes.clear()
        shape = Shape(rate, gain=self._gain, feedforward=self._feedforward)
        self._shapes[rate] = shape
        return shape

    def _follow_rate(self, t: float) -> tuple[Rate, float, float]:
        """Return p' as a polynomial from ``t``, the slope of r, and the piece's end."""
        belt = self._belt
        i = belt.index(t)
        start, _, v, a = belt.pieces[i]
        if a:
            v = max(0.0, v + a * (t - start))
        r, target = self._engagement, self._target
        belt_end = belt.end(i)
        g = self._factor
        if r == target:
            return (g * v * r, g * a * r, 0.0, 0.0), 0.0, belt_end
        length, in_travel = self._ramp
        slope = (1.0 if target > r else -1.0) / length
        if not in_travel:
            end = t + (target - r) / slope
            rate = (g * v * r, g * (v * slope + a * r), g * a * slope, 0.0)
        else:
            far = (target - r) / slope * self._belt_per_counted
            end = belt.time_at(belt.position(t) + far)
            q = slope / self._belt_per_counted
            rate = (
                g * v * r,
                g * (a * r + q * v * v),
                g * 1.5 * q * v * a,
                g * 0.5 * q * a * a,
            )
        return rate, slope, end if end < belt_end else belt_end

    def _extend(self) -> bool:
        """Add the piece that follows the last one; false if the last one holds for ever."""
        last = self.pieces[-1]
        t = last.end_s
        if t == math.inf:
            return False
        if self._engagement != self._target:
            r = self._engagement_on(last, t)
            over = abs(self._target - r) < 1e-12 or self._ended_with_ramp(t)
            self._engagement = self._target if over else r
        command, lag = last.state(t)
        self._append(t, command, lag=lag)
        return True

    def _ended_with_ramp(self, t: float) -> bool:
        """Tell whether the last piece ended at ``t`` because its ramp did, not the belt's."""
        return self._belt.pieces[self._belt.index(t)].start_s != t

    def _reach_time(self, t: float) -> None:
        while self.pieces[-1].end_s <= t and self._extend():
            pass

    # -- asking ----------------------------------------------------------------------

    def _index(self, t: float) -> int:
        pieces = self.pieces
        if pieces[-1].end_s <= t:
            self._reach_time(t)
        if pieces[-1].start_s <= t:
            return -1
        i = len(pieces) - 1
        while i > 0 and pieces[i].start_s > t:
            i -= 1
        return i

    def engagement(self, t: float) -> float:
        """Return r (0…1) at time ``t`` (s)."""
        return self._engagement_on(self.pieces[self._index(t)], t)

    def _engagement_on(self, piece: FeedPiece, t: float) -> float:
        r, slope, start = piece.engagement, piece.slope, piece.start_s
        if slope == 0.0:
            return r
        if piece.in_travel:
            ran = (self._belt.position(t) - self._belt.position(start)) / self._belt_per_counted
        else:
            ran = t - start
        return min(1.0, max(0.0, r + slope * ran))

    def position(self, t: float) -> float:
        """Return f (mm) at time ``t`` (s)."""
        return self.pieces[self._index(t)].position(t)

    def command(self, t: float) -> float:
        """Return p (mm) at time ``t`` (s)."""
        return self.pieces[self._index(t)].command(t)

    def speed(self, t: float) -> float:
        """Return f' (mm/s) at time ``t`` (s)."""
        return self.pieces[self._index(t)].speed(t)

    def rest(self) -> tuple[float, float]:
        """Return when the command comes to rest (s, ``inf`` for never) and where (mm)."""
        while self._engagement != self._target and self._extend():
            pass
        if self._engagement or self._jog_mm_s:
            return math.inf, math.nan
        i = len(self.pieces) - 1
        while i > 0 and self.pieces[i - 1].resting:
            i -= 1
        piece = self.pieces[i]
        return piece.start_s, piece.command_mm

    def time_at(self, target: float) -> float:
        """Return the first time (s) at which f reaches ``target`` (mm), or ``inf``.

        0 for a travel not ahead of the start, ``-inf`` where f was there before the pieces
        still kept.
        """
        pieces = self.pieces
        i = len(pieces) - 1
        while i >= 0 and pieces[i].start_mm >= target:
            i -= 1
        if i < 0:
            return 0.0 if pieces[0].start_s == 0.0 else -math.inf
        while True:
            piece = pieces[i]
            t = piece.time_at(target)
            if i + 1 < len(pieces):
                return min(t, pieces[i + 1].start_s)
            if t <= piece.end_s:
                return t
            if not self._extend():
                return math.inf
            i += 1
            if pieces[i].start_mm >= target:
                return pieces[i].start_s
