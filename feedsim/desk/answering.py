"""From a question to the module that answers it, and to the lane that it is worked on in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from feedsim.answers.line import Line
from feedsim.desk.forms import forms
from feedsim.desk.knobs import knobs_answer
from feedsim.desk.lanes import Job, TooLong
from feedsim.desk.lines import Opened, read
from feedsim.desk.questions import Question
from feedsim.desk.runs import ran, run_told
from feedsim.quantities import System

__all__ = ["LANES", "Way", "way_of"]

QUICK, RUN, LONG = LANES = ("quick", "run", "long")
"""What answers at once, what runs a line, what takes long: none waits for another."""

Answer = Mapping[str, Any]
Work = Callable[[Question, Sequence[Opened], Job], Answer]


class Way(NamedTuple):
    """How a kind of question is answered: in which lane, within how long, by what."""

    lane: str
    most_s: float
    work: Work


def way_of(what: str) -> Way:
    """Return how a kind of question is answered."""
    return _WAYS[what]


def _line(question: Question, files: Sequence[Opened]) -> tuple[Line, System]:
    many = question.carriers
    more = [] if many is None else [f"run.carriers={many}"]
    line = read(question, files, more=more)
    return line, question.units or line.units


def _knobs(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    del job
    return knobs_answer(question, files)


def _forms(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files)
    job.look()
    return forms(line, units)


def _run(question: Question, files: Sequence[Opened], job: Job) -> Answer:
    line, units = _line(question, files)
    return run_told(_ran(line, job), units)


def _ran(line: Line, job: Job) -> Any:
    """Run a line, as long as somebody waits for it and it takes no longer than may be."""
    run = line.scenario.run
    total = run.warm_up + run.carriers
    if total > 2 * MOST_AT_ONCE:
        raise TooLong(f"a question runs {MOST_AT_ONCE:,} carriers at most: ask for fewer")
    return ran(line, progress=lambda done: job.reached(done, total, "carriers"))


MOST_AT_ONCE = 1_000_000
_WAYS: Mapping[str, Way] = {
    "knobs": Way(QUICK, 20.0, _knobs),
    "forms": Way(QUICK, 20.0, _forms),
    "run": Way(RUN, 60.0, _run),
}
