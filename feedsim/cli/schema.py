"""``feedsim schema``."""

from __future__ import annotations

from typing import Annotated

import typer

from feedsim.cli.options import option


def schema(
    of: Annotated[
        str | None,
        option(
            "--of",
            "ANSWER",
            "Of an answer's JSON instead: results, sweep, compare, limit, tune, setup, "
            "budget, drive, trial_plan, trial_fit, check, explain or learn.",
        ),
    ] = None,
) -> None:
    """Print the JSON Schema of a scenario, or of the JSON of an answer.

    An editor completes and checks a scenario with it; a program checks what it reads.
    """
    import json

    if of is None:
        from feedsim.scenario import json_schema

        found = json_schema()
    else:
        from feedsim.answers.data import described, names
        from feedsim.errors import Fault, FeedsimError

        if of not in names():
            raise FeedsimError(Fault("--of", found=repr(of), allowed=", ".join(names())))
        found = described(of)
    typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
