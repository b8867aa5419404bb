"""What several logs of one program say together: of the patterns that look alike, which fit all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from feedsim.answers.learn.study.act_faults import came_after
from feedsim.answers.learn.study.act_names import distance_mm
from feedsim.answers.learn.study.act_rows import ComparedActs, Pattern, ProgramFault, Shift
from feedsim.machine import Machine

_STEADY = {"late_by_ticks", "count_scale", "lead_sign", "offset"}
_ONE_SPEED = 0.01


def told_together(
    found: Sequence[ComparedActs], machine: Machine
) -> list[tuple[ProgramFault, ...]]:
    """Return the faults of each log, named by what fits all logs.

    A pattern that would make the shift of one log has to make what every other log shows, too:
    whole ticks and leads shift acts by a time, distances and a count scale by a travel. And what
    odd acts came after is asked of those of all logs together.
    """
    faults = [[_fitting(fault, found, machine) for fault in one.faults] for one in found]
    odd: dict[tuple[int, str], list[tuple[int, int]]] = {}
    for log, told in enumerate(faults):
        for place, fault in enumerate(told):
            if fault.pattern == "sporadic":
                odd.setdefault((fault.feeder, fault.acts), []).append((log, place))
    for places in odd.values():
        named = came_after([faults[log][place] for log, place in places])
        for (log, place), fault in zip(places, named, strict=True):
            faults[log][place] = fault
    return [tuple(told) for told in faults]


def _fitting(fault: ProgramFault, found: Sequence[ComparedActs], machine: Machine) -> ProgramFault:
    """Return a steady fault by the first of its patterns that fits all logs."""
    if fault.pattern not in _STEADY:
        return fault
    shifts = [s for one in found if one.shifts for s in one.shifts[fault.feeder]]
    sides = {fault.acts} if fault.acts != "all" else {"closings", "openings"}
    own = [shift for shift in shifts if shift.side in sides]
    if len(own) < 2 * len(sides):
        return fault
    if any(_apart(one, other) for one in own for other in own):
        return replace(fault, here_alone=True)
    fits: dict[Pattern, ProgramFault] = {}
    for name in ("lead_sign", "late_by_ticks", "count_scale", "offset"):
        if name in {fault.pattern, *fault.or_else} and (
            named := _named(name, fault, own, shifts, machine)
        ):
            fits[name] = named
    first = fault.pattern if fault.pattern in fits else next(iter(fits))
    more = fits[first].or_else
    return replace(fits[first], or_else=(*more, *(name for name in fits if name != first)))


def _apart(one: Shift, other: Shift) -> bool:
    """Tell whether two logs at one speed contradict each other."""
    alike = abs(one.speed_mm_s - other.speed_mm_s) < _ONE_SPEED * one.speed_mm_s
    return one.side == other.side and alike and one.high_s < other.low_s


def _named(
    name: Pattern, fault: ProgramFault, own: list[Shift], shifts: list[Shift], machine: Machine
) -> ProgramFault | None:
    """Return a fault as a pattern has it; None where that does not fit all logs."""
    plain = replace(fault, pattern=name, ticks=0, ratio=math.nan, or_else=())
    low, high = max(s.low_s for s in own), min(s.high_s for s in own)
    if name == "offset":
        return plain
    if name == "lead_sign":
        settings = machine.feeders[fault.feeder].settings
        leads = {"closings": settings.engage_lead_s, "openings": settings.disengage_lead_s}
        fits = all(s.low_s <= 2.0 * leads[s.side] <= s.high_s for s in own)
        return plain if fits else None
    if name == "late_by_ticks":
        tick = machine.controller.motion_cycle_s or machine.controller.scan_s
        numbers = [n for n in range(math.ceil(low / tick), math.floor(high / tick) + 1) if n]
        if not numbers:
            return None
        ticks = min(numbers, key=lambda n: abs(n * tick - fault.late_s))
        return replace(plain, ticks=ticks, or_else=(name,) if len(numbers) > 1 else ())
    ends = [
        (s.low_s * s.speed_mm_s / mm, s.high_s * s.speed_mm_s / mm)
        for s in shifts
        if (mm := distance_mm(s.side, machine, fault.feeder)) > 0.0
    ]
    least, most = max(end for end, _ in ends), min(end for _, end in ends)
    return replace(plain, ratio=1.0 + 0.5 * (least + most)) if least <= most else None
