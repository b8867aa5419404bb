"""``feedsim trial plan`` and ``feedsim trial fit``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.command_help import Commands, add
from feedsim.cli.options import (
    AsJson,
    Rate,
    ScenarioPath,
    Settings,
    Units,
    argument,
    fit_for,
    option,
    out_option,
    rate_of,
    read_line,
    speeds_option,
)

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer
    from feedsim.answers.learn.answer import Learnt
    from feedsim.answers.line import Line
    from feedsim.answers.trial.answer import FittedTrial
    from feedsim.cli.delivery import Handed
    from feedsim.quantities import System

_PLAN = "trial_plan.csv"
_MOST_LEFT_OUT = 1_000_000

trial = typer.Typer(
    name="trial",
    cls=Commands,
    help="Plan a trial on the line, and fit what was measured in it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Confidence = Annotated[str, typer.Option("--confidence", metavar="SHARE", help="Confidence level.")]
Out = Annotated[Path | None, out_option("trial")]


def plan(
    scenario: ScenarioPath,
    speeds: Annotated[str | None, speeds_option("four, up to line speed")] = None,
    confidence: Confidence = "95 %",
    spread_within: Annotated[
        str,
        typer.Option(
            "--spread-within",
            metavar="SHARE",
            help="How precisely to know each spread; a smaller share takes more carriers.",
        ),
    ] = "25 %",
    settings: Settings = None,
    out: Out = None,
    units: Units = None,
    as_json: AsJson = False,
    force: Annotated[
        bool, typer.Option("--force", help="Overwrite a file that has been filled in.")
    ] = False,
) -> int:
    """Plan a trial: speeds, carriers, expected results, and a blank file to fill in.

    Writes trial_plan.csv.
    """
    from feedsim.answers.amounts import share_of
    from feedsim.answers.trial.answer import CONFIDENCES, SPREADS, trial_plan
    from feedsim.cli.delivery import deliver
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings)
    sure = share_of("confidence", confidence, *CONFIDENCES)
    within = share_of("spread_within", spread_within, *SPREADS)
    folder = _folder(scenario, out)

    def find(_: object) -> Answer:
        _refuse_filled_in(folder / _PLAN, line, force=force)
        with doing("planning the trial"):
            return trial_plan(line, speeds, confidence=sure, spread_within=within, units=units)

    return deliver("trial plan", find, folder=folder, units=units, as_json=as_json, pictures=False)


def _folder(scenario: Path, out: Path | None) -> Path:
    return out if out is not None else Path("plots") / scenario.stem / "trial"


def _refuse_filled_in(path: Path, line: Line, *, force: bool) -> None:
    """Refuse to overwrite a file that somebody has filled in."""
    from feedsim.answers.trial.study.data import is_blank
    from feedsim.errors import Fault, FeedsimError

    names = [feeder.name for feeder in line.scenario.feeder]
    if force or not path.exists() or is_blank(path, feeders=names):
        return
    raise FeedsimError(
        Fault(str(path), message="has been filled in; move it away, or overwrite it with --force")
    )


def fit(
    scenario: ScenarioPath,
    data: Annotated[Path, argument("DATA", "What was measured, a CSV file.")],
    write: Annotated[
        Path | None,
        option(
            "--write",
            "FILE",
            "Write the scenario with the corrected settings, comments and layout kept.",
        ),
    ] = None,
    keep_outliers: Annotated[
        bool,
        typer.Option("--keep-outliers", help="Keep outliers in all figures and in --write."),
    ] = False,
    without: Annotated[
        str | None,
        option("--without", "ROWS", 'Rows of DATA to leave out: "17,203" or "17,200-210".'),
    ] = None,
    logs: Annotated[
        list[Path] | None,
        option(
            "--log",
            "LOG",
            "The machine's own log at the same settings, as learn reads it; once for each.",
        ),
    ] = None,
    rate: Rate = None,
    confidence: Confidence = "95 %",
    settings: Settings = None,
    out: Out = None,
    units: Units = None,
    as_json: AsJson = False,
    force: Annotated[
        bool, typer.Option("--force", help="Let --write overwrite an existing file.")
    ] = False,
) -> int:
    """Fit a trial: settings to type in, spreads, missed carriers, and what stays undecided.

    The trial was run with the settings of SCENARIO. Outliers are named, and left out of the
    corrections. Writes trial_fit.json and a figure. With --log it also separates each eye's delay
    from slip, and writes the files of learn.
    """
    from feedsim.answers.amounts import share_of
    from feedsim.answers.learn.answer import learned_beside
    from feedsim.answers.trial.answer import CONFIDENCES, fitted, measured_in
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import doing
    from feedsim.files.one_file import try_file

    line = read_line(scenario, settings)
    sure = share_of("confidence", confidence, *CONFIDENCES)
    if write is not None:
        try_file(write, force=force)
    rows = _rows(without) if without is not None else set()
    measured = measured_in(line, data, without=rows)
    rate_hz = None if rate is None else rate_of(rate)

    def find(_: object) -> Handed:
        with doing("fitting the trial"):
            found = fitted(
                line, measured, name=data.name, confidence=sure, keep_outliers=keep_outliers
            )
            text = None if write is None else _corrected(found, scenario, settings or [], write)
        beside = None
        if logs:
            with doing("reading the logs"):
                beside = learned_beside(line, logs, rate_hz=rate_hz, data=measured, name=data.name)
        if text is None or write is None:
            nothing = f"nothing to correct: {write} was not written" if write else ""
            return _with_logs(handed(found, units=units, last=nothing), beside, units)
        last = f"wrote {write}, with the settings to type in"
        fit = handed(found, units=units, beside={write: text.encode()}, last=last)
        return _with_logs(fit, beside, units)

    return deliver("trial fit", find, folder=_folder(scenario, out), units=units, as_json=as_json)


def _with_logs(fit: Handed, beside: Learnt | None, units: System | None) -> Handed:
    """Add what logs and placements show together, with its files."""
    if beside is None:
        return fit
    from feedsim.answers.learn.text import beside_text

    said = beside_text(beside, units=units or beside.line.units)
    return replace(
        fit,
        text=lambda: f"{fit.text()}\n\n{said}",
        files={**fit.files, **beside.files(units=units)},
        notes=(*fit.notes, said),
    )


def _rows(text: str) -> set[int]:
    """Read row numbers, single ones and ranges."""
    import re

    from feedsim.errors import Fault, FeedsimError

    rows: set[int] = set()
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d{1,9})(?:\s*-\s*(\d{1,9}))?\s*", part, re.ASCII)
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
        if not 1 <= first <= last or last - first >= _MOST_LEFT_OUT:
            raise FeedsimError(
                Fault(
                    "--without",
                    f'"{text[:40]}"',
                    'rows of the file, the head being the first: "17,203" or "17,200-210"',
                )
            )
        rows.update(range(first, last + 1))
    return rows


def _corrected(found: FittedTrial, scenario: Path, overrides: list[str], new: Path) -> str | None:
    """Return the text of the corrected scenario; None if there is nothing to correct."""
    from feedsim.scenario.reading import read_text
    from feedsim.scenario.rewriting import corrected_text

    settings = {feeder.number: feeder.changed for feeder in found.feeders if feeder.changed}
    if not settings:
        return None
    text = corrected_text(
        read_text(scenario), overrides=overrides, settings=settings, folder=scenario.parent
    )
    return fit_for(new, text, scenario)


add(trial, plan, fit)
