"""Keys of the line: the run, belt and encoder, photo-eyes, and the program."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field

from feedsim.measures import canonical
from feedsim.scenario.keys import (
    Below,
    Choice,
    KeyType,
    Quantity,
    RefusedValue,
    Section,
    Whole,
    key,
    quantity_schema,
)

Length = Annotated[float, Quantity("length", at_least=0.0)]
Size = Annotated[float, Quantity("length", above=0.0)]
Distance = Annotated[float, Quantity("length")]
Time = Annotated[float, Quantity("time", at_least=0.0)]
Delay = Annotated[float, Quantity("time", at_least=0.0, at_most=10.0)]
"""Delay of an eye, a drive or a filter."""
Tick = Annotated[float, Quantity("time", at_least=0.0, at_most=1.0)]
"""From one tick of a program to the next."""
Speed = Annotated[float, Quantity("speed", above=0.0)]
Share = Annotated[float, Quantity("share", at_least=0.0, at_most=1.0)]


@dataclass(frozen=True)
class Profile(KeyType):
    """Speeds over time: none, or two points or more with rising times."""

    most: int = 10_000
    time = Quantity("time", at_least=0.0)
    speed = Quantity("speed", at_least=0.0)

    def _read(self, raw: Any) -> tuple[tuple[float, float], ...]:
        allowed = 'a list of points, such as [["0 s", "0 m/min"], ["5 s", "60 m/min"]]'
        if not isinstance(raw, (list, tuple)):
            raise RefusedValue(allowed)
        if len(raw) == 1 or len(raw) > self.most:
            raise RefusedValue(f"{allowed}: none, or 2 to {self.most} of them")
        faults: list[Below] = []
        points = [self._point(point, place, faults) for place, point in enumerate(raw)]
        for place, (earlier, later) in enumerate(pairwise(points), 1):
            if later[0] <= earlier[0]:
                faults.append(((place, 0), raw[place][0], "a later time than the point before"))
        if points and points[-1][1] == 0.0:
            faults.append(
                (
                    (len(points) - 1, 1),
                    raw[-1][1],
                    "a speed above 0: with the belt at rest for good, the carriers never arrive",
                )
            )
        if faults:
            raise RefusedValue(allowed, below=tuple(faults))
        return tuple(points)

    def _point(self, raw: Any, place: int, faults: list[Below]) -> tuple[float, float]:
        """Read one point; NaN for a fault."""
        if not isinstance(raw, (list, tuple)) or len(raw) != 2:
            faults.append(((place,), raw, 'a time and a speed, such as ["5 s", "60 m/min"]'))
            return math.nan, math.nan
        values = []
        for index, kind in enumerate((self.time, self.speed)):
            try:
                values.append(kind.read(raw[index]))
            except RefusedValue as refused:
                faults.append(((place, index), raw[index], refused.allowed))
                values.append(math.nan)
        return values[0], values[1]

    def _write(self, value: Any) -> list[list[str]]:
        return [[canonical(at, "time"), canonical(speed, "speed")] for at, speed in value]

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        point = {
            "type": "array",
            "prefixItems": [quantity_schema("time"), quantity_schema("speed")],
            "minItems": 2,
            "maxItems": 2,
        }
        some = {"type": "array", "items": point, "minItems": 2, "maxItems": self.most}
        return {"anyOf": [{"type": "array", "maxItems": 0}, some]}


class RunKeys(Section):
    """Length of the run, and its initial state."""

    carriers: Annotated[int, Whole(1, 100_000_000)] = key("Carriers in the figures.", 5000)
    warm_up: Annotated[int, Whole(0, 1_000_000)] = key(
        "Warm-up: carriers run first, left out of every count and figure.", 20
    )
    master: Annotated[Literal["encoder", "virtual"], Choice("encoder", "virtual")] = key(
        "What the feeders follow: the belt's encoder with its counts, or a virtual master "
        "without counts or scale error.",
        "encoder",
    )
    start: Annotated[Literal["staged", "empty"], Choice("staged", "empty")] = key(
        "Whether each feeder begins with an insert staged, or has to jog one in first.", "staged"
    )


class Encoder(Section):
    """The encoder on the conveyor."""

    kind: Annotated[Literal["incremental", "absolute"], Choice("incremental", "absolute")] = key(
        "Type of encoder: after a stop without power an incremental one must home, and misses "
        "carriers that come meanwhile; an absolute one keeps its position.",
        "incremental",
    )
    counts_per_rev: Annotated[int, Whole(1, 1_000_000_000)] = key(
        "Counts in one turn, after quadrature.", 10_000
    )
    wheel_circumference: Size = key("Belt travel in one turn, a length.", "500 mm")
    scale_error: Annotated[float, Quantity("share", at_least=-0.2, at_most=0.2)] = key(
        "Excess of true over counted belt travel, a share; negative if the belt travels less.",
        "0 %",
    )
    home_time: Time = key("Homing time of an incremental encoder.", "10 s")


class Line(Section):
    """The conveyor."""

    @property
    def highest_speed(self) -> float:
        """The highest speed of the run (mm/s)."""
        return max([v for _, v in self.profile], default=self.speed)

    speed: Speed = key("Line speed.")
    acceleration: Annotated[float, Quantity("acceleration", above=0.0)] = key(
        "Acceleration of the belt where no profile sets it.", "0.5 m/s^2"
    )
    profile: Annotated[tuple[tuple[float, float], ...], Profile()] = key(
        "Speed over time: points of time and speed, linear in between, the last speed held. "
        "None: the line speed throughout.",
        [],
    )
    encoder: Encoder = Field(default_factory=Encoder)


class Eye(Section):
    """A photo-eye: its delay, its scatter and how reliably it sees an edge."""

    response: Delay = key("Delay from the edge to the output switching on, a time.", "0.5 ms")
    response_jitter: Delay = key(
        "Largest deviation of the response either way, a time, at most the response.", "0 ms"
    )
    off_response: Delay = key(
        "Delay from the trailing edge to the output switching off, a time; an edge before that is "
        "not seen.",
        "0.5 ms",
    )
    edge_sd: Annotated[float, Quantity("length", at_least=0.0, at_most=100.0)] = key(
        "Standard deviation of the position at which it sees an edge, a length.", "0 mm"
    )
    missed: Share = key("Share of cards that the eye does not see.", "0 %")
    capture: Annotated[
        Literal["latched", "scanned", "polled"], Choice("latched", "scanned", "polled")
    ] = key(
        "latched: the count is stored as the eye switches. scanned: it is stored at the next scan. "
        "polled: the program sees only the eye's level at each scan, and misses a short card or "
        "gap between two scans.",
        "latched",
    )
    filter_time: Delay = key(
        "Input filter: time for which a level of the eye's output must last to count; 0: none.",
        "0 ms",
    )


class Controller(Section):
    """The program that watches the eyes and closes the clutches."""

    scan: Tick = key("Time from one scan of the program to the next; 0: at once.", "2 ms")
    motion_cycle: Tick = key(
        "Time from one motion cycle, in which clutches act, to the next; 0: at once.", "1 ms"
    )
    speed_filter: Time = key("Time constant of the filter on the encoder speed.", "0 ms")
    search_limit: Size = key(
        "Feed travel after which a search ends without an insert, a length.", "10 m"
    )
    mark_memory: Annotated[int, Whole(1, 1_000_000)] = key(
        "Carriers that the program can remember between the eye and the engaging point.", 8
    )
    late_mark: Annotated[Literal["skip", "engage"], Choice("skip", "engage")] = key(
        "What to do with a carrier that becomes known after its engaging point has passed.", "skip"
    )
    not_ready: Annotated[Literal["skip", "engage"], Choice("skip", "engage")] = key(
        "What to do with a carrier that reaches its engaging point before an insert is staged.",
        "skip",
    )
