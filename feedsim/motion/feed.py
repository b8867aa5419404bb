"""The feed's motion over a run: clutch command and servo following, piece after piece.

The engagement r runs between 0 (open) and 1 (closed), linear in time or in counted travel
on a ramp; the command is dp/dc̃ = g·r with c̃ = m/(1+ε). Pieces are made on demand, one for each
stretch on which belt acceleration and ramp slope are constant.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from feedsim.machine import Servo
from feedsim.motion.belt import BeltMotion, belt_index, belt_position, belt_time_at, speed_after
from feedsim.motion.feed_piece import (
    FeedPiece,
    Rate,
    Shape,
    piece_command,
    piece_position,
    piece_rests,
    piece_speed,
    piece_state,
    piece_time_at,
)


class Ramp(NamedTuple):
    """How a change of engagement runs: a full one takes ``length``.

    ``length`` is seconds, or mm of counted travel where ``in_travel``; 0 is a step.
    """

    length: float
    in_travel: bool


Wanted = tuple[float, float, bool, float]
"""What a command wants: r, a ramp's length and whether it is travel, speed of a jog (mm/s)."""

_STEP = Ramp(0.0, in_travel=False)
_MOST_SHAPES = 64


# -- where pieces are kept: an engine that keeps them elsewhere has its own of these ---------


def piece_count(feed: FeedMotion) -> int:
    """Return how many pieces there are."""
    return len(feed.pieces)


def add_piece(feed: FeedMotion, rate: Rate) -> FeedPiece:
    """Return a new last piece with only its shape set."""
    shape = feed.shapes.get(rate)
    if shape is None:  # at steady speed each cycle has the same ones
        if len(feed.shapes) >= _MOST_SHAPES:
            feed.shapes.clear()
        shape = Shape(rate, gain=feed.gain, feedforward=feed.feedforward)
        feed.shapes[rate] = shape
    piece = FeedPiece(shape)
    feed.pieces.append(piece)
    return piece


def keep_pieces(feed: FeedMotion, first: int, end: int) -> None:
    """Keep only pieces ``first`` to ``end`` − 1."""
    del feed.pieces[end:]
    del feed.pieces[:first]


# -- the motion, for any object with belt, factor and pieces ------------------------------------


def feed_obey(feed: FeedMotion, t: float, wanted: Wanted) -> None:
    """Follow another command from time ``t`` (s), along the same belt motion."""
    feed_go_on(feed, t, state=feed_cut(feed, t), wanted=wanted)


def feed_cut(feed: FeedMotion, t: float) -> tuple[float, float, float]:
    """Drop all motion from ``t`` on; return p, e = p − f (mm) and r then (feedsim/MODEL.md, 6)."""
    i = _index(feed, t)
    piece = feed.pieces[i]
    command, lag = piece_state(piece, t)
    r = engagement_on(feed, piece, t=t)
    keep_pieces(feed, 0, i if piece.start_s >= t else i + 1)
    piece.end_s = t
    return command, lag, r


def feed_go_on(
    feed: FeedMotion, t: float, *, state: tuple[float, float, float], wanted: Wanted
) -> None:
    """Continue from the result of :func:`feed_cut` with another command."""
    p, e, r = state
    target, ramp, _, _ = wanted
    _append(feed, t, state=(p, e, r if ramp != 0.0 else target), wanted=wanted)


def _append(
    feed: FeedMotion, t: float, *, state: tuple[float, float, float], wanted: Wanted
) -> None:
    """Add a piece from time ``t`` (s), p, e and r."""
    command, lag, r = state
    target, ramp, in_travel, jog = wanted
    if target != 0.0 or r != 0.0:
        rate, slope, end = _follow_rate(feed, t, r=r, wanted=wanted)
    else:
        rate, slope, end = (jog, 0.0, 0.0, 0.0), 0.0, math.inf
    piece = add_piece(feed, rate)
    e0 = piece.shape.e0
    piece.start_s, piece.end_s = t, end
    piece.command_mm, piece.start_mm = command, command - lag
    piece.f0_mm, piece.decay_mm = command - e0, lag - e0
    piece.engagement, piece.slope = r, slope
    piece.target, piece.ramp = target, ramp
    piece.in_travel, piece.jog_mm_s = in_travel, jog


def _follow_rate(
    feed: FeedMotion, t: float, *, r: float, wanted: Wanted
) -> tuple[Rate, float, float]:
    """Return p' as a polynomial from ``t``, the slope of r, and the piece's end."""
    belt, g = feed.belt, feed.factor
    i = belt_index(belt, t)
    a, belt_end = belt.accelerations[i], belt.end_times[i]
    v = speed_after(belt.start_speeds[i], a, t - belt.start_times[i])
    target, length, in_travel, _ = wanted
    if r == target:
        return (g * v * r, g * a * r, 0.0, 0.0), 0.0, belt_end
    slope = (1.0 if target > r else -1.0) / length
    if not in_travel:
        end = t + (target - r) / slope
        rate = (g * v * r, g * (v * slope + a * r), g * a * slope, 0.0)
    else:
        far = (target - r) / slope * feed.belt_per_counted
        end = belt_time_at(belt, belt_position(belt, t) + far)
        q = slope / feed.belt_per_counted
        rate = (
            g * v * r,
            g * (a * r + q * v * v),
            g * 1.5 * q * v * a,
            g * 0.5 * q * a * a,
        )
    return rate, slope, end if end < belt_end else belt_end


def _extend(feed: FeedMotion) -> bool:
    """Add the piece that follows the last one; false if the last one never ends."""
    last = feed.pieces[piece_count(feed) - 1]
    t, r, target = last.end_s, last.engagement, last.target
    if t == math.inf:
        return False
    if r != target:
        r = engagement_on(feed, last, t=t)
        # the last piece ended with the belt's, or its ramp did
        if abs(target - r) < 1e-12 or feed.belt.start_times[belt_index(feed.belt, t)] != t:
            r = target
    command, lag = piece_state(last, t)
    wanted = (target, last.ramp, last.in_travel, last.jog_mm_s)
    _append(feed, t, state=(command, lag, r), wanted=wanted)
    return True


def _index(feed: FeedMotion, t: float) -> int:
    """Return the number of the piece at time ``t`` (s), made if there is none yet."""
    pieces, i = feed.pieces, piece_count(feed) - 1
    while pieces[i].end_s <= t and _extend(feed):
        i += 1
    while i > 0 and pieces[i].start_s > t:
        i -= 1
    return i


def engagement_on(feed: FeedMotion, piece: FeedPiece, *, t: float) -> float:
    """Return r (0…1) at time ``t`` (s), its end included, of one of the feed's pieces."""
    r, slope, start = piece.engagement, piece.slope, piece.start_s
    if slope == 0.0:
        return r
    if piece.in_travel:
        belt = feed.belt
        ran = (belt_position(belt, t) - belt_position(belt, start)) / feed.belt_per_counted
    else:
        ran = t - start
    return min(1.0, max(0.0, r + slope * ran))


def feed_forget_before(feed: FeedMotion, t: float) -> None:
    """Drop what ended before time ``t`` (s)."""
    count, drop = piece_count(feed), 0
    while drop < count and feed.pieces[drop].end_s < t:
        drop += 1
    keep_pieces(feed, drop, count)


def feed_engagement(feed: FeedMotion, t: float) -> float:
    """Return r (0…1) at time ``t`` (s)."""
    return engagement_on(feed, feed.pieces[_index(feed, t)], t=t)


def feed_position(feed: FeedMotion, t: float) -> float:
    """Return f (mm) at time ``t`` (s)."""
    return piece_position(feed.pieces[_index(feed, t)], t)


def feed_command(feed: FeedMotion, t: float) -> float:
    """Return p (mm) at time ``t`` (s)."""
    return piece_command(feed.pieces[_index(feed, t)], t)


def feed_speed(feed: FeedMotion, t: float) -> float:
    """Return f' (mm/s) at time ``t`` (s)."""
    return piece_speed(feed.pieces[_index(feed, t)], t)


def feed_rest(feed: FeedMotion) -> tuple[float, float]:
    """Return when the command comes to rest (s, ``inf`` for never) and where (mm)."""
    last = feed.pieces[piece_count(feed) - 1]
    while last.engagement != last.target and _extend(feed):
        last = feed.pieces[piece_count(feed) - 1]
    if last.engagement != 0.0 or last.jog_mm_s != 0.0:
        return math.inf, math.nan
    i = piece_count(feed) - 1
    while i > 0 and piece_rests(feed.pieces[i - 1]):
        i -= 1
    piece = feed.pieces[i]
    return piece.start_s, piece.command_mm


def feed_time_at(feed: FeedMotion, target: float) -> float:
    """Return the first time (s) at which f reaches ``target`` (mm), or ``inf``.

    0 for a travel not ahead of the start, ``-inf`` where f was there before the pieces
    still kept.
    """
    pieces, count = feed.pieces, piece_count(feed)
    i = count - 1
    while i >= 0 and pieces[i].start_mm >= target:
        i -= 1
    if i < 0:
        return 0.0 if pieces[0].start_s == 0.0 else -math.inf
    while True:
        t = piece_time_at(pieces[i], target)
        i += 1
        if i < count:
            return min(t, pieces[i].start_s)
        if t <= pieces[i - 1].end_s:
            return t
        if not _extend(feed):
            return math.inf
        count += 1
        if pieces[i].start_mm >= target:
            return pieces[i].start_s


class FeedMotion:
    """Feed travel f(t) of one feeder, its command at rest at p = 0 at t = 0.

    Parameters
    ----------
    scale_error : float
        ε.
    ratio : float
        g.
    servo : Servo
        Loop gain and feedforward.
    lag_mm : float
        p − f at t = 0.
    """

    def __init__(
        self,
        belt: BeltMotion,
        *,
        scale_error: float,
        ratio: float,
        servo: Servo,
        lag_mm: float = 0.0,
    ) -> None:
        self.belt = belt
        self.belt_per_counted = 1.0 + scale_error
        self.factor = ratio / self.belt_per_counted
        self.gain = servo.loop_gain_per_s
        self.feedforward = servo.velocity_feedforward
        self.shapes: dict[Rate, Shape] = {}
        self.pieces: list[FeedPiece] = []
        self._commands: list[tuple[float, Wanted]] = [(0.0, (0.0, *_STEP, 0.0))]
        _append(self, 0.0, state=(0.0, lag_mm, 0.0), wanted=self._commands[0][1])

    def engage(self, t: float, ramp: Ramp) -> None:
        """Let r rise to 1 from time ``t`` (s)."""
        self._give(t, (1.0, *ramp, 0.0))

    def open(self, t: float, ramp: Ramp) -> None:
        """Let r fall to 0 from time ``t`` (s), at the slope of a full ramp."""
        self._give(t, (0.0, *ramp, 0.0))

    def jog(self, t: float, speed: float) -> None:
        """Drive the feed alone at ``speed`` (mm/s) from time ``t`` (s); 0 stops it."""
        self._give(t, (0.0, *_STEP, speed))

    def _give(self, t: float, wanted: Wanted) -> None:
        self._commands.append((t, wanted))
        feed_obey(self, t, wanted)

    def follow(self, belt: BeltMotion, t: float) -> None:
        """Go on along another belt motion from time ``t`` (s), r undisturbed.

        A command given for a time after ``t`` stays.
        """
        self._change(t, belt=belt, factor=self.factor)

    def set_ratio(self, ratio: float, t: float) -> None:
        """Go on at another speed ratio from time ``t`` (s), r undisturbed."""
        self._change(t, belt=self.belt, factor=ratio / self.belt_per_counted)

    def _change(self, t: float, *, belt: BeltMotion, factor: float) -> None:
        later = [command for command in self._commands if command[0] > t]
        _, in_force = self._commands[-len(later) - 1]
        state = feed_cut(self, t)
        self.belt, self.factor = belt, factor
        feed_go_on(self, t, state=state, wanted=in_force)
        for start, wanted in later:
            feed_obey(self, start, wanted)

    def forget_before(self, t: float) -> None:
        """Drop what ended before time ``t`` (s)."""
        feed_forget_before(self, t)
        commands = self._commands
        while len(commands) > 1 and commands[1][0] < t:
            del commands[0]

    engagement = feed_engagement
    position = feed_position
    command = feed_command
    speed = feed_speed
    rest = feed_rest
    time_at = feed_time_at
