"""About which line speed every speed is accepted in closed form."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.criteria import Criteria
from feedsim.settings.cells import worst_of_cell
from feedsim.settings.looks import Looks
from feedsim.settings.teeth import At

__all__ = ["window"]

_AS_GOOD_AS_FOUND = 1e-7
_STRIDE = 1.005
_FURTHEST = 4.0


def window(at: At, allowed: Criteria, speed: float) -> tuple[float, float] | None:
    """Return the line speeds (mm/s) about one between which it is accepted throughout.

    Parameters
    ----------
    at, allowed
        As in :func:`closed_form`.
    speed : float
        Line speed (mm/s).

    Returns
    -------
    (float, float) or None
        None if it is not accepted at that speed. An end is where it was last accepted, to
        ``_AS_GOOD_AS_FOUND``; or, accepted up to there, ``_FURTHEST`` times the speed away.
    """
    looks = Looks(at, allowed)
    if looks.refused(speed):
        return None
    return _end(looks, speed, 1.0 / _STRIDE), _end(looks, speed, _STRIDE)


def _end(looks: Looks, speed: float, stride: float) -> float:
    inside = speed
    while 1.0 / _FURTHEST < inside * stride / speed < _FURTHEST:
        for place in _on_the_way(looks, inside, inside * stride):
            if looks.refused(place):
                edge = looks.edge(inside, place, to=_AS_GOOD_AS_FOUND)
                return edge * (1.0 - _AS_GOOD_AS_FOUND * (1.0 if stride > 1.0 else -1.0))
            inside = place
    return inside


def _on_the_way(looks: Looks, start: float, end: float) -> Iterator[float]:
    """Yield the places to look at from a speed on to another one, the teeth's among them."""
    low, high = sorted((start, end))
    yield from sorted([end, *worst_of_cell(looks, low, high)], reverse=end < start)
