"""Random turns of the desk's knobs, such as a user makes: one after the other, some undone."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from typing import Any

from tests.desk_asked import Asked

# what changes how many carriers run, or that another file is read, is not turned
LEFT = ("run.", "seed", "sweep.", "carrier.record", "carrier.arrival", "fault", "adjust")


def turns(asked: Asked, count: int, *, seed: int) -> Iterator[list[str]]:
    """Yield the changes after each of so many turns; what a turn makes faulty is taken back."""
    chance = random.Random(seed)  # noqa: S311 - chance, not secrecy
    knobs = [
        knob
        for knob in asked.ask("knobs")["knobs"]
        if not knob["path"].startswith(LEFT) and not knob["off"]
    ]
    now: dict[str, str] = {}
    for _ in range(count):
        before = dict(now)
        knob = chance.choice(knobs)
        if now and chance.random() < 0.15:
            del now[chance.choice(sorted(now))]  # reset
        elif value := turned(knob, chance):
            now.pop(knob["path"], None)
            now[knob["path"]] = value
        if "answer" not in asked.lines("forms", changes(now))[-1]:
            now = before
        yield changes(now)


def changes(now: Mapping[str, str]) -> list[str]:
    return [f"{path}={value}" for path, value in now.items()]


def turned(knob: Mapping[str, Any], chance: random.Random) -> str:
    span = knob["slider"]
    if knob["kind"] == "yesno":
        return chance.choice(["true", "false"])
    if knob["kind"] == "choice":
        return str(chance.choice(knob["choices"]))
    if knob["kind"] == "text":
        return json.dumps(f"{knob['value']} {chance.randint(1, 9)}")
    if span is None:
        return ""
    if knob["may_be_auto"] and chance.random() < 0.5:
        return "auto"
    start = span["low"] if knob["number"] is None else knob["number"]
    number = start + span["step"] * chance.randint(-10, 10)
    number = min(span["high"], max(span["low"], number))
    text = f"{number:.10g}"
    return f"{text} {knob['unit']}" if knob["kind"] == "quantity" else text
