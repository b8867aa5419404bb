"""The JSON Schema of a scenario file, for editors that complete and check it."""

from __future__ import annotations

from typing import Any

from feedsim.scenario.model import Scenario
from feedsim.scenario.old_names import with_old_names


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a scenario file, with descriptions and defaults."""
    schema = with_old_names(Scenario.model_json_schema())
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "feedsim scenario",
    }
    return head | {name: value for name, value in schema.items() if name != "title"}
