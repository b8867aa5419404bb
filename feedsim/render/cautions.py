"""The cautions on everything that a person may carry to a machine."""

from __future__ import annotations

CAUTIONS = (
    "A simulation is no safety function, and nothing here is a safety assessment.",
    "Moving machinery crushes, cuts and draws in. Before anyone reaches in, stop the machine, "
    "isolate every source of energy and lock it out; keep guards in place, and defeat none to "
    "watch a placement.",
    "An electronic clutch that is open and a servo at rest are no safe stop: they may move at any "
    "time.",
    "Try new settings slowly first, with nobody in reach.",
    "Local codes and licensed practice come before anything said here.",
)

DRIVE_CAUTIONS = (
    "A motor maker's own data and curves, and a licensed engineer, decide on a motor; what is said "
    "here only narrows down the choice.",
    "RMS torque stands for heating only where a cycle is short against the motor's thermal time "
    "constant (IEC 60034-1 defines duty types). Brake, gear, bearings, supply, braking "
    "resistor and a vertical or stalled load are not looked at.",
)
"""Cautions on the choice of a motor."""
