"""What a product needs: whose inserts, and how they may lie on each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Pair", "Recipe"]


@dataclass(frozen=True, slots=True)
class Pair:
    """How far the inserts of two feeders lie on each other, along the travel.

    Attributes
    ----------
    below, above : int
        Feeders by number, as they lie where they overlap.
    min_overlap_mm, max_overlap_mm : float
        An overlap below 0 is a clearance; infinite where there is no limit.
    """

    below: int
    above: int
    min_overlap_mm: float = -math.inf
    max_overlap_mm: float = math.inf


@dataclass(frozen=True, slots=True)
class Recipe:
    """When a product is complete, and its inserts lie as they should.

    Attributes
    ----------
    needs : tuple of int
        Feeders, by number, that must have placed; empty: all of them.
    may_overlap : bool
        Whether inserts may lie on each other where no pair says so.
    pairs : tuple of Pair
        Each pair of feeders at most once.
    """

    needs: tuple[int, ...] = ()
    may_overlap: bool = True
    pairs: tuple[Pair, ...] = ()
