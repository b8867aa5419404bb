"""``feedsim tune``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from feedsim.cli.options import (
    AsJson,
    Engine,
    Jobs,
    OnCluster,
    ScenarioPath,
    Seed,
    Settings,
    Units,
    changes_of,
    fit_for,
    option,
    out_option,
    read_line,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.answers.line import Line
    from feedsim.answers.tune.answer import Tune
    from feedsim.answers.tune.kept import Journal
    from feedsim.cli.delivery import Handed
    from feedsim.files.folder import OutputFolder
    from feedsim.quantities import System
    from feedsim.running.executor import Where


def tune(
    scenario: ScenarioPath,
    knob: Annotated[
        list[str] | None,
        option(
            "--knob",
            "KEY=VALUES",
            "What may be chosen: a range (from, to, step), "
            '"feeder.0.settings.stage_position=40:90:1 mm", or the possible values, '
            '"controller.motion_cycle=0.5,1,2 ms". May be given again; joins those of [tune].',
        ),
    ] = None,
    unsure: Annotated[
        list[str] | None,
        option(
            "--unsure",
            "KEY=±VALUE",
            'What is known only roughly, "carrier_eye.response=±0.2 ms", and perhaps '
            '"normal" or "triangular" after it. May be given again.',
        ),
    ] = None,
    aim: Annotated[
        Literal["speed", "jam_risk", "spread", "window"] | None,
        option(
            "--aim",
            "speed|jam_risk|spread|window",
            "The highest speed; or at a given one the lowest jam risk, the smallest spread, "
            "or the widest window. [default: that of [tune], else speed]",
        ),
    ] = None,
    speed: Annotated[
        str | None,
        option(
            "--speed", "SPEED", "Line speed for aims other than speed. [default: that of the line]"
        ),
    ] = None,
    assurance: Annotated[
        str | None,
        option(
            "--assurance",
            "SHARE",
            "Share of the possible machines on which it must be accepted. [default: 95 %]",
        ),
    ] = None,
    spend: Annotated[
        float | None,
        option("--spend", "PRICE", "Most that all changes together may cost."),
    ] = None,
    write: Annotated[
        Path | None,
        option(
            "--write", "FILE", "Write the scenario with the best setup, comments and layout kept."
        ),
    ] = None,
    carriers: Annotated[
        int | None,
        option(
            "--carriers",
            "N",
            "Carriers in each run for worths, windows and fronts, 1000 to 5000; those of the "
            "search and the verdict are tune.carriers.",
        ),
    ] = None,
    seed: Seed = None,
    settings: Settings = None,
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[Path | None, out_option("tune")] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on from an interrupted search.")
    ] = False,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with 1 unless the best setup is accepted.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Let --write overwrite an existing file.")
    ] = False,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Find the fastest setup among your choices, and how far each setting may drift.

    Prints a page; writes tune.json, tune.csv, fronts.csv and figures.
    """
    from feedsim.answers.tune.answer import asked, needs
    from feedsim.answers.where import where_of
    from feedsim.cli.delivery import deliver
    from feedsim.files.one_file import try_file

    use_engine(engine)
    where = where_of(jobs, cluster)
    changes = changes_of(settings, carriers=carriers, seed=seed)
    line = asked(
        read_line(scenario, changes),
        knobs=knob or [],
        unsure=unsure or [],
        aim=aim,
        speed=speed,
        assurance=assurance,
        spend=spend,
    )
    if write is not None:
        try_file(write, force=force)
    if more := needs(line):
        tell(f"note: {more}")

    def find(folder: OutputFolder) -> Handed:
        from feedsim.cli.delivery import handed

        found = _found(line, folder, where=where, resume=resume)
        beside, last = {}, ""
        if write is not None:
            text, last = _written(found, scenario, settings or [], write)
            beside = {} if text is None else {write: text.encode()}
        status = 1 if gate and found.best.verdict != "accepted" else 0
        return handed(found, units=units, beside=beside, last=last, status=status)

    folder = out if out is not None else Path("plots") / scenario.stem / "tune"
    return deliver("tune", find, folder=folder, units=units, as_json=as_json)


def _found(line: Line, folder: OutputFolder, *, where: Where, resume: bool) -> Tune:
    """Search, storing each call's result as it comes."""
    from feedsim.answers.tune.answer import tuning
    from feedsim.answers.tune.kept import Journal
    from feedsim.cli.progress import doing
    from feedsim.errors import FeedsimError

    kept = Journal(folder.points, line.scenario)
    _begin(kept, resume=resume)
    folder.keeps = kept
    with doing("searching, judging and turning the knobs") as say:
        try:
            return tuning(line, where=where, keep=kept, told=say, on_lost=tell)
        except FeedsimError:
            kept.forget_if_empty()
            raise


def _begin(kept: Journal, *, resume: bool) -> None:
    if resume:
        for words in kept.resume():
            tell(f"note: {words}; it is not used, and worked out again")
    elif kept.begin():
        tell("note: an unfinished search is discarded; --resume would have gone on from it")


def _written(found: Tune, scenario: Path, settings: list[str], new: Path) -> tuple[str | None, str]:
    """Return the text of the scenario with the best setup, and a note on it.

    Of the settings of the call only those of the machine for which the setup was found are written.
    """
    from feedsim.answers.tune.words import against
    from feedsim.render.wording import speed
    from feedsim.scenario.reading import read_text
    from feedsim.scenario.rewriting import changed_text
    from feedsim.scenario.tune_checks import is_of_machine

    if not found.feasible:
        return None, f"no setup is accepted: {new} was not written"
    if worse := against(found):
        return None, f"{worse}: {new} was not written"
    best = [f"{key}={value}" for key, value in found.changes().items()]
    at, said = found.best.verdict_speed_mm_s, ""
    if at is not None and not found.scenario.line.profile:
        best.append(f"line.speed={_at_most(at, found.units)}")
        said = f" for {speed(at, found.units)}"
    if found.best.verdict == "open":
        said += ", of which fresh runs do not decide whether it is accepted"
    machine = [setting for setting in settings if is_of_machine(setting)]
    if machine:
        said += f" and the machine as called: {', '.join(machine)}"
    text = changed_text(read_text(scenario), [*machine, *best], folder=scenario.parent)
    return fit_for(new, text, scenario), f"wrote {new}, with the best setup{said}"


def _at_most(speed_mm_s: float, units: System) -> str:
    """Write a speed in the unit of display to four digits, rounded down."""
    import math

    from feedsim.quantities import display_unit

    unit = display_unit("speed", units)
    value = speed_mm_s * unit.factor * (1.0 + 1e-9)
    places = max(0, 3 - math.floor(math.log10(value)))
    return f"{math.floor(value * 10.0**places) / 10.0**places:.10g} {unit.label}"
