"""Keys of supervision: rules that stop the line, and how long it takes to clear it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from feedsim.measures import canonical
from feedsim.scenario.keys import (
    Auto,
    Below,
    Choice,
    KeyType,
    Quantity,
    Ratio,
    RefusedValue,
    Section,
    Whole,
    YesNo,
    key,
    quantity_schema,
)
from feedsim.scenario.line import Length, Share

_TIME = Quantity("time", at_least=0.0)
_NEVER = "a finite time: else the line never runs again after a stop"
_DISTRIBUTION = Choice("fixed", "exponential", "lognormal")
_CV = Ratio(0.01, 10.0)


@dataclass(frozen=True, slots=True)
class Clearing:
    """How long clearing takes: mean (s), distribution, coefficient of variation (lognormal)."""

    mean_s: float = 60.0
    distribution: str = "fixed"
    cv: float = 0.0


@dataclass(frozen=True)
class ClearingTime(KeyType):
    """A time, or a table of mean, distribution and cv."""

    def _read(self, raw: Any) -> Clearing:
        if isinstance(raw, dict):
            return self._table(raw)
        return Clearing(self._mean(raw))

    def _mean(self, raw: Any) -> float:
        if isinstance(raw, str) and "inf" in raw.lower():
            raise RefusedValue(_NEVER)
        try:
            return float(_TIME.read(raw))
        except RefusedValue as refused:
            raise RefusedValue(f"{refused.allowed}; or {self.example}") from None

    def _table(self, raw: dict[str, Any]) -> Clearing:
        faults: list[Below] = [
            ((name,), value, 'only "mean", "distribution" and "cv"')
            for name, value in raw.items()
            if name not in ("mean", "distribution", "cv")
        ]
        mean, distribution, cv = 0.0, str(raw.get("distribution", "fixed")), 0.0
        try:
            mean = self._mean(raw.get("mean"))
        except RefusedValue as refused:
            faults.append((("mean",), raw.get("mean"), refused.allowed))
        try:
            _DISTRIBUTION.read(raw.get("distribution", "fixed"))
        except RefusedValue as refused:
            faults.append((("distribution",), raw["distribution"], refused.allowed))
        if distribution == "lognormal":
            try:
                cv = _CV.read(raw.get("cv", 0.5))
            except RefusedValue as refused:
                faults.append((("cv",), raw["cv"], refused.allowed))
        elif "cv" in raw:
            faults.append((("cv",), raw["cv"], 'distribution = "lognormal" beside it'))
        if faults:
            raise RefusedValue(self.example, below=tuple(faults[:20]))
        return Clearing(mean, distribution, cv)

    def _write(self, value: Any) -> Any:
        mean = canonical(value.mean_s, "time")
        if value.distribution == "fixed":
            return mean
        table = {"mean": mean, "distribution": value.distribution}
        return table | ({"cv": value.cv} if value.distribution == "lognormal" else {})

    @property
    def example(self) -> str:
        """An example of a table."""
        return '{mean = "60 s", distribution = "lognormal", cv = 0.5}'

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        table = {
            "type": "object",
            "properties": {
                "mean": quantity_schema("time"),
                "distribution": _DISTRIBUTION.schema(),
                "cv": _CV.schema(),
            },
            "required": ["mean"],
            "additionalProperties": False,
        }
        return {"anyOf": [quantity_schema("time"), table]}


class Supervision(Section):
    """What stops the line, and how. Rules are off unless set, except no_insert and jam."""

    no_insert: Annotated[bool, YesNo()] = key(
        "Whether a search that reaches its limit stops the line; if not, the feeder stays empty.",
        True,
    )
    insert_eye_blocked: Length = key(
        "Feed travel with an insert eye's output on without a break, a length; 0 is off.", "0 mm"
    )
    carrier_eye_blocked: Length = key(
        "Belt travel with the carrier eye's output on without a break, a length; 0 is off.", "0 mm"
    )
    carrier_eye_silent: Length = key(
        "Belt travel without the carrier eye switching on, while carriers are still due, a length; "
        "0 is off.",
        "0 mm",
    )
    misses_in_a_row: Annotated[int, Whole(0, 1_000_000)] = key(
        "Known carriers that a feeder misses in a row; 0 is off.", 0
    )
    double_found: Annotated[bool, YesNo()] = key(
        "Whether an insert that a double check calls a double stops the line.", False
    )
    jam: Annotated[bool, YesNo()] = key("Whether a jam stops the line; it always does.", True)
    drive_overload: Annotated[bool, YesNo()] = key(
        "Whether a ramp that demands too much of its drive stops the line.", False
    )
    stop_deceleration: Annotated[float, Quantity("acceleration", above=0.0)] = key(
        "Deceleration of the belt in a stop.", "2 m/s^2"
    )
    emergency_deceleration: Annotated[
        float | Literal["auto"], Auto(Quantity("acceleration", above=0.0))
    ] = key(
        "Deceleration of the belt in an emergency stop; auto: stop_deceleration.",
        "auto",
    )
    clearing_time: Annotated[Clearing, ClearingTime()] = key(
        "From the belt at rest until the line is cleared: a time, or a table of mean, distribution "
        "(fixed, exponential, lognormal) and cv.",
        "60 s",
    )


class JamProbability(Section):
    """Probability that a hazard becomes a jam, which stops the line."""

    nose_strike: Share = key("Of a staged nose beyond the nose limit.", "0 %")
    tail_held: Share = key("Of a tail that the feeder still holds as it slows.", "0 %")
    speed_mismatch: Share = key("Of an insert that lands too fast or too slow.", "0 %")
    off_carrier: Share = key("Of an insert that overhangs its carrier too far.", "0 %")
    stray_insert: Share = key("Of an insert that goes past its eye unseen.", "0 %")
    double: Share = key("Of two inserts, one on the other.", "0 %")
