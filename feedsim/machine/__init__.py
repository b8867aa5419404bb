"""The checked model: the machine in numbers, as the engine sees it.

Every value is a float in mm, s, mm/s or mm/s² (the unit is in the name), a whole
number, or a yes/no. No dict, no string, no unit: those end in :mod:`feedsim.scenario`.
All classes are frozen, so a run cannot change what it was given.
"""

from feedsim.machine.drive import Drive, Motor, Reduction, Roller
from feedsim.machine.feeder import Clutch, Feeder, Servo
from feedsim.machine.inserts import DoubleCheck, Inserts
from feedsim.machine.line import Carriers, Controller, Encoder, Eye, Line
from feedsim.machine.same import SAME_INSTANT_S, SAME_RATIO, SAME_STEP, SAME_TRAVEL_MM
from feedsim.machine.settings import (
    SIDES,
    DistancesAndLeads,
    OneSide,
    Resolution,
    Settings,
    SideName,
)
from feedsim.machine.supervision import (
    Adjust,
    Clearing,
    FaultKind,
    Hazard,
    PlannedFault,
    Setting,
    StopRules,
    Supervision,
    When,
)
from feedsim.machine.whole import Divert, Machine

__all__ = [
    "SAME_INSTANT_S",
    "SAME_RATIO",
    "SAME_STEP",
    "SAME_TRAVEL_MM",
    "SIDES",
    "Adjust",
    "Carriers",
    "Clearing",
    "Clutch",
    "Controller",
    "DistancesAndLeads",
    "Divert",
    "DoubleCheck",
    "Drive",
    "Encoder",
    "Eye",
    "FaultKind",
    "Feeder",
    "Hazard",
    "Inserts",
    "Line",
    "Machine",
    "Motor",
    "OneSide",
    "PlannedFault",
    "Reduction",
    "Resolution",
    "Roller",
    "Servo",
    "Setting",
    "Settings",
    "SideName",
    "StopRules",
    "Supervision",
    "When",
]
