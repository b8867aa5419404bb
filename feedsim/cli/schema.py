"""``feedsim schema``."""

from __future__ import annotations

import typer

__all__ = ["schema"]


def schema() -> None:
    """Print the JSON Schema of a scenario, for an editor to complete and check it with."""
    import json

    from feedsim.scenario import json_schema

    typer.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))
