"""``feedsim learn``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    AsJson,
    Rate,
    ScenarioPath,
    Settings,
    Units,
    argument,
    option,
    out_option,
    rate_of,
    read_line,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Handed


def learn(
    scenario: ScenarioPath,
    logs: Annotated[
        list[Path],
        argument("LOG...", "Logs of the machine, CSV files; best at several speeds."),
    ],
    write: Annotated[
        Path | None,
        option(
            "--write",
            "FILE",
            "Write the scenario with what was learned, comments and layout kept, and the "
            "pitches that were logged beside it.",
        ),
    ] = None,
    rate: Rate = None,
    trial: Annotated[
        Path | None,
        option(
            "--trial",
            "DATA",
            "Placements measured on the same machine, in the format of trial fit.",
        ),
    ] = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option("learn")] = None,
    units: Units = None,
    as_json: AsJson = False,
    force: Annotated[
        bool, typer.Option("--force", help="Let --write overwrite existing files.")
    ] = False,
) -> int:
    """Learn the machine's properties from its own logs, and where the scenario differs.

    Writes learn.json and a figure.
    """
    from feedsim.answers.learn.answer import learn as answer
    from feedsim.answers.learn.writing import learned_toml, pitches_csv
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import doing
    from feedsim.files.one_file import try_file
    from feedsim.scenario.reading import read_text
    from feedsim.scenario.rewriting import changed_text

    line = read_line(scenario, settings)
    rate_hz = None if rate is None else rate_of(rate)
    beside = None if write is None else write.with_name(f"{write.stem}_pitches.csv")
    for path in (write, beside):
        if path is not None:
            try_file(path, force=force)

    def find(_: object) -> Handed:
        with doing("reading the logs"):
            found = answer(line, *logs, rate_hz=rate_hz, trial=trial)
        if write is None or beside is None:
            return handed(found, units=units)
        text = read_text(scenario)
        if settings:
            text = changed_text(text, settings, folder=scenario.parent)
        new = learned_toml(found, text, new=write, folder=scenario.parent, units=line.units)
        if new is None:
            return handed(found, units=units, last=f"nothing differs: {write} was not written")
        files = {write: new.encode()}
        if found.pitches_mm:
            files[beside] = pitches_csv(found, units=line.units)
        last = f"wrote {' and '.join(str(path) for path in files)}, with what was learned"
        return handed(found, units=units, beside=files, last=last)

    folder = out if out is not None else Path("plots") / scenario.stem / "learn"
    return deliver("learn", find, folder=folder, units=units, as_json=as_json)
