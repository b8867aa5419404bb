"""Keys and tables that may be left out, and lists of tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from feedsim.scenario.keys import KeyType, RefusedValue, key


@dataclass(frozen=True)
class OrNone(KeyType):
    """An optional key; None if left out."""

    inner: KeyType

    def _read(self, raw: Any) -> Any:
        return None if raw is None else self.inner.read(raw)

    def _write(self, value: Any) -> Any:
        return None if value is None else self.inner.write(value)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return self.inner.schema()


def optional(about: str) -> Any:
    """Describe a key or a table that is None if left out: TOML has no null."""
    return key(about, None, json_schema_extra=_without_null)


def _without_null(schema: dict[str, Any]) -> None:
    schema.pop("default", None)
    if table := next((item for item in schema.get("anyOf", ()) if "$ref" in item), None):
        del schema["anyOf"]
        schema["$ref"] = table["$ref"]


def tables(name: str, *, least: int = 0, most: int = 1000) -> BeforeValidator:
    """Check that this is a list of so many tables, before reading each."""
    allowed = f"{least or 'up'} to {most} of [[{name}]]"

    def check(raw: Any) -> Any:
        if not isinstance(raw, (list, tuple)) or not least <= len(raw) <= most:
            raise PydanticCustomError("refused", "refused", {"refused": RefusedValue(allowed)})
        return raw

    return BeforeValidator(check)
