"""Quantities for the page: the number to draw, and the text to read."""

from __future__ import annotations

from feedsim.quantities import System
from feedsim.render import wording

Told = dict[str, object]


def speed(value: float, units: System) -> Told:
    """Return a speed (mm/s)."""
    return {"mm_s": value, "text": wording.speed(value, units)}


def length(value: float, units: System, *, of: str = "", sign: bool = False) -> Told:
    """Return a length (mm), measured or calculated; ``of``: what the keys begin with."""
    return {f"{of}mm": value, f"{of}text": wording.length(value, units, sign=sign)}
