"""The highest line speed that each mechanism alone allows, and all of them together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from feedsim.machine import Feeder, Machine
from feedsim.settings.mechanisms import MECHANISMS, Allowed, Figure, Mechanism

__all__ = [
    "FASTEST_MM_S",
    "SLOWEST_MM_S",
    "TOGETHER",
    "SpeedLimit",
    "accepted_at",
    "speed_limits",
    "tooth",
    "window",
]

SLOWEST_MM_S, FASTEST_MM_S = 1.0, 20_000.0
TOGETHER = "all together"
_STEPS = 96
_FINER = 24
_TOOTH = 0.12
_STRIDE = 1.005
_FURTHEST = 4.0
_ALL_FIGURES: tuple[Figure, ...] = ("missed", "jam_risk", "within_tolerance")
_NOTHING = 1e-9
_AS_GOOD_AS_FOUND = 1e-7

At = Callable[[float], tuple[Machine, Feeder]]


@dataclass(frozen=True, slots=True)
class SpeedLimit:
    """Up to which line speed one mechanism alone leaves a setup acceptable.

    Attributes
    ----------
    mechanism : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        The acceptance figure that it brings to its limit.
    speed_mm_s : float or None
        0.0: not even at a crawl. None: at every speed looked at, up to ``FASTEST_MM_S``.
    """

    mechanism: str
    figure: Figure
    speed_mm_s: float | None


def speed_limits(at: At, allowed: Allowed) -> list[SpeedLimit]:
    """Return the limits of one feeder, the lowest first, those that do not exist left out.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the machine with its settings solved at that speed, and its feeder.
    allowed : Allowed

    Returns
    -------
    list of SpeedLimit
        Each mechanism's lowest speed at which its share exceeds what is allowed (below 1e-9
        counts as none); and under the name ``TOGETHER`` the one at which the shares of some
        figure do so together, 1 − Π(1 − share).
    """
    speeds = [
        SLOWEST_MM_S * (FASTEST_MM_S / SLOWEST_MM_S) ** (k / _STEPS) for k in range(_STEPS + 1)
    ]
    there = [at(speed) for speed in speeds]
    shares = [
        [m.share(*there[k], speeds[k], allowed) for m in MECHANISMS] for k in range(len(speeds))
    ]
    found = [
        SpeedLimit(m.name, m.figure, _first(m, [row[i] for row in shares], speeds, at, allowed))
        for i, m in enumerate(MECHANISMS)
    ]
    found.append(_together(shares, speeds, at, allowed))
    limits = [limit for limit in found if limit.speed_mm_s is not None]
    return sorted(limits, key=lambda limit: (limit.speed_mm_s or 0.0, limit.mechanism == TOGETHER))


def accepted_at(at: At, allowed: Allowed, speed: float) -> bool:
    """Tell whether at a line speed (mm/s) the shares of every figure together are allowed."""
    machine, feeder = at(speed)
    return all(
        _sum(m.share(machine, feeder, speed, allowed) for m in MECHANISMS if m.figure == figure)
        <= max(allowed.share(figure), _NOTHING)
        for figure in _ALL_FIGURES
    )


def window(at: At, allowed: Allowed, speed: float) -> tuple[float, float] | None:
    """Return the line speeds (mm/s) about one between which it is accepted throughout.

    Parameters
    ----------
    at, allowed
        As in :func:`speed_limits`.
    speed : float
        Line speed (mm/s).

    Returns
    -------
    (float, float) or None
        None if it is not accepted at that speed. An end is where it was last accepted, to
        ``_AS_GOOD_AS_FOUND``; or, accepted up to there, ``_FURTHEST`` times the speed away.
    """
    if not accepted_at(at, allowed, speed):
        return None
    return _end(at, allowed, speed, 1.0 / _STRIDE), _end(at, allowed, speed, _STRIDE)


def _end(at: At, allowed: Allowed, speed: float, stride: float) -> float:
    inside, outside = speed, speed * stride
    while accepted_at(at, allowed, outside):
        inside, outside = outside, outside * stride
        if not 1.0 / _FURTHEST < outside / speed < _FURTHEST:
            return inside
    while abs(outside - inside) > _AS_GOOD_AS_FOUND * speed:
        middle = 0.5 * (inside + outside)
        inside, outside = (
            (middle, outside) if accepted_at(at, allowed, middle) else (inside, middle)
        )
    return inside


def tooth(at: At, allowed: Allowed, limit: SpeedLimit) -> float | None:
    """Return where all shares together are worst, if beyond their limit they come down again.

    Rounded counts and locked ticks make shares a saw against speed: the lowest speed at which
    they exceed what is allowed may be the flank of a single tooth.

    Parameters
    ----------
    at, allowed
        As in :func:`speed_limits`.
    limit : SpeedLimit
        Of all together.

    Returns
    -------
    float or None
        Line speed (mm/s); None where the shares stay above for another ``_TOOTH`` of the speed.
    """
    if not limit.speed_mm_s:
        return None
    those = [m for m in MECHANISMS if m.figure == limit.figure]
    worst, worst_share = limit.speed_mm_s, 0.0
    for step in range(1, _FINER + 1):
        speed = limit.speed_mm_s * (1.0 + _TOOTH * step / _FINER)
        machine, feeder = at(speed)
        share = _sum(m.share(machine, feeder, speed, allowed) for m in those)
        if share <= max(allowed.share(limit.figure), _NOTHING):
            return worst if worst_share else None
        if share > worst_share:
            worst, worst_share = speed, share
    return None


def _first(
    m: Mechanism, shares: Sequence[float], speeds: Sequence[float], at: At, allowed: Allowed
) -> float | None:
    most = max(allowed.share(m.figure), _NOTHING)

    def over(speed: float) -> bool:
        return m.share(*at(speed), speed, allowed) > most

    return _lowest([share > most for share in shares], speeds, over)


def _together(
    shares: Sequence[Sequence[float]], speeds: Sequence[float], at: At, allowed: Allowed
) -> SpeedLimit:
    limits = []
    for figure in _ALL_FIGURES:
        those = [i for i, m in enumerate(MECHANISMS) if m.figure == figure]
        most = max(allowed.share(figure), _NOTHING)

        def over(speed: float, those: list[int] = those, most: float = most) -> bool:
            machine, feeder = at(speed)
            found = (MECHANISMS[i].share(machine, feeder, speed, allowed) for i in those)
            return _sum(found) > most

        exceeded = [_sum(row[i] for i in those) > most for row in shares]
        limits.append(SpeedLimit(TOGETHER, figure, _lowest(exceeded, speeds, over)))
    return min(limits, key=lambda x: FASTEST_MM_S + 1.0 if x.speed_mm_s is None else x.speed_mm_s)


def _sum(shares: Iterable[float]) -> float:
    left = 1.0
    for share in shares:
        left *= 1.0 - share
    return 1.0 - left


def _lowest(
    exceeded: Sequence[bool], speeds: Sequence[float], over: Callable[[float], bool]
) -> float | None:
    """Return the lowest speed at which it is exceeded, by bisection in the first such step."""
    if not any(exceeded):
        return None
    first = list(exceeded).index(True)
    if first == 0:
        return 0.0
    low, high = speeds[first - 1], speeds[first]
    # rounded counts and locked ticks make shares jagged: look for the first tooth
    finer = [low + (high - low) * k / _FINER for k in range(1, _FINER)]
    high = next((speed for speed in finer if over(speed)), high)
    low = max([low, *(speed for speed in finer if speed < high)])
    while high - low > _AS_GOOD_AS_FOUND * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if over(middle) else (middle, high)
    return 0.5 * (low + high)
