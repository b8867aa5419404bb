"""A small sweep whose points are run once and whose pictures are not drawn, to be done often."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from feedsim.answers.check.study import review
from feedsim.answers.limit.study import closed
from feedsim.answers.sweep import answer as answers
from feedsim.answers.sweep import links, report, study
from feedsim.render import canvas
from feedsim.running.point import Point

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
POINTS = 3
WORDS = ("sweep", CARD, "--speeds", "40,60,150 m/min", "--carriers", 20, "--jobs", 1)

Patch = Callable[[object, str, object], None]


class Runs:
    """Real results of points, each run once; counts how often one is asked for."""

    def __init__(self) -> None:
        self.asked = 0
        self.on_run: Callable[[], object] = lambda: None
        self._run = study.run_point
        self._known: dict[str, Point] = {}

    def __call__(
        self, scenario: dict[str, Any], changes: study.Changes, replications: int
    ) -> Point:
        self.asked += 1
        self.on_run()
        key = json.dumps([scenario["seed"], changes, replications])
        if key not in self._known:
            self._known[key] = self._run(scenario, changes, replications)
        return self._known[key]


def made_cheap(patch: Patch) -> Runs:
    """Make sweeps cheap; what they keep and write still holds all the results."""
    runs = Runs()
    write, last = answers.Sweep.json, list[tuple[answers.Sweep, str]]()

    def told(swept: answers.Sweep) -> str:
        if not last or last[0][0] is not swept:
            last[:] = [(swept, write(swept))]
        return last[0][1]

    def figures(swept: answers.Sweep, **_: object) -> Mapping[str, str]:
        return {"sweep": told(swept)}

    def pictures(figures: Mapping[str, str]) -> dict[str, bytes]:
        kinds = ("png", "svg")
        return {f"{n}.{k}": f"{k} of {f}".encode() for n, f in figures.items() for k in kinds}

    patch(study, "run_point", runs)
    patch(answers.Sweep, "json", told)
    patch(answers.Sweep, "figures", figures)
    patch(report, "sweep_report", lambda swept, **_: f"report of {told(swept)}")
    patch(canvas, "pictures", pictures)
    patch(canvas, "seen_in", lambda _: "")
    patch(canvas, "try_pictures", lambda: None)
    patch(links, "areas_of", lambda *_, **__: ())
    patch(closed, "closed_forms", functools.cache(closed.closed_forms))
    patch(review, "review", functools.cache(review.review))
    return runs


def files_of(folder: Path) -> dict[str, bytes]:
    """Return all files below a folder, hidden ones too, by their path in it."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
