"""The names of signals in a log, and of its columns, each with its unit in its name."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.log import Shape, Unit
from feedsim.measures import QuantityError, measure
from feedsim.quantities import noun_for
from feedsim.scenario.wording import shown

Part = Literal["carrier_eye", "encoder", "eye", "clutch", "command", "actual"]
ASKED = (
    "carrier_eye, encoder_count, feeder.0.eye, feeder.0.clutch, feeder.0.command_mm and "
    "feeder.0.actual_mm"
)
_FEED = re.compile(r"(command|actual)(?:_(.+))?")
_ENCODER = re.compile(r"encoder(?:_(.+))?")
_LENGTH = {"mm", "cm", "m", "um", "in", "ft"}
_SPEED = {"mm_s", "m_s", "m_min", "in_s", "ft_min"}
_TIME = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d*)?")
_LIKE = 0.8


@dataclass(frozen=True, slots=True)
class Signal:
    """A signal that is read.

    ``name``: as in the file. ``feeder``: −1 for one of the line. ``quantity``: None for a level.
    ``factor``: from a number in the file to counts, mm or mm/s.
    """

    name: str
    part: Part
    feeder: int = -1
    quantity: Unit | None = None
    factor: float = 1.0

    @property
    def key(self) -> tuple[Part, int, Unit | None]:
        """Its identity, whatever its name."""
        return self.part, self.feeder, self.quantity


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column of times: seconds = number · ``factor``; a time of day; or a sample number."""

    name: str
    place: int
    kind: Literal["number", "of_day", "sample"]
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a log.

    ``signals``: the columns that are read, each with its place; of events none. ``signal``,
    ``value``: places of these columns; −1 in a log of samples.
    """

    shape: Shape
    time: TimeColumn
    signals: tuple[tuple[int, Signal], ...] = ()
    signal: int = -1
    value: int = -1
    others: tuple[str, ...] = ()  # columns that are not read


def signal_of(name: str, feeders: Sequence[str]) -> Signal | None:
    """Return the signal of a name; None if it is not one that is read.

    ``feeders``: the names of the scenario's. Raises ValueError, saying what is needed, if it means
    a known signal but lacks a known unit.

    >>> signal_of("feeder.0.command_mm", ["card feeder"]).key
    ('command', 0, 'mm')
    >>> signal_of("card feeder.clutch", ["card feeder"]).key, signal_of("pump", ["left"])
    (('clutch', 0, None), None)
    """
    plain = name.strip().casefold()
    if plain == "carrier_eye":
        return Signal(name, "carrier_eye")
    if found := _ENCODER.fullmatch(plain):
        if found[1] in {"count", "counts"}:
            return Signal(name, "encoder", quantity="count")
        return Signal(name, "encoder", -1, *_unit(found[1], "encoder", ("mm",)))
    before, _, part = plain.rpartition(".")
    feeder = _feeder(before, feeders)
    return None if feeder is None else _of_feeder(name, part, feeder)


def _of_feeder(name: str, part: str, feeder: int) -> Signal | None:
    if part in {"eye", "insert_eye"}:
        return Signal(name, "eye", feeder)
    if part == "clutch":
        return Signal(name, "clutch", feeder)
    found = _FEED.fullmatch(part)
    if found is None:
        return None
    is_part: Part = "command" if found[1] == "command" else "actual"
    return Signal(name, is_part, feeder, *_unit(found[2], found[1], ("mm", "mm_s")))


def _feeder(before: str, feeders: Sequence[str]) -> int | None:
    """Return the number of the feeder that a signal's name begins with."""
    names = [one.strip().casefold() for one in feeders]
    if before in names:
        return names.index(before)
    if before == "feeder" and len(names) == 1:
        return 0
    number = before.removeprefix("feeder.")
    if before.startswith("feeder.") and number.isdecimal() and int(number[:4]) < len(names):
        return int(number)
    return None


def _unit(unit: str | None, part: str, kinds: tuple[Unit, ...]) -> tuple[Unit, float]:
    known = {"mm": _LENGTH, "mm_s": _SPEED}
    for kind in kinds:
        if unit in known[kind]:
            return kind, _factor(unit, kind)
    count = f"{part}_count or " if part == "encoder" else ""
    wanted = " or ".join(f"{part}_{kind}" for kind in kinds)
    says = "has no unit" if unit is None else "has an unknown unit"
    raise ValueError(f"{says}; write {count}{wanted}")


def _factor(unit: str, kind: Unit) -> float:
    try:
        return measure(f"1 {unit.replace('_', '/')}", "length" if kind == "mm" else "speed").value
    except QuantityError as error:  # the units above are all known
        raise AssertionError from error


def head_of(names: Sequence[str], feeders: Sequence[str], *, file: str, row: int) -> Head:
    """Read the head of a log, at a row; raises FeedsimError with all its faults."""
    where = f"{file}, row {row}"
    plain = [name.strip().casefold() for name in names]
    if all(_NUMBER.fullmatch(name) for name in plain if name):
        message = "has numbers; it has to name the columns, such as time_s,carrier_eye"
        raise FeedsimError(Fault(where, message=message))
    time = _time_column(names, where)
    if "signal" in plain or "value" in plain:
        missing = [name for name in ("signal", "value") if plain.count(name) != 1]
        if missing:
            message = (
                f"a log of events has one column {missing[0]}; this names {plain.count(missing[0])}"
            )
            raise FeedsimError(Fault(where, message=message))
        places = {time.place, plain.index("signal"), plain.index("value")}
        others = tuple(shown(n) for i, n in enumerate(names) if i not in places and n)
        return Head("events", time, (), plain.index("signal"), plain.index("value"), others)
    return _samples(names, feeders, time=time, where=where)


def _samples(names: Sequence[str], feeders: Sequence[str], *, time: TimeColumn, where: str) -> Head:
    signals: list[tuple[int, Signal]] = []
    others: list[str] = []
    faults: list[Fault] = []
    for place, name in enumerate(names):
        if place == time.place or not name:
            continue
        try:
            signal = signal_of(name, feeders)
        except ValueError as error:
            faults.append(Fault(f"{where}, column {shown(name)}", message=str(error)))
            continue
        if signal is None:
            others.append(shown(name))
        elif twin := next((s for _, s in signals if s.key == signal.key), None):
            message = f"two columns for one signal: {shown(twin.name)} and {shown(name)}"
            faults.append(Fault(where, message=message))
        else:
            signals.append((place, signal))
    if faults:
        raise FeedsimError(*faults)
    if not signals:
        raise FeedsimError(Fault(where, message=_nothing(others, feeders)))
    return Head("samples", time, tuple(signals), others=tuple(others))


def _nothing(others: Sequence[str], feeders: Sequence[str]) -> str:
    has = ", ".join(others[:6]) + (" and more" if len(others) > 6 else "")
    near = next((f"; {hint}" for other in others if (hint := hint_of(other, feeders))), "")
    many = f", N from 0 to {len(feeders) - 1}" if len(feeders) > 1 else ""
    asked = ASKED.replace(".0.", ".N.") if many else ASKED
    return f"names no known signal ({asked}{many}); it has {has or 'nothing else'}{near}"


def hint_of(name: str, feeders: Sequence[str]) -> str:
    """Return what an unknown name, as shown, may mean, as a question or a limit; "" for nothing.

    >>> hint_of('"Carrier Eye"', ["left"]), hint_of('"feeder.7.eye"', ["left"])
    ('did you mean carrier_eye?', 'the scenario has 1 feeder, feeder.0')
    """
    plain = re.sub(r"[\s_-]+", "_", name.strip('"').strip().casefold())
    numbered = re.match(r"feeder[._](\d+)[._](?:insert_)?(?:eye|clutch|command|actual)", plain)
    if numbered and not (len(numbered[1]) < 4 and int(numbered[1]) < len(feeders)):
        last = f" to feeder.{len(feeders) - 1}" if len(feeders) > 1 else ""
        count = len(feeders)
        return f"the scenario has {count} {noun_for(count, 'feeder')}, feeder.0{last}"
    parts = ("eye", "clutch", "command_mm", "actual_mm")
    known = [f"feeder.{number}.{part}" for number in range(len(feeders)) for part in parts]
    known = ["carrier_eye", "encoder_count", *known]
    like = difflib.get_close_matches(plain, known, n=1, cutoff=_LIKE)
    return f"did you mean {like[0]}?" if like else ""


def _time_column(names: Sequence[str], where: str) -> TimeColumn:
    found: list[TimeColumn] = []
    for place, name in enumerate(names):
        plain = name.strip().casefold()
        if plain == "sample":
            found.append(TimeColumn(name, place, "sample"))
        elif plain == "time":
            found.append(TimeColumn(name, place, "of_day"))
        elif plain.startswith("time_") and plain[5:] in _TIME:
            found.append(TimeColumn(name, place, "number", _TIME[plain[5:]]))
    wanted = "time_s, time_ms, time_us, time_min, time (of day) or sample"
    if not found:
        message = f"names no column of times; one of {wanted} is needed"
        raise FeedsimError(Fault(where, message=message))
    if len(found) > 1:
        both = " and ".join(shown(one.name) for one in found[:3])
        message = f"names two clocks, {both}; a log has one: take the other column out"
        raise FeedsimError(Fault(where, message=message))
    return found[0]
