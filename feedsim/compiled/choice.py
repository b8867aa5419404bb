"""Which lines the compiled engine runs, decided without importing it."""

from __future__ import annotations

from feedsim.machine import Machine

MOST_POINTS = 60
"""Most points of a speed profile."""


def why_not(machine: Machine) -> str:
    """Return why the compiled engine cannot run a machine; empty if it can."""
    if machine.supervision is not None:
        return "something may stop or change the line as it runs"
    if len(machine.line.profile) > MOST_POINTS:
        return f"its speed profile has more than {MOST_POINTS} points"
    return ""
