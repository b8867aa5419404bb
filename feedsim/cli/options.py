"""Arguments and options that several commands share."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from typer.models import ArgumentInfo, OptionInfo

    from feedsim.answers.line import Line
    from feedsim.errors import Given


def argument(metavar: str, words: str) -> ArgumentInfo:
    """Return an argument, called this and described so in the help."""
    found: ArgumentInfo = typer.Argument(metavar=metavar, help=words, show_default=False)
    return found


def option(name: str, metavar: str, words: str, *, least: int | None = None) -> OptionInfo:
    """Return an option that takes a value; its help says which value applies by default."""
    found: OptionInfo = typer.Option(
        name, metavar=metavar, help=words, show_default=False, min=least
    )
    return found


ScenarioPath = Annotated[Path, argument("SCENARIO", "The scenario, a TOML file.")]
Rate = Annotated[
    str | None,
    option("--rate", "RATE", "How fast samples came, of a log that numbers them and does not say."),
]

Settings = Annotated[
    list[str] | None,
    option(
        "--set",
        "KEY=VALUE",
        'Override a key, such as feeder.0.insert.gap="60 mm". May be given again.',
    ),
]
Carriers = Annotated[int | None, option("--carriers", "N", "Carriers in each run.")]
Seed = Annotated[
    int | None,
    option("--seed", "N", "Seed of the draws: the same seed, the same run."),
]
Replications = Annotated[
    int | None,
    option("--replications", "N", "Runs at each point, each with random numbers of its own."),
]
Jobs = Annotated[
    int | None,
    option(
        "--jobs",
        "N",
        "Processes to use. [default: one for each core, or fewer if that is quicker]",
        least=1,
    ),
]
OnCluster = Annotated[
    str | None,
    option(
        "--cluster",
        "ADDRESS",
        'Run on the workers of a Dask scheduler, such as "tcp://127.0.0.1:8786", instead.',
    ),
]
Engine = Annotated[
    Literal["events", "compiled"] | None,
    option(
        "--engine",
        "events|compiled",
        "What runs the line; both give the same numbers. [default: whichever is quicker]",
    ),
]
Speed = Annotated[
    str | None,
    option(
        "--speed", "SPEED", 'Line speed to run at, such as "80 m/min". A profile is scaled to it.'
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print the answer as JSON on standard output.")
]
Units = Annotated[
    Literal["metric", "inch"] | None,
    option(
        "--units",
        "metric|inch",
        "Units of display. [default: those of the lengths in the scenario]",
    ),
]


def out_option(below: str = "") -> OptionInfo:
    """Return the option for the output folder, by default the scenario's or one below it."""
    where = "/".join(["plots/SCENARIO", *filter(None, [below])])
    return option("--out", "FOLDER", f"Where the files go. [default: {where}]")


def speeds_option(default: str) -> OptionInfo:
    """Return the option for line speeds; its help names the default."""
    words = 'Line speeds, "20:120:10 m/min" (from, to, step) or "20,45,60 m/min".'
    return option("--speeds", "SPEEDS", f"{words} [default: {default}]")


_OPTIONS = {
    "lines": "SCENARIO",
    "logs": "LOG",
    "knobs": "--knob",
    "start": "--from",
    "rate_hz": "--rate",
    "log.rate_hz": "--log-rate",
    "log.dropped": "--log-dropped",
    "run.carriers": "--carriers",
    "line.but": "--set",
    "answer.save": "--out",
}


def as_option(name: str, value: Given = None) -> str:
    """Return what a command calls an argument of the interface, and how its value is given there.

    >>> as_option("at_most"), as_option("run.carriers", 400), as_option("but", ("KEY=VALUE",))
    ('--at-most', '--carriers 400', '--but "KEY=VALUE"')
    """
    option = _OPTIONS.get(name, f"--{name.replace('_', '-')}")
    if value is None or value is True:
        return option
    shown = " ".join(f'"{one}"' for one in value) if isinstance(value, tuple) else value
    return f"{option} {shown}"


def use_engine(engine: str | None) -> None:
    """Overrule which engine runs, here and in the processes that this one starts."""
    import os

    if engine is not None:
        os.environ["FEEDSIM_ENGINE"] = engine


def changes_of(
    settings: list[str] | None,
    *,
    carriers: int | None = None,
    replications: int | None = None,
    seed: int | None = None,
) -> list[str]:
    """Return all changes of a command line to a scenario, in the form of ``--set``."""
    named = {"run.carriers": carriers, "sweep.replications": replications, "seed": seed}
    given = [f"{key}={value}" for key, value in named.items() if value is not None]
    return [*(settings or []), *given]


def read_line(path: Path, overrides: list[str] | None, *, speed: str | None = None) -> Line:
    """Load a line with the changes of the command line; FeedsimError if one of them is wrong."""
    from dataclasses import replace

    from feedsim.answers.amounts import quantity_of
    from feedsim.answers.line import load
    from feedsim.quantities import example, hints_in
    from feedsim.scenario import at_line_speed

    line = load(path, overrides or ())
    if speed is None:
        return line
    with hints_in(line.units):
        allowed = f'a speed above 0, such as "{example("speed")}"'
        wanted = quantity_of("speed", speed, "speed", fits=_is_positive, allowed=allowed)
    return replace(line, scenario=at_line_speed(line.scenario, wanted))


def read_lines(
    paths: list[Path], overrides: list[str] | None, *, speed: str | None = None
) -> list[Line]:
    """Load lines to compare, named by their files; FeedsimError with the faults of all at once."""
    from dataclasses import replace

    from feedsim.errors import Fault, FeedsimError

    alike = len({str(path) for path in paths}) > len({path.stem for path in paths})
    lines: list[Line] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            line = read_line(path, overrides, speed=speed)
        except FeedsimError as error:
            if len(paths) == 1:
                raise
            name = str(path)
            faults += [f if f.key == name else Fault(name, message=str(f)) for f in error.faults]
            continue
        lines.append(replace(line, name=str(path)) if alike else line)
    if faults:
        raise FeedsimError(*faults)
    return lines


def fit_for(new: Path, text: str, scenario: Path) -> str:
    """Return the text of a scenario, if it can also be read from its new place.

    Raises FeedsimError if relative paths in it would not be found from there.
    """
    from feedsim.errors import Fault, FeedsimError
    from feedsim.scenario import scenario_from_text

    try:
        scenario_from_text(text, folder=new.parent)
    except FeedsimError:
        message = f"refers to other files by relative path; write it to the folder of {scenario}"
        raise FeedsimError(Fault(str(new), message=message)) from None
    return text


def _is_positive(value: float) -> bool:
    return 0.0 < value < math.inf


def tell(words: str) -> None:
    """Print on standard error.

    If standard error cannot be written, go on in silence.
    """
    import os
    import sys

    from feedsim.errors import printable
    from feedsim.render.layout import for_screen

    try:
        typer.echo(for_screen(printable(words), sys.stderr), err=True)
    except OSError:  # what it still holds would fail again as the process ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def rate_of(text: str) -> float:
    """Read how fast samples came (1/s)."""
    from feedsim.answers.amounts import quantity_of

    allowed = 'a rate above 0, such as "1 kHz"'
    return quantity_of("rate_hz", text, "rate", fits=_is_positive, allowed=allowed)
