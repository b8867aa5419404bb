"""The feed's motion cut into stretches with torque linear in acceleration.

Cuts are where the feed's own pieces meet, the feed comes to rest, the magazine starts or stops
holding an insert back, and the power changes direction in a reduction.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from feedsim.drivetrain.law import Branch, branch_at, torque_law
from feedsim.drivetrain.waves import Wave, crossings, value_of
from feedsim.machine import Drive
from feedsim.motion.feed_piece import FeedPiece

REST_MM = 1e-3
"""With the clutch open and less than this left to travel, the feed counts as at rest."""

_SHORTEST_S = 1e-12
_M = 1e-3  # of a mm


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a cycle in which the feed moves.

    ``start_m``, ``end_m``: feed travel at its ends. Speed and acceleration are waves over its
    elapsed share, decaying with ``decay``: loop gain times length; 0 for a rigid servo.
    """

    start_s: float
    length_s: float
    start_m: float
    end_m: float
    speed_m_s: Wave
    acceleration_m_s2: Wave
    decay: float
    pulling: bool  # whether the magazine holds an insert back
    branch: Branch  # of the torque
    to_rest: bool  # whether the feed counts as at rest after it

    def speed(self, u: float) -> float:
        """Return the feed speed (m/s) at elapsed share u."""
        return value_of(self.speed_m_s, self.decay, u)

    def acceleration(self, u: float) -> float:
        """Return the feed acceleration (m/s²) at elapsed share u."""
        return value_of(self.acceleration_m_s2, self.decay, u)

    def travel(self, u: float) -> float:
        """Return the feed travel (m) at elapsed share u."""
        if u in (0.0, 1.0):
            return self.end_m if u else self.start_m
        travel = 0.0
        for j, p in self.speed_m_s.items():
            if j:
                travel += p[0] * -math.expm1(-self.decay * u) / self.decay
            else:
                travel += math.fsum(c * u ** (n + 1) / (n + 1) for n, c in enumerate(p))
        return self.start_m + travel * self.length_s


def cut_cycle(
    pieces: Sequence[FeedPiece], drive: Drive, *, gain: float, begin_s: float, end_s: float
) -> list[Stretch]:
    """Cut the motion of one feed cycle into stretches, only where the feed moves, in order.

    ``pieces``: of the feed, from before the cycle to its end; ``gain``: the servo's loop gain
    (1/s), which may be infinite; ``begin_s``, ``end_s``: the clutch begins to close for this cycle
    and for the next.
    """
    here = [p for p in _clipped(pieces, begin_s, end_s) if p[2] > p[1] + _SHORTEST_S]
    if not here:
        return []
    begin_mm = here[0][0].position(begin_s)
    pull_mm = (
        begin_mm + drive.pull_off_from_mm,
        begin_mm + drive.pull_off_from_mm + drive.pull_off_travel_mm,
    )
    laws = {pulling: torque_law(drive, pulling=pulling) for pulling in (False, True)}
    found: list[Stretch] = []
    for piece, start, end in here:
        moves_until, rests = _rest(piece, end, gain)
        if moves_until <= start + _SHORTEST_S:
            continue
        inner = [
            t
            for t in (piece.time_at(edge) for edge in pull_mm if piece.position(start) < edge)
            if start + _SHORTEST_S < t < moves_until - _SHORTEST_S
        ]
        times = [start, *sorted(inner), moves_until]
        for t0, t1 in pairwise(times):
            middle_mm = 0.5 * (piece.position(t0) + piece.position(t1))
            pulling = drive.pull_off_force_n > 0.0 and pull_mm[0] <= middle_mm < pull_mm[1]
            stretch = _stretch(piece, t0, t1, gain=gain, pulling=pulling)
            parts = list(_branches(stretch, laws[pulling]))
            if rests and t1 == moves_until:
                parts[-1] = replace(parts[-1], to_rest=True)
            found += parts
    return found


def _clipped(
    pieces: Sequence[FeedPiece], begin_s: float, end_s: float
) -> Iterator[tuple[FeedPiece, float, float]]:
    for place, piece in enumerate(pieces):
        until = pieces[place + 1].start_s if place + 1 < len(pieces) else math.inf
        if until > begin_s and piece.start_s < end_s:
            yield piece, max(piece.start_s, begin_s), min(until, end_s)


def _rest(piece: FeedPiece, end: float, gain: float) -> tuple[float, bool]:
    """Return when the feed stops moving on a piece, and whether it then comes to rest."""
    form = piece.closed_form
    if any(form.rise):
        return end, False
    left = abs(form.decay_mm)
    if left <= REST_MM or gain == math.inf:
        return piece.start_s, False
    stops = piece.start_s + math.log(left / REST_MM) / gain
    return (stops, True) if stops < end else (end, False)


def _stretch(piece: FeedPiece, t0: float, t1: float, *, gain: float, pulling: bool) -> Stretch:
    """Write speed and acceleration over the elapsed share of the stretch."""
    form, s0, length = piece.closed_form, t0 - piece.start_s, t1 - t0
    f1, f2, f3, f4 = (f * _M for f in form.rise)
    v0 = f1 + (2.0 * f2 + (3.0 * f3 + 4.0 * f4 * s0) * s0) * s0
    v1 = 2.0 * f2 + (6.0 * f3 + 12.0 * f4 * s0) * s0
    v2 = 3.0 * f3 + 12.0 * f4 * s0
    poly = (v0, v1 * length, v2 * length**2, 4.0 * f4 * length**3)
    speed: dict[int, tuple[float, ...]] = {0: poly}
    change: dict[int, tuple[float, ...]] = {
        0: (poly[1] / length, 2.0 * poly[2] / length, 3.0 * poly[3] / length)
    }
    decay = 0.0
    if form.decay_mm and gain < math.inf:
        decay = gain * length
        amplitude = gain * form.decay_mm * _M * math.exp(-gain * s0)
        speed[1] = (amplitude,)
        change[1] = (-gain * amplitude,)
    none = Branch(-math.inf, 0.0, 0.0, 0.0, 0.0)
    return Stretch(
        start_s=t0,
        length_s=length,
        start_m=piece.position(t0) * _M,
        end_m=piece.position(t1) * _M,
        speed_m_s=speed,
        acceleration_m_s2=change,
        decay=decay,
        pulling=pulling,
        branch=none,
        to_rest=False,
    )


def _branches(stretch: Stretch, law: tuple[Branch, ...]) -> Iterator[Stretch]:
    """Cut a stretch where its acceleration changes the branch of the law."""
    wave, x = stretch.acceleration_m_s2, stretch.decay
    places = sorted({u for branch in law[1:] for u in crossings(wave, x, branch.above_m_s2)})
    ends = [0.0, *places, 1.0]
    for u0, u1 in pairwise(ends):
        branch = law[branch_at(law, stretch.acceleration(0.5 * (u0 + u1)))]
        part = stretch if not places else _part(stretch, u0, u1)
        yield replace(part, branch=branch)


def _part(stretch: Stretch, u0: float, u1: float) -> Stretch:
    """Return a part of a stretch, its waves written from its own beginning."""
    share, x = u1 - u0, stretch.decay

    def moved(wave: Wave) -> dict[int, tuple[float, ...]]:
        out = {}
        for j, p in wave.items():
            shrink = math.exp(-j * x * u0)
            out[j] = tuple(
                shrink
                * share**n
                * math.fsum(math.comb(m, n) * p[m] * u0 ** (m - n) for m in range(n, len(p)))
                for n in range(len(p))
            )
        return out

    speed = moved(stretch.speed_m_s)
    return replace(
        stretch,
        start_s=stretch.start_s + u0 * stretch.length_s,
        length_s=share * stretch.length_s,
        start_m=stretch.travel(u0),
        end_m=stretch.travel(u1),
        speed_m_s=speed,
        acceleration_m_s2=moved(stretch.acceleration_m_s2),
        decay=x * share,
    )
