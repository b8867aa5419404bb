"""Records of stops of the line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Rule(StrEnum):
    """What stopped the line (model, section 14)."""

    NO_INSERT = "no_insert"
    INSERT_EYE_BLOCKED = "insert_eye_blocked"
    CARRIER_EYE_BLOCKED = "carrier_eye_blocked"
    CARRIER_EYE_SILENT = "carrier_eye_silent"
    MISSES_IN_A_ROW = "misses_in_a_row"
    DOUBLE_FOUND = "double_found"
    DRIVE_OVERLOAD = "drive_overload"
    JAM = "jam"
    EMERGENCY_STOP = "emergency_stop"


class RecoveryStep(NamedTuple):
    """One step of restarting the line, done at a time (s).

    ``step``: ``cleared``, ``homed``, ``refilled``, ``inserts_cleared``, ``kept``, ``staged``,
    ``search_failed``. ``feeder``: from 0; −1 for the whole line. ``inserts``: how many were taken
    out (``inserts_cleared``), else 0.
    """

    time_s: float
    step: str
    feeder: int = -1
    inserts: int = 0


class WhileStopped(NamedTuple):
    """A rule broken, or a fault that occurred, while the line was already stopped: ``what`` it was.

    ``cause``: as that of a stop. ``feeder``, ``carrier``: from 0; −1 for none.
    """

    time_s: float
    what: str
    cause: str = ""
    feeder: int = -1
    carrier: int = -1


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of the line.

    ``cause``: the hazard that became a jam, the planned fault, ``magazine_empty``, the last missed
    carrier's cause, ``double`` or ``false_alarm``; empty if the rule says enough.
    ``feeder``: where it arose, from 0; −1 for the line.
    ``carrier``: the carrier involved; −1 for none.
    ``time_s``: the trip: every clutch opens, every sequence halts.
    ``at_rest_s``: when the belt came to rest.
    ``restarted_s``: when it moved again; NaN if it never did.
    ``lost``: the carriers missed because of it, by feeder.
    ``steps``: what was done, in order.
    ``within``: events that would have stopped a running line.
    ``run``: number of the run, from 0.
    """

    rule: Rule
    cause: str
    feeder: int
    carrier: int
    time_s: float
    at_rest_s: float
    restarted_s: float
    lost: tuple[tuple[int, ...], ...]
    steps: tuple[RecoveryStep, ...]
    within: tuple[WhileStopped, ...] = ()
    run: int = 0


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A change made while the line ran, as it took effect, in a run numbered from 0.

    ``next_carrier``: the first that had not reached the carrier eye by then.
    """

    time_s: float
    next_carrier: int
    run: int = 0
