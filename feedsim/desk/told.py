"""Quantities for the page: the number to draw, and the text to read."""

from __future__ import annotations

from typing import Any

from feedsim.quantities import System, display
from feedsim.render import wording

Told = dict[str, Any]


def speed(value: float, units: System) -> Told:
    """Return a speed (mm/s)."""
    return {"mm_s": value, "text": wording.speed(value, units)}


def length(value: float, units: System, *, sign: bool = False) -> Told:
    """Return a length (mm), measured or calculated."""
    return {"mm": value, "text": wording.length(value, units, sign=sign)}


def time(value: float) -> Told:
    """Return a time (s)."""
    return {"s": value, "text": display(value, "time")}
