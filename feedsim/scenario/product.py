"""Keys of the product: the inserts it needs, their overlap, and the divert gate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from feedsim.scenario.keys import KeyType, Quantity, RefusedValue, Section, Text, YesNo, key
from feedsim.scenario.line import Length, Size, Time
from feedsim.scenario.optional import OrNone, optional, tables

ALL = "all"
_NAME = Text(100)
_MOST = 64


@dataclass(frozen=True)
class Names(KeyType):
    """Names of feeders, or ``"all"``."""

    def _read(self, raw: Any) -> str | tuple[str, ...]:
        if raw == ALL:
            return ALL
        if not isinstance(raw, (list, tuple)) or not 1 <= len(raw) <= _MOST:
            raise RefusedValue(self.allowed)
        faults = []
        for place, name in enumerate(raw):
            try:
                _NAME.read(name)
            except RefusedValue as refused:
                faults.append(((place,), name, refused.allowed))
            else:
                if name in raw[:place]:
                    faults.append(((place,), name, "each name once"))
        if faults:
            raise RefusedValue(self.allowed, below=tuple(faults))
        return tuple(raw)

    def _write(self, value: Any) -> str | list[str]:
        return value if value == ALL else list(value)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        some = {
            "type": "array",
            "items": _NAME.schema(),
            "minItems": 1,
            "maxItems": _MOST,
            "uniqueItems": True,
        }
        return {"anyOf": [{"const": ALL}, some]}

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return f'"{ALL}", or a list of names of feeders, such as ["card feeder"]'


_LIMIT = Annotated[float | None, OrNone(Quantity("length"))]


class ProductPair(Section):
    """Overlap of the inserts of two feeders."""

    below: Annotated[str, _NAME] = key("Name of the feeder whose insert lies below.")
    above: Annotated[str, _NAME] = key(
        "Name of the feeder whose insert lies on top: the one further downstream."
    )
    min_overlap: _LIMIT = optional(
        "Least overlap along the travel, a length; below 0 it is a clearance. Left out: none."
    )
    max_overlap: _LIMIT = optional(
        'Largest overlap along the travel, a length; "-5 mm" is 5 mm clear. Left out: any.'
    )


class Product(Section):
    """The recipe: what makes a product complete, and how inserts may overlap."""

    needs: Annotated[str | tuple[str, ...], Names()] = key(
        "Feeders whose inserts a complete product needs: all, or a list of names.",
        ALL,
    )
    may_overlap: Annotated[bool, YesNo()] = key(
        "Whether inserts may overlap if no pair limits it.", True
    )
    pair: Annotated[tuple[ProductPair, ...], tables("product.pair")] = key(
        "Pairs of feeders with their required overlap.", ()
    )

    @property
    def unused(self) -> tuple[str, ...]:
        """The pairs where there are none."""
        return () if self.pair else ("pair",)


class Divert(Section):
    """A gate beyond the last feeder, which takes bad products off the line."""

    at: Size = key("The gate, as belt travel from the carrier eye, a length.")
    decide_before: Length = key(
        "Least distance of the carrier's leading edge from the gate when it has moved, a length.",
        "0 mm",
    )
    gate_time: Time = key("From the decision until the gate has moved, a time.", "0 ms")
    missed: Annotated[bool, YesNo()] = key(
        "Whether a product is diverted if a needed feeder is known to have missed it.", True
    )
    doubled: Annotated[bool, YesNo()] = key(
        "Whether a product is diverted if the double check calls its insert a double.", True
    )
    late: Annotated[bool, YesNo()] = key(
        "Whether a product is diverted if a clutch closed after its point.", False
    )
