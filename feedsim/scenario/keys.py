"""What a key of a scenario file may hold: one small class for each type of value.

Each defines four things: how to read the value in the file, how to write it back, and what is
allowed, in words and as JSON Schema. pydantic calls them through two hooks, so feedsim words every
fault itself.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from feedsim.measures import QuantityError, canonical, only_taken, parse, with_unit
from feedsim.quantities import Kind, display, example, phrase
from feedsim.scenario.wording import shown

Siblings = dict[str, Any]
Below = tuple[tuple[str | int, ...], Any, str]


class Section(BaseModel):
    """A table of the file: frozen, without unknown keys, defaults checked too."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        validate_default=True,
        field_title_generator=lambda name, _: name,
    )

    @property
    def unused(self) -> tuple[str, ...]:
        """Keys that are left out or have no effect beside the others; they are not written."""
        return tuple(name for name, value in self if value is None)


def key(about: str, default: Any = ..., **more: Any) -> Any:
    """Describe a key of a section; it is required unless it has a default."""
    return Field(default, description=about, **more)


class RefusedValue(ValueError):  # noqa: N818 - reads well without "Error"
    """A value that is not allowed.

    ``allowed``: what is, as the end of "needs ...". ``message`` replaces the whole sentence "found
    ...; needs ...". ``below``: the faults inside a list.
    """

    def __init__(self, allowed: str, message: str = "", *, below: tuple[Below, ...] = ()) -> None:
        super().__init__(allowed)
        self.allowed = allowed
        self.message = message
        self.below = below


class KeyType(ABC):
    """What one key may hold."""

    def read(self, raw: Any, siblings: Siblings | None = None) -> Any:  # noqa: ARG002
        """Check what stands in the file, as a TOML reader gives it; return it in internal units.

        ``siblings``: the keys before it in the same table, already checked. Raises RefusedValue.
        """
        return self._read(raw)

    def write(self, value: Any, siblings: Siblings | None = None) -> Any:  # noqa: ARG002
        """Give plain data that `read` turns into exactly this value."""
        return self._write(value)

    @abstractmethod
    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""

    @abstractmethod
    def _read(self, raw: Any) -> Any: ...

    def _write(self, value: Any) -> Any:
        return value

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Let pydantic read the value with `read`."""

        def read(raw: Any, info: core_schema.ValidationInfo) -> Any:
            try:
                return self.read(raw, info.data)
            except RefusedValue as refused:
                raise PydanticCustomError("refused", "refused", {"refused": refused}) from None

        return core_schema.with_info_plain_validator_function(read)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Let pydantic put `schema` into the schema of the whole."""
        return self.schema()


@dataclass(frozen=True)
class Quantity(KeyType):
    """A quantity with its unit, between bounds (internal unit; use `above` alone)."""

    kind: Kind
    at_least: float = -math.inf
    at_most: float = math.inf
    above: float = -math.inf
    may_be_infinite: bool = False

    def _read(self, raw: Any) -> float:
        try:
            if not isinstance(raw, str):
                raise QuantityError(unit_missing(raw, self.kind))
            value = parse(raw, self.kind)
        except QuantityError as error:
            bounded = math.isfinite(max(self.at_least, self.above))
            needed = f"{self.bounds}, with its unit" if bounded else phrase(self.kind)
            says = only_taken(str(error), self._takes, needed)
            if not self._takes(example(self.kind)):
                says = says.replace(phrase(self.kind), self.bounds)
            raise RefusedValue(says) from None
        if math.isinf(value) and not self.may_be_infinite:
            raise RefusedValue(f"{phrase(self.kind)}; it cannot be infinite here")
        if not (self.at_least <= value <= self.at_most and value > self.above):
            raise RefusedValue(self.bounds)
        return value

    def _takes(self, proposed: str) -> bool:
        try:
            self._read(proposed)
        except RefusedValue:
            return False
        return True

    def _write(self, value: Any) -> str:
        return canonical(value, self.kind)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return quantity_schema(self.kind, infinite=self.may_be_infinite)

    @property
    def bounds(self) -> str:
        """The bounds in words, in the usual unit of the kind."""
        named = phrase(self.kind).partition(",")[0]
        if math.isfinite(self.above):
            return f"{named} of more than {display(self.above, self.kind)}"
        low = display(self.at_least, self.kind)
        if math.isfinite(self.at_most):
            return f"{named} of {low} to {display(self.at_most, self.kind)}"
        return f"{named} of at least {low}"


@dataclass(frozen=True)
class Auto(KeyType):
    """A quantity, or ``"auto"``, which is solved from the rest."""

    quantity: Quantity

    def _read(self, raw: Any) -> Any:
        if raw == "auto":
            return "auto"
        try:
            return self.quantity.read(raw)
        except RefusedValue as refused:
            raise RefusedValue(f'"auto", or {refused.allowed}') from None

    def _write(self, value: Any) -> Any:
        return "auto" if value == "auto" else self.quantity.write(value)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"anyOf": [{"const": "auto"}, self.quantity.schema()]}


@dataclass(frozen=True)
class Whole(KeyType):
    """A whole number between two bounds."""

    at_least: int
    at_most: int

    def _read(self, raw: Any) -> int:
        if type(raw) is not int or not self.at_least <= raw <= self.at_most:
            quotes = ", without quotes" if isinstance(raw, str) else ""
            raise RefusedValue(f"a whole number, {self.at_least} to {self.at_most}{quotes}")
        return raw

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "integer", "minimum": self.at_least, "maximum": self.at_most}


@dataclass(frozen=True)
class Ratio(KeyType):
    """A plain number between two bounds."""

    at_least: float
    at_most: float

    def _read(self, raw: Any) -> float:
        if type(raw) not in (int, float) or not self.at_least <= raw <= self.at_most:
            quotes = ", without quotes" if isinstance(raw, str) else ""
            raise RefusedValue(f"a number, {self.at_least:g} to {self.at_most:g}{quotes}")
        return float(raw)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "number", "minimum": self.at_least, "maximum": self.at_most}


@dataclass(frozen=True)
class YesNo(KeyType):
    """``true`` or ``false``."""

    def _read(self, raw: Any) -> bool:
        if type(raw) is not bool:
            quotes = ", without quotes" if isinstance(raw, str) else ""
            raise RefusedValue(f"true or false{quotes}")
        return raw

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "boolean"}


@dataclass(frozen=True, init=False)
class Choice(KeyType):
    """One of a few words."""

    words: tuple[str, ...]

    def __init__(self, *words: str) -> None:
        object.__setattr__(self, "words", words)

    def _read(self, raw: Any) -> str:
        allowed = " or ".join(f'"{word}"' for word in self.words)
        if not isinstance(raw, str) or raw not in self.words:
            raise RefusedValue(allowed)
        return raw

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "string", "enum": list(self.words)}


@dataclass(frozen=True)
class Text(KeyType):
    """A line of text that is not empty."""

    longest: int

    def _read(self, raw: Any) -> str:
        if not isinstance(raw, str) or not 1 <= len(raw) <= self.longest or not raw.strip():
            raise RefusedValue(f"a text in quotes, 1 to {self.longest} characters")
        if not raw.isprintable():
            raise RefusedValue("a text on one line, without control characters")
        return raw

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


def quantity_schema(kind: Kind, *, infinite: bool = False) -> dict[str, Any]:
    """Give the JSON Schema of a quantity: number, blank, unit."""
    number = (
        r"([+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?"
        r"|[+-]?([0-9]{1,6}[ -]+)?[0-9]{1,6} */ *[0-9]{1,6})"
    )
    number = f"({number}|inf)" if infinite else number
    unit = "(%|percent|ppm)" if kind == "share" else "[1/A-Za-zµμ].*"
    pattern = f"^ *{number} *{unit}$"
    if kind == "share":
        pattern += "|^ *[0-9]{1,6} +in +[0-9,]{1,19} *$"
    return {"type": "string", "pattern": pattern, "examples": [example(kind)]}


def unit_missing(raw: Any, *kinds: Kind) -> str:
    """Say how to write a quantity; for a bare number, show it with a unit."""
    if type(raw) in (int, float):
        return with_unit(shown(raw), kinds[0], quotes=True)
    return phrase(*kinds)
