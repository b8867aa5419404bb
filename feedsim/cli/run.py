"""``feedsim run``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from feedsim.cli.options import (
    AsJson,
    Engine,
    ScenarioPath,
    Seed,
    Settings,
    Speed,
    Units,
    changes_of,
    option,
    out_option,
    read_line,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.answers.line import Line
    from feedsim.answers.run.tables import LogAsked
    from feedsim.cli.delivery import Handed
    from feedsim.quantities import System

NOT_ACCEPTED = 1


def run(
    scenario: ScenarioPath,
    speed: Speed = None,
    carriers: Annotated[int | None, option("--carriers", "N", "Carriers in the figures.")] = None,
    seed: Seed = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option()] = None,
    trace: Annotated[
        bool, typer.Option("--trace", help="Write every event to events.csv.")
    ] = False,
    log: Annotated[
        Literal["events", "samples"] | None,
        option(
            "--log",
            "events|samples",
            "Write log.csv, as a recorder on the machine would: a row for each change of a "
            "signal, or for each sample.",
        ),
    ] = None,
    log_rate: Annotated[
        str | None,
        option("--log-rate", "RATE", "Sampling rate of that recorder. [default: 1 kHz]"),
    ] = None,
    log_dropped: Annotated[
        str | None,
        option("--log-dropped", "SHARE", "Share of samples that it loses. [default: 0 %]"),
    ] = None,
    around: Annotated[
        int | None,
        option(
            "--around",
            "CARRIER",
            "Carrier in the middle of the timing diagram, by its number in carriers.csv. "
            "[default: the second counted one]",
        ),
    ] = None,
    records: Annotated[
        Literal["all", "missed", "none"] | None,
        option(
            "--records",
            "all|missed|none",
            "Rows in carriers.csv: all, only missed or at risk, or none. "
            "[default: all; missed above 100,000 carriers]",
        ),
    ] = None,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with 1 if the result is not accepted.")
    ] = False,
) -> int:
    """Run a scenario: placement error, missed carriers, jam risk.

    Prints a summary and writes results.json, carriers.csv and two figures.
    """
    from feedsim.answers.run import answer as answers
    from feedsim.beside import beside
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import progress_bar

    use_engine(engine)
    answers.may_be_told(traced=trace, logged=log is not None)
    changes = changes_of(settings, carriers=carriers, seed=seed)
    line = read_line(scenario, changes, speed=speed)
    answers.middle_of(line, around)
    asked = _log_asked(log, log_rate, log_dropped)

    def find(_: object) -> Handed:
        counted = line.scenario.run
        with beside(lambda: timing_pictures(line, around, units)) as timing:
            with progress_bar("carriers", counted.warm_up + counted.carriers) as progress:
                found = answers.run(
                    line,
                    around=around,
                    traced=trace,
                    records=records,
                    log=asked,
                    progress=progress,
                )
            refused = gate and not found.accepted
            drawn = replace(found, timing=timing)
            return handed(drawn, units=units, status=NOT_ACCEPTED if refused else 0)

    folder = out if out is not None else Path("plots") / scenario.stem
    return deliver("run", find, folder=folder, units=units, as_json=as_json)


def timing_pictures(line: Line, around: int | None, units: System | None) -> dict[str, bytes]:
    """Return the files of the timing figures, which make a run of their own."""
    from feedsim.answers.run.answer import timing_figures
    from feedsim.render.canvas import pictures

    return pictures(timing_figures(line, around, units=units))


def _log_asked(
    shape: Literal["events", "samples"] | None, rate: str | None, dropped: str | None
) -> LogAsked | None:
    """Read the options of the log.

    Raises FeedsimError if the rate or the share is not valid, or given without a log.
    """
    from feedsim.answers.amounts import quantity_of, share_of
    from feedsim.answers.run.tables import LogAsked
    from feedsim.errors import Fault, FeedsimError

    if shape is None:
        for option, value in (("--log-rate", rate), ("--log-dropped", dropped)):
            if value is not None:
                message = "no log is asked for: add --log events or --log samples"
                raise FeedsimError(Fault(option, message=message))
        return None
    rate = "1 kHz" if rate is None else rate
    dropped = "0 %" if dropped is None else dropped
    rate_hz = quantity_of(
        "log.rate_hz",
        rate,
        "rate",
        fits=lambda hz: 1.0 <= hz <= 1e6,
        allowed='a rate from 1 Hz to 1 MHz, such as "1 kHz"',
    )
    return LogAsked(shape, rate_hz, share_of("log.dropped", dropped, 0.0, 0.5))
