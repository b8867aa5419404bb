"""From a question to the module that answers it, and the lane that works on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Literal, NamedTuple

from feedsim.answers.explain.answer import explain
from feedsim.answers.line import Line
from feedsim.answers.rehearse.answer import Page, rehearse
from feedsim.desk import taking
from feedsim.desk.against import against, same_cards
from feedsim.desk.forms import forms
from feedsim.desk.knobs import knobs_answer
from feedsim.desk.lanes import Job, TooLong
from feedsim.desk.lines import Opened, file_of, read
from feedsim.desk.long_work import limit, sweep
from feedsim.desk.questions import MOST_CARRIERS, Question
from feedsim.desk.runs import ran, run_told
from feedsim.desk.speeds import speeds
from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import System

LANES = QUICK, KNOBS, SPEEDS, RUN, PLAYING, LONG = (
    "quick", "knobs", "speeds", "run", "playing", "long",
)  # fmt: skip
"""A thread each, so that quick answers never wait for slow ones."""
PLAYING_AT = "/page/"

_MOST_EACH = 100_000
_SOON_S, _LATER_S, _LONG_S = 20.0, 60.0, 900.0

Answer = Mapping[str, object]
Work = Callable[[Question, Sequence[Opened], Job], Answer]


class Way(NamedTuple):
    """How a kind of question is answered: its lane, its time limit and its function."""

    lane: str
    most_s: float
    work: Work


def way_of(what: str) -> Way:
    """Return how a kind of question is answered."""
    return _WAYS[what]


def _line(
    question: Question, files: Sequence[Opened], *, most: int = MOST_CARRIERS
) -> tuple[Line, System]:
    """Return the line of a question (TooLong: too many carriers), and the units to answer in."""
    many = question.carriers
    line = read(question, files, more=[] if many is None else [f"run.carriers={many}"])
    run = line.scenario.run
    if run.warm_up + run.carriers > most + _WARMED:
        raise TooLong(
            f"{run.carriers:,} carriers after {run.warm_up:,} to warm up are more than a question "
            f"of this kind may run ({most:,}): ask for fewer, or run the command"
        )
    return line, question.units or line.units


_WARMED = 10_000


def _knobs(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    return knobs_answer(question, files, job.look)


def _forms(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line = read(question, files)
    job.look()
    return forms(line, question.units or line.units)


def _speeds(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line = read(question, files)
    return speeds(line, question.units or line.units, job.look)


def _run(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files)
    told = run_told(ran(line, progress=_carriers(job, line)), units)
    return {**told, "command": _command(question, files)}


def _against(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    now, units = _line(question, files)
    pinned = _pinned(question, files, now)
    return against(pinned, now, units, progress=_carriers(job, pinned, now))


def _playing(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    page, units = _page(question, files, job)
    job.look()
    return taking.playing(page, units, linked=PLAYING_AT)


def _mail(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    page, units = _page(question, files, job)
    job.look()
    # the user has not turned how many carriers run, and A's page is named by what now is
    name, turned = file_of(question, files).path.stem, tuple(question.changes)
    lines = (*page.lines[:-1], replace(page.lines[-1], name=name, changes=turned))
    return taking.mail(replace(page, lines=lines), units)


def _page(question: Question, files: Sequence[Opened], job: Job) -> tuple[Page, System]:
    """Return a stretch of the run, and of the pinned line's if there is one."""
    now, units = _line(question, files, most=_MOST_EACH)
    lines = [now]
    if question.a is not None:
        lines = [replace(_pinned(question, files, now), name="pinned"), replace(now, name="now")]
    page = rehearse(
        *lines,
        around=question.around,
        start=question.start,
        count=question.count,
        first_miss=question.miss,
        first_hazard=question.hazard,
        progress=_carriers(job, now),
    )
    return page, units


def _pinned(question: Question, files: Sequence[Opened], now: Line) -> Line:
    if question.a is None:
        raise FeedsimError(Fault("a", message="nothing is pinned to compare this with"))
    return read(question.a, files, more=same_cards(now))


def _sweep(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files, most=_MOST_EACH)
    told = sweep(line, question.axes, units, job)
    vary = [part for axis in question.axes for part in ("--vary", axis)]
    return {**told, "command": _command(question, files, "sweep", *vary)}


def _limit(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files, most=_MOST_EACH)
    told = limit(line, question.within, units, job)
    return {**told, "command": _command(question, files, "limit", "--within", question.within)}


def _story(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files, most=_MOST_EACH if _first(question) else MOST_CARRIERS)
    job.look()
    found = explain(line, question.carrier, first=_first(question), feeder=question.feeder)
    carrier = [] if found.carrier is None else ["--carrier", str(found.carrier)]
    return {
        "carrier": found.carrier,
        "text": found.text(units=units),
        "command": _command(question, files, "explain", *carrier),
    }


def _first(question: Question) -> Literal["miss", "hazard"] | None:
    return "miss" if question.miss else "hazard" if question.hazard else None


def _sheet(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line = read(question, files)
    job.look()
    return taking.sheet(line, question.units or line.units)


def _commands(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    del job
    return taking.commands(question, files, question.carriers)


def _written(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    del job
    return taking.written(question, files)


def _command(question: Question, files: Sequence[Opened], name: str = "run", *more: str) -> str:
    return taking.command(question, files, name, *more, carriers=question.carriers)


def _carriers(job: Job, *lines: Line) -> Callable[[int], None]:
    """Return a progress callback that counts carriers of some lines."""
    total = sum(line.scenario.run.warm_up + line.scenario.run.carriers for line in lines)
    return lambda done: job.reached(done, total, "carriers")


_WAYS: Mapping[str, Way] = {
    "knobs": Way(KNOBS, _SOON_S, _knobs),
    "forms": Way(QUICK, _SOON_S, _forms),
    "command": Way(KNOBS, _SOON_S, _commands),
    "written": Way(KNOBS, _SOON_S, _written),
    "speeds": Way(SPEEDS, _LATER_S, _speeds),
    "run": Way(RUN, _LATER_S, _run),
    "against": Way(RUN, _LATER_S, _against),
    "playing": Way(PLAYING, _LATER_S, _playing),
    "story": Way(PLAYING, _LATER_S, _story),
    "mail": Way(PLAYING, _LATER_S, _mail),
    "sheet": Way(SPEEDS, _LATER_S, _sheet),
    "sweep": Way(LONG, _LONG_S, _sweep),
    "limit": Way(LONG, _LONG_S, _limit),
}
