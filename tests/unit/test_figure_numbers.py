"""Every number that a figure says stands in the answer or in its records."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import feedsim
from feedsim.answers.run.answer import Run, middle_of
from feedsim.quantities import System
from feedsim.running.run import trace
from tests.figure_sheet import answer, line

# what a figure may show of a number in data: mm, mm/s, mm/s², s and shares
FACTORS: dict[System, tuple[float, ...]] = {
    "metric": (1.0, 60.0 / 1000.0, 1e-3, 1e3, 100.0),
    "inch": (1.0, 1.0 / 25.4, 60.0 / 304.8, 1e3, 100.0),
}
NUMBER = re.compile(r"(?<![\w.])[+\u2212-]?\d[\d,]*(?:\.\d+)?(?![\w])")
OWN = {12.0}
"""How far the page of rows draws, which is the page's own."""

ASKED: dict[str, Callable[[], Any]] = {
    "run": lambda: feedsim.run(line(run__carriers=400)),
    "run all missed": partial(answer, "run all missed"),
    "run stops": partial(answer, "run stops"),
    "run two feeders": lambda: feedsim.run(line("two_feeders", run__carriers=400)),
    "explain": partial(answer, "explain"),
    "sweep": lambda: feedsim.sweep(line(run__carriers=400), "40,160 m/min"),
    "map": partial(answer, "map"),
    "budget": partial(answer, "budget"),
    "compare": partial(answer, "compare equal"),
    "tune": partial(answer, "tune"),
    "drive": partial(answer, "drive"),
    "trial": partial(answer, "trial"),
    "learn": partial(answer, "learn"),
}
"""Of each kind of figure one at least."""


def known(answer: Any) -> np.ndarray[Any, Any]:
    """Return all numbers of an answer: its data, and ends and sums of the columns of its tables."""
    found = list(numbers(json.loads(answer.json())))
    for table in answer.tables().values():
        for column in table.values():
            values = np.asarray(column)
            if values.dtype.kind in "if" and len(values):
                there = values[np.isfinite(values)]
                found += [*there.tolist(), *([there.min(), there.max()] if len(there) else [])]
    if isinstance(answer, Run):
        found += [*margins(answer), *instants(answer)]
    return np.unique(np.abs(np.array(found, dtype=np.float64)))


def margins(run: Run) -> Iterator[float]:
    """Yield the least margins of each feeder, worked out of ``carriers.csv`` (MODEL.md, 10)."""
    for number in range(len(run.ran.machine.feeders)):
        yield from margins_of(run, number)


def margins_of(run: Run, number: int) -> Iterator[float]:
    """Yield the least margins of one feeder."""
    feeder, cards = run.ran.machine.feeders[number], run.carriers
    long = run.ran.machine.carriers.length_mm
    own = cards["feeder"] == number if "feeder" in cards else slice(None)
    there = {name: values[own][np.isfinite(values[own])] for name, values in cards.items()
             if values.dtype.kind == "f"}  # fmt: skip
    if not len(there["placement_error_mm"]):
        return
    yield feeder.nose_limit_mm - there["stage_position_mm"].max()
    yield there["tail_mm"].min() - feeder.grip_end_mm
    first, last = there["offset_mm"].min(), there["offset_mm"].max() + feeder.inserts.length_mm
    yield min(first, long - last)
    yield feeder.servo.max_acceleration_mm_s2 - there["demanded_acceleration_mm_s2"].max()
    off = np.abs(there["nose_speed_mm_s"] / there["belt_speed_mm_s"] - 1.0)
    yield run.line.scenario.limits.speed_mismatch - off.max()


def instants(run: Run) -> Iterator[float]:
    """Yield the times of all events from when the drawn carrier passed its eye (s)."""
    records, kept = trace(run.line.scenario)
    zero = records.carriers.eye_time_s[middle_of(run.line, run.around)]
    yield from (event.time_s - zero for event in kept.events if np.isfinite(event.time_s))


def numbers(data: Any) -> Iterator[float]:
    """Yield the numbers in data, and those written in its texts (``"60 m/min"``)."""
    if isinstance(data, bool) or data is None:
        return
    if isinstance(data, int | float):
        yield float(data)
    elif isinstance(data, str):
        yield from (value for value, _ in said(data))
    else:
        for part in data.values() if isinstance(data, dict) else data:
            yield from numbers(part)


def said(text: str) -> Iterator[tuple[float, int]]:
    """Yield the numbers in a text, without their signs, each with its decimals."""
    for word in NUMBER.findall(text):
        plain = word.lstrip("+\u2212-").replace(",", "")
        yield float(plain), len(plain.partition(".")[2])


@cache
def asked(name: str) -> Any:
    return ASKED[name]()


@cache
def drawn(name: str, units: System) -> dict[str, Any]:
    figures: dict[str, Any] = asked(name).figures(units=units)
    return figures


def unknown(answer: Any, figures: Mapping[str, Any], units: System) -> list[tuple[str, float]]:
    """Return what the texts of its figures say that is nowhere in the answer."""
    values = known(answer)
    every = np.unique(np.concatenate([values * factor for factor in FACTORS[units]]))
    lost = []
    for figure in figures.values():
        texts = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
        for text in texts:
            if text.get_gid() == "binds":  # tests/unit/test_output_sweep_rows.py
                continue
            for value, decimals in said(text.get_text()):
                room = 0.5 * 10.0**-decimals * (1.0 + 1e-9)
                near = every[np.searchsorted(every, value - room) :][:1]
                if value not in OWN and not (len(near) and near[0] <= value + room):
                    lost.append((text.get_text(), value))
    return lost


@pytest.mark.parametrize("units", ["metric", "inch"])
@pytest.mark.parametrize("name", ASKED)
def test_every_number_of_a_figure_is_in_the_answer(name: str, units: System) -> None:
    assert unknown(asked(name), drawn(name, units), units) == []


def test_each_figure_of_the_gallery_is_looked_at() -> None:
    """By its file's name without number: a figure of a new kind asks for a line in ASKED."""
    gallery = Path(__file__).parents[2] / "plots" / "gallery"
    taken_of_pages = {"rehearsal", "desk"}
    kinds = {path.stem.partition("-")[0] for path in gallery.rglob("*.png")
             if path.parent.name not in taken_of_pages}  # fmt: skip
    known_kinds = {file.partition("-")[0] for name in ASKED for file in drawn(name, "metric")}
    assert kinds <= known_kinds


def test_the_check_finds_a_number_that_is_nowhere() -> None:
    answer = ASKED["explain"]()
    figures = answer.figures(units="metric")
    figures["explain"].text(0.5, 0.5, "123.4567 mm")
    assert unknown(answer, figures, "metric") == [("123.4567 mm", 123.4567)]
