"""Keys of a feeder: inserts, insert eye, clutch, servo, and the settings of the machine."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from feedsim.measures import QuantityError, canonical, measure
from feedsim.quantities import Kind, phrase
from feedsim.scenario.drive import Drive
from feedsim.scenario.keys import (
    Auto,
    Choice,
    KeyType,
    Quantity,
    Ratio,
    RefusedValue,
    Section,
    Siblings,
    Text,
    Whole,
    YesNo,
    key,
    quantity_schema,
    unit_missing,
)
from feedsim.scenario.line import Delay, Distance, Eye, Length, Share, Size, Speed, Time
from feedsim.scenario.optional import optional

AutoDistance = Annotated[float | Literal["auto"], Auto(Quantity("length"))]
AutoLead = Annotated[float | Literal["auto"], Auto(Quantity("time", at_least=-10.0, at_most=10.0))]


@dataclass(frozen=True)
class Ramp(KeyType):
    """A ramp, 0 or more: seconds or mm of travel, depending on the key ``ramp`` above it."""

    def read(self, raw: Any, siblings: Siblings | None = None) -> float:
        """Check a ramp; see :meth:`KeyType.read`."""
        kinds = _ramp_kinds(siblings)
        because = f' (clutch.ramp is "{(siblings or {})["ramp"]}")' if len(kinds) == 1 else ""
        if not isinstance(raw, str):
            raise RefusedValue(unit_missing(raw, *kinds) + because)
        try:
            value = measure(raw, *kinds).value
        except QuantityError as error:
            raise RefusedValue(f"{error}{because}") from None
        if not 0.0 <= value < math.inf:
            raise RefusedValue(f"{phrase(*kinds)}, at least 0 and not infinite{because}")
        return value

    def write(self, value: Any, siblings: Siblings | None = None) -> str:
        """Write a ramp; see :meth:`KeyType.write`."""
        return canonical(value, _ramp_kinds(siblings)[0])

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"anyOf": [quantity_schema("time"), quantity_schema("length")]}

    def _read(self, raw: Any) -> float:
        return self.read(raw)


def _ramp_kinds(siblings: Siblings | None) -> tuple[Kind, ...]:
    kinds: dict[str, tuple[Kind, ...]] = {"time": ("time",), "travel": ("length",)}
    return kinds.get((siblings or {}).get("ramp", ""), ("time", "length"))


class Insert(Section):
    """The inserts, and how the singulator draws them."""

    length: Size = key("Length of an insert, along the insert path.")
    gap: Length = key("Tail of one insert to nose of the next, a length.")
    gap_sd: Length = key(
        "Standard deviation of the gap, a length. With 0 a run is unrealistically regular.", "0 mm"
    )
    min_gap: Length = key("Smallest gap between two inserts, a length.", "0 mm")
    slip: Distance = key(
        "How far an insert falls back in the feeder from staged to placed, a length.", "0 mm"
    )
    slip_sd: Length = key("Standard deviation of that slip, a length.", "0 mm")
    misfeed: Share = key("Share of draws that bring no insert.", "0 %")
    double: Share = key("Share of draws that bring two inserts, one on the other.", "0 %")
    magazine: Annotated[int, Whole(0, 100_000_000)] = key(
        "Capacity of the magazine in inserts; 0: it never runs empty.", 0
    )
    magazine_warning: Annotated[int, Whole(0, 100_000_000)] = key(
        "Inserts left at which it is refilled while the line runs; 0: only when it is empty and "
        "the line has stopped.",
        0,
    )
    refill_time: Time = key("Time to fill the magazine.", "30 s")


class DoubleCheck(Section):
    """The check for two inserts, one on the other."""

    finds: Share = key("Share of doubles that it finds.", "0 %")
    false_alarm: Share = key("Share of single inserts that it calls a double.", "0 %")
    action: Annotated[Literal["count", "stop"], Choice("count", "stop")] = key(
        "What to do with a double that it finds: count it and go on, or stop the line and take it "
        "out.",
        "count",
    )


class Clutch(Section):
    """The electronic clutch between the master and the feeder."""

    ramp: Annotated[Literal["time", "travel"], Choice("time", "travel")] = key(
        "Whether it closes and opens over a time or over a travel of the belt.", "time"
    )
    ramp_in: Annotated[float, Ramp()] = key(
        "From open to closed: a time, or a length where ramp is travel (then 20 mm unless given).",
        "20 ms",
    )
    ramp_out: Annotated[float, Ramp()] = key(
        "From closed to open: a time, or a length where ramp is travel (then 20 mm unless given).",
        "20 ms",
    )
    settle: Annotated[float, Quantity("time", at_least=0.0, at_most=60.0)] = key(
        "From open until the feeder is ready to be engaged again.", "0 ms"
    )

    @model_validator(mode="before")
    @classmethod
    def _travel_defaults(cls, data: Any) -> Any:
        """Give ramps in travel their default lengths."""
        if isinstance(data, dict) and data.get("ramp") == "travel":
            return {"ramp_in": "20 mm", "ramp_out": "20 mm"} | data
        return data


class Servo(Section):
    """The servo that drives the feeder."""

    loop_gain: Annotated[float, Quantity("rate", above=0.0, may_be_infinite=True)] = key(
        'Gain of the position loop; "inf 1/s" is rigid.', "200 1/s"
    )
    velocity_feedforward: Share = key("Share of the speed that is fed forward.", "80 %")
    max_acceleration: Annotated[
        float | Literal["auto"], Auto(Quantity("acceleration", above=0.0, may_be_infinite=True))
    ] = key(
        'Largest acceleration of the drive; "inf m/s^2": no limit, auto: that of the chosen motor.',
        "150 m/s^2",
    )
    command_delay: Delay = key("From the controller to the drive, a time.", "0 ms")


class Resolution(Section):
    """The steps in which the controller takes settings; 0: any value."""

    distance: Length = key('Step of distances, a length, or whole counts ("5 counts").', "0 mm")
    distance_counts: Annotated[int, Whole(0, 1_000_000)] = key(
        "Step of distances in whole encoder counts, in place of a length.", 0
    )
    lead: Annotated[float, Quantity("time", at_least=0.0, at_most=1.0)] = key(
        "Step of leads, a time.", "0 ms"
    )
    ratio: Annotated[int, Whole(0, 2**31 - 1)] = key(
        "Largest whole number in the fraction that states the speed ratio, 10 or more.", 0
    )


class Settings(Section):
    """The settings typed into the machine; "auto" is solved from the rest."""

    target_offset: Length = key("Carrier's leading edge to insert's leading edge, a length.")
    stage_position: Distance = key("Nose of the staged insert, from the insert eye, a length.")
    engage_distance: AutoDistance = key(
        "Belt travel from the mark to closing the clutch, extrapolated to zero speed; or auto.",
        "auto",
    )
    engage_lead: AutoLead = key(
        "Time by which the clutch closes sooner, to compensate delays; or auto.", "auto"
    )
    disengage_distance: AutoDistance = key(
        "Belt travel from the insert's edge to opening the clutch, extrapolated to zero speed; or "
        "auto.",
        "auto",
    )
    disengage_lead: AutoLead = key(
        "Time by which the clutch opens sooner, to compensate delays; or auto.", "auto"
    )
    speed_ratio: Annotated[float, Ratio(0.1, 10.0)] = key("Feed travel per belt travel.", 1.0)
    speed_trim: Annotated[float, Quantity("share", at_least=-0.5, at_most=0.5)] = key(
        "Correction of the speed ratio, a share.", "0 %"
    )
    stage_correction: Annotated[bool, YesNo()] = key(
        "Whether the engaging point compensates for the insert's actual stage position.", False
    )
    resolution: Resolution = Field(default_factory=Resolution)

    @property
    def automatic(self) -> tuple[str, ...]:
        """Keys of those that are ``"auto"``."""
        return tuple(key for key, value in self if value == "auto")


class Feeder(Section):
    """One feeder beside the line."""

    name: Annotated[str, Text(100)] = key("Name; each feeder has its own.")
    eye_to_placement: Size = key("Carrier eye to placement point, along the line, a length.")
    insert_eye_to_placement: Size = key(
        "Insert eye to placement point, along the insert path, a length."
    )
    grip_end: Size = key(
        "Last point at which the feeder holds an insert, from the insert eye, a length.", "100 mm"
    )
    nose_limit: Size = key(
        "Where a staged nose begins to reach into the carriers' path, from the insert eye.",
        "95 mm",
    )
    jog_speed: Speed = key("Speed for jogging in the first insert.", "100 mm/s")
    insert: Insert
    eye: Eye = Field(default_factory=Eye)
    double_check: DoubleCheck = Field(default_factory=DoubleCheck)
    clutch: Clutch = Field(default_factory=Clutch)
    servo: Servo = Field(default_factory=Servo)
    settings: Settings
    drive: Drive | None = optional(
        "The drive, for feedsim drive and an automatic largest acceleration."
    )
