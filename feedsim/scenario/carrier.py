"""Keys of the carriers: how long they are, and how they come along the belt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import ConfigDict

from feedsim.measures import canonical
from feedsim.scenario.keys import (
    Below,
    Choice,
    KeyType,
    Quantity,
    RefusedValue,
    Section,
    key,
    quantity_schema,
)
from feedsim.scenario.line import Distance, Length, Size
from feedsim.scenario.optional import OrNone, optional
from feedsim.scenario.record_file import MOST_PITCHES, MOST_ROWS, PitchRecord

BESIDE_A_RECORD = ("pitch", "pitch_sd", "min_gap", "missing")
"""Keys that a record replaces."""

OF_A_RECORD = ("record", "record_speed", "after_record")
"""Keys that apply only to a record."""


@dataclass(frozen=True)
class Record(KeyType):
    """Recorded pitches (mm); none if left out.

    A file name is valid too, and reads as no pitches: if it applies,
    :mod:`feedsim.scenario.arrivals` has already replaced it by its pitches.
    """

    most: int = MOST_PITCHES
    pitch = Quantity("length", above=0.0)
    plain = re.compile(r"[1-9]\d{0,8}(?:\.\d{1,40})? mm", re.ASCII)

    def _read(self, raw: Any) -> tuple[float, ...]:
        if raw is None or isinstance(raw, str):
            return ()
        if isinstance(raw, PitchRecord):
            return raw.pitches_mm
        if not isinstance(raw, (list, tuple)) or not 1 <= len(raw) <= self.most:
            raise RefusedValue(self.allowed)
        pitches: list[float] = []
        faults: list[Below] = []
        for place, pitch in enumerate(raw):
            try:
                pitches.append(self._pitch(pitch))
            except RefusedValue as refused:
                faults.append(((place,), pitch, refused.allowed))
                if len(faults) == MOST_ROWS:
                    break
        if faults:
            raise RefusedValue(self.allowed, below=tuple(faults))
        return tuple(pitches)

    def _pitch(self, raw: Any) -> float:
        """Read one pitch; twenty times faster if feedsim wrote it, to the same float."""
        if isinstance(raw, str) and self.plain.fullmatch(raw):
            return float(raw[:-3])
        return float(self.pitch.read(raw))

    def _write(self, value: Any) -> list[str]:
        return [canonical(pitch, "length") for pitch in value]

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        pitches = {
            "type": "array",
            "items": quantity_schema("length"),
            "minItems": 1,
            "maxItems": self.most,
        }
        return {"anyOf": [{"type": "string", "minLength": 1}, pitches]}

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return (
            'the name of a file, such as "pitches.csv", or a list of pitches, such as '
            f'["260 mm", "259.5 mm"], 1 to {self.most:,} of them'
        )


def _arrival_schema() -> dict[str, Any]:
    """Say as JSON Schema which keys go with which arrival."""
    recorded = {"properties": {"arrival": {"const": "recorded"}}, "required": ["arrival"]}
    pitches = {"properties": {"record": {"type": "array"}}, "required": ["record"]}
    return {
        "if": recorded,
        "then": {
            "required": ["record"],
            "properties": dict.fromkeys(BESIDE_A_RECORD, False),
            "if": pitches,
            "then": {"properties": {"record_speed": False}},
        },
        "else": {"required": ["pitch"], "properties": dict.fromkeys(OF_A_RECORD, False)},
    }


class Carrier(Section):
    """The carriers on the belt."""

    model_config = ConfigDict(json_schema_extra=_arrival_schema())

    length: Size = key("Length of a carrier, along the belt.")
    pitch: Annotated[float | None, OrNone(Quantity("length", above=0.0))] = optional(
        "Leading edge to leading edge, a length. Required unless arrival is recorded."
    )
    pitch_sd: Length = key(
        "Standard deviation of the pitch, a length. With 0 a run is unrealistically regular.",
        "0 mm",
    )
    min_gap: Length = key("Smallest gap between two carriers, a length.", "0 mm")
    arrival: Annotated[
        Literal["paced", "random", "recorded"], Choice("paced", "random", "recorded")
    ] = key(
        "Paced by a feeder upstream, laid at random by hand, or recorded on a line.",
        "paced",
    )
    record: Annotated[tuple[float, ...], Record()] = optional(
        "With arrival recorded: a CSV file, its path relative to this one, with a column of "
        "pitches (pitch_mm, pitch_in) or of eye times (eye_time_s, eye_time_ms); or the pitches "
        "themselves, a list of lengths."
    )
    record_speed: Annotated[float | None, OrNone(Quantity("speed", above=0.0))] = optional(
        "Belt speed at which the eye times of the record were logged. It turns them into pitches, "
        "which apply at any line speed."
    )
    after_record: Annotated[Literal["repeat", "end"], Choice("repeat", "end")] = key(
        "If the record ends before the run: repeat it, or end the run with it.",
        "repeat",
    )
    missing: Annotated[float, Quantity("share", at_least=0.0, at_most=0.99)] = key(
        "Share of pitches without a carrier.", "0 %"
    )
    slip: Distance = key(
        "How far carriers fall back on the belt between eye and placement point, a length.", "0 mm"
    )
    slip_sd: Length = key("Standard deviation of that slip, a length.", "0 mm")

    @property
    def unused(self) -> tuple[str, ...]:
        """Keys that do not apply to this arrival; they are not written."""
        return (*BESIDE_A_RECORD, "record_speed") if self.arrival == "recorded" else OF_A_RECORD
