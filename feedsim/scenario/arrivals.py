"""How carriers arrive: which keys go together, and the record in place of its file name.

A scenario holds the recorded pitches themselves, so it runs again without the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import phrase
from feedsim.scenario.carrier import BESIDE_A_RECORD, OF_A_RECORD, Record
from feedsim.scenario.keys import Quantity, RefusedValue
from feedsim.scenario.model import Scenario
from feedsim.scenario.record_file import PitchRecord, pitches_of, read_column
from feedsim.scenario.wording import shown

_SPEED = Quantity("speed", above=0.0)
_IS_RECORDED = '(carrier.arrival is "recorded")'
_BESIDE = {"paced": OF_A_RECORD, "random": OF_A_RECORD, "recorded": BESIDE_A_RECORD}
"""For each arrival, the keys that it excludes."""


def with_arrival_changed(data: dict[str, Any], overrides: Sequence[str]) -> dict[str, Any]:
    """Drop keys that an arrival chosen by an override (``path=value``) excludes.

    An override cannot remove a pitch from a file, and recorded carriers have none. Keys that
    overrides set stay, to be refused.
    """
    chosen = {"".join(override.partition("=")[0].split()) for override in overrides}
    table = data.get("carrier")
    if "carrier.arrival" not in chosen or not isinstance(table, dict):
        return data
    strange = _BESIDE.get(str(table.get("arrival")), ())
    return _without(data, [name for name in strange if f"carrier.{name}" not in chosen])


def with_record(data: dict[str, Any], folder: Path) -> tuple[dict[str, Any], list[Fault]]:
    """Read the record of carriers, if one is named, and check the keys that go with it.

    ``data``, a whole scenario, not checked yet, stays as it is; relative paths start at ``folder``.
    The data returned has the pitches in place of the name, and neither ``record_speed``, which is
    already applied, nor the excluded keys. The faults: excluded keys, missing keys, and those of
    the file.
    """
    table = data.get("carrier", {})
    if not isinstance(table, dict):
        return data, []
    given = {name for name, value in table.items() if value is not None}
    arrival = table.get("arrival", "paced")
    if arrival == "recorded":
        return _recorded(data, table, given, folder=folder)
    if not isinstance(arrival, str) or arrival not in _BESIDE:  # a fault in itself
        return data, [] if given & {"pitch", "record"} else [_no_pitch()]
    strange = [name for name in OF_A_RECORD if name in given]
    needs = 'arrival = "recorded" beside it; or leave it out'
    faults = [Fault(f"carrier.{name}", shown(table[name]), needs) for name in strange]
    if "pitch" not in given:
        faults.append(_no_pitch())
    return _without(data, strange), faults


def ended_with_record(scenario: Scenario) -> Scenario:
    """End a run with its record, if ``after_record`` says so."""
    carrier, run = scenario.carrier, scenario.run
    left = len(carrier.record) - run.warm_up
    if carrier.arrival != "recorded" or carrier.after_record == "repeat" or run.carriers <= left:
        return scenario
    return scenario.model_copy(update={"run": run.model_copy(update={"carriers": left})})


def _no_pitch() -> Fault:
    return Fault("carrier.pitch", "nothing", phrase("length"))


def _without(data: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    if not names:
        return data
    table = {name: value for name, value in data["carrier"].items() if name not in names}
    return {**data, "carrier": table}


def _recorded(
    data: dict[str, Any], table: dict[Any, Any], given: set[Any], *, folder: Path
) -> tuple[dict[str, Any], list[Fault]]:
    """Check the keys that go with a record, and read it."""
    strange = [name for name in BESIDE_A_RECORD if name in given]
    says = f"to be left out: the record says how far apart carriers come {_IS_RECORDED}"
    faults = [Fault(f"carrier.{name}", shown(table[name]), says) for name in strange]
    data, record, speed = _without(data, strange), table.get("record"), table.get("record_speed")
    if record is None:
        wanted = f"{Record().allowed} {_IS_RECORDED}"
        return data, [*faults, Fault("carrier.record", "nothing", wanted)]
    if not isinstance(record, str):
        if speed is not None:
            faults.append(_no_times(speed))
        return _without(data, ["record_speed"]), faults
    read = PitchRecord()
    try:
        column = read_column(folder / record)
        if not column.times and speed is not None:
            faults.append(_no_times(speed))
        read = pitches_of(column, _SPEED.read(speed) if column.times else None)
        data = _without(data, ["record_speed"])
    except FeedsimError as error:
        faults += error.faults
    except RefusedValue as refused:
        if speed is None:
            wanted = f"{refused.allowed}: the belt speed while these eye times were logged"
            faults.append(Fault("carrier.record_speed", "nothing", wanted))
    return {**data, "carrier": {**data["carrier"], "record": read}}, faults


def _no_times(speed: Any) -> Fault:
    allowed = "to be left out: the record has pitches; only eye times need a belt speed"
    return Fault("carrier.record_speed", shown(speed), allowed)
