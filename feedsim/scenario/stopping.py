"""Whether supervision, faults and changes fit the rest of the scenario."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim import machine
from feedsim.errors import Fault
from feedsim.scenario.given import Given, KeyPath, mm
from feedsim.scenario.model import Scenario
from feedsim.scenario.planned import Adjust, PlannedFault
from feedsim.scenario.supervision import Supervision
from feedsim.scenario.wording import dotted, shown

_JAMS = ("carrier_jam", "insert_jam")


def stopping_faults(given: Given) -> Iterator[Fault]:
    """Find faults between keys that are valid in themselves."""
    if isinstance(given.raw("supervision"), dict):
        yield from _searches(given)
        yield from _jams(given)
        yield from _silence(given)
    for number in range(given.feeders):
        yield from _magazine(given, ("feeder", number, "insert"))
    for table in ("fault", "adjust"):
        for number, _ in given.rows(table):
            yield from _planned(given, (table, number))
    yield from _dirty_eyes(given)
    yield from _changed_feeders(given)


def _searches(given: Given) -> Iterator[Fault]:
    """With no_insert on, check that the next insert is within reach of a search."""
    if not given("supervision", "no_insert"):
        return
    limit = given("controller", "search_limit")
    for number in range(given.feeders):
        length, gap = (given("feeder", number, "insert", name) for name in ("length", "gap"))
        if None not in (limit, length, gap) and limit < length + gap:
            allowed = (
                f"at least {mm(length + gap)} (insert.length and insert.gap of feeder.{number}): "
                "with supervision.no_insert on, every search would stop the line before the next "
                "insert comes"
            )
            yield given.fault(("controller", "search_limit"), allowed)


def _silence(given: Given) -> Iterator[Fault]:
    """Check that the carrier eye may be silent from one carrier to the next."""
    limit, pitch = given("supervision", "carrier_eye_silent"), given("carrier", "pitch")
    if limit and isinstance(pitch, float) and limit <= pitch:
        allowed = (
            f"0 mm, or more than {mm(pitch)} (carrier.pitch), and as much more as carriers may "
            "be missing in a row: else the line stops between two carriers"
        )
        yield given.fault(("supervision", "carrier_eye_silent"), allowed)


def _jams(given: Given) -> Iterator[Fault]:
    if given("supervision", "jam") is not False:
        return
    chances = (given("limits", "jam_probability", hazard.value) for hazard in machine.Hazard)
    if any(chances) or any(fault.get("kind") in _JAMS for _, fault in given.rows("fault")):
        allowed = (
            "true: a jam stops the line whatever [supervision] says; to have none, take out "
            "limits.jam_probability and the faults that jam"
        )
        yield given.fault(("supervision", "jam"), allowed)


def _magazine(given: Given, here: KeyPath) -> Iterator[Fault]:
    holds, warning = given(*here, "magazine"), given(*here, "magazine_warning")
    if holds is not None and warning and warning >= holds:
        allowed = f"less than magazine, {holds}"
        yield given.fault((*here, "magazine_warning"), allowed)


def _planned(given: Given, here: KeyPath) -> Iterator[Fault]:
    """Check that a time or a carrier is given, not both."""
    when = [name for name in ("at", "carrier") if given.raw(*here, name) is not None]
    if len(when) != 1:
        message = f'{"has both" if when else "needs one of"} "at" and "carrier"; give one of them'
        if not when:
            message = 'needs "at", a time, or "carrier", the number of one'
        yield Fault(dotted(here), shown({}), "one of at and carrier", message)
    if here[0] == "fault":
        feeder = given(*here, "feeder")
        if feeder is not None and given.feeders and feeder >= given.feeders:
            yield given.fault((*here, "feeder"), f"an existing feeder, 0 to {given.feeders - 1}")


def _dirty_eyes(given: Given) -> Iterator[Fault]:
    """Check that a duration is given for a dirty eye, and only there."""
    for number, table in given.rows("fault"):
        kind = given("fault", number, "kind")
        if kind is None:
            continue
        found = [name for name in ("eye", "duration") if table.get(name) is not None]
        if kind == "eye_dirty" and "duration" not in found:
            allowed = 'a time, such as "3 s": how long the eye sees nothing'
            yield Fault(dotted(("fault", number, "duration")), "nothing", allowed)
        if kind != "eye_dirty":
            for name in found:
                yield given.fault(("fault", number, name), 'kind = "eye_dirty" beside it')


def _changed_feeders(given: Given) -> Iterator[Fault]:
    for number, _ in given.rows("adjust"):
        for change in given("adjust", number, "set") or ():
            if given.feeders and change.feeder >= given.feeders:
                allowed = f"an existing feeder, 0 to {given.feeders - 1}"
                path = dotted(("adjust", number, "set", change.path))
                yield Fault(path, f"feeder {change.feeder}", allowed)


# -- for the engine ------------------------------------------------------------------


def supervision_of(scenario: Scenario) -> machine.Supervision | None:
    """Return what may stop or change the line while it runs; None if nothing can."""
    limits, encoder = scenario.limits, scenario.line.encoder
    chances = () if limits.jam_probability is None else tuple(limits.jam_probability)
    jams = tuple((machine.Hazard(name), share) for name, share in chances if share > 0.0)
    may_stop = any(f.insert.magazine or f.double_check.action == "stop" for f in scenario.feeder)
    if not (scenario.supervision or jams or scenario.fault or scenario.adjust or may_stop):
        return None
    return machine.Supervision(
        rules=machine.StopRules() if scenario.supervision is None else _rules(scenario.supervision),
        jam_probability=jams,
        speed_mismatch=limits.speed_mismatch,
        overhang_mm=limits.overhang,
        keeps_place=scenario.run.master == "virtual" or encoder.kind == "absolute",
        home_time_s=encoder.home_time,
        faults=tuple(_fault(fault) for fault in scenario.fault),
        adjusts=tuple(_adjust(adjust, scenario) for adjust in scenario.adjust),
    )


def _rules(supervision: Supervision) -> machine.StopRules:
    clearing = supervision.clearing_time
    return machine.StopRules(
        no_insert=supervision.no_insert,
        insert_eye_blocked_mm=supervision.insert_eye_blocked or float("inf"),
        carrier_eye_blocked_mm=supervision.carrier_eye_blocked or float("inf"),
        carrier_eye_silent_mm=supervision.carrier_eye_silent or float("inf"),
        misses_in_a_row=supervision.misses_in_a_row,
        double_found=supervision.double_found,
        drive_overload=supervision.drive_overload,
        stop_deceleration_mm_s2=supervision.stop_deceleration,
        emergency_deceleration_mm_s2=None
        if supervision.emergency_deceleration == "auto"
        else supervision.emergency_deceleration,
        clearing=machine.Clearing(
            mean_s=clearing.mean_s,
            cv=clearing.cv,
            exponential=clearing.distribution == "exponential",
        ),
    )


def _when(planned: PlannedFault | Adjust) -> machine.When:
    if planned.carrier is not None:
        return machine.When(carrier=planned.carrier)
    return machine.When(at_s=planned.at or 0.0)


def _fault(fault: PlannedFault) -> machine.PlannedFault:
    return machine.PlannedFault(
        when=_when(fault),
        kind=machine.FaultKind(fault.kind),
        feeder=fault.feeder,
        carrier_eye=fault.eye == "carrier",
        duration_s=fault.duration or 0.0,
    )


def _adjust(adjust: Adjust, scenario: Scenario) -> machine.Adjust:
    speeds = [change.value for change in adjust.set if change.feeder < 0]
    settings = []
    for change in adjust.set:
        if change.feeder < 0:
            continue
        value = change.value
        if change.name == "speed_trim":
            value = scenario.feeder[change.feeder].settings.speed_ratio * (1.0 + value)
        settings.append((change.feeder, _SETTINGS[change.name], value))
    return machine.Adjust(
        when=_when(adjust),
        speed_mm_s=speeds[-1] if speeds else None,
        settings=tuple(settings),
    )


_SETTINGS = {
    "engage_distance": machine.Setting.ENGAGE_DISTANCE,
    "engage_lead": machine.Setting.ENGAGE_LEAD,
    "disengage_distance": machine.Setting.DISENGAGE_DISTANCE,
    "disengage_lead": machine.Setting.DISENGAGE_LEAD,
    "speed_trim": machine.Setting.SPEED_RATIO,
}
