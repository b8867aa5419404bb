"""A sheet of odd lines: figures of runs, sweeps and the rest where labels would be cut or crowd.

``python -m tests.figure_sheet FOLDER`` writes them all as PNG, to be looked at. ``SHEET`` has them
by name: each makes its answer.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import feedsim
from feedsim import Line

__all__ = ["SHEET", "UNITS", "answer"]

SCENARIOS = Path(__file__).parents[1] / "scenarios"
UNITS = ("metric", "inch")
FEW = {"run.carriers": 60, "run.warm_up": 5}
LONG = "The longest name of a feeder that the file still takes, as somebody has typed it"
TITLE = "A line that lays cards, leaflets and reply slips on letters of every size and weight"
SCRIPTS = "名刺 カード 카드 бланк κάρτα כרטיס بطاقة कार्ड การ์ด"


def line(name: str = "membership_card", **changes: Any) -> Line:
    """Return a scenario of the gallery with few carriers; ``__`` in a key stands for a dot."""
    keys = {key.replace("__", "."): value for key, value in changes.items()}
    return feedsim.load(SCENARIOS / f"{name}.toml").but({**FEW, **keys})


def named(name: str, title: str, feeder: str) -> Line:
    """Return a scenario with another title, and feeders of that name and their number."""
    data: dict[str, Any] = {**line(name).to_dict(), "title": title}
    new = {one["name"]: f"{feeder[:78]} {i}" for i, one in enumerate(data["feeder"])}
    data["feeder"] = [{**one, "name": new[one["name"]]} for one in data["feeder"]]
    if pairs := data.get("product", {}).get("pair"):
        told = [{**p, "below": new[p["below"]], "above": new[p["above"]]} for p in pairs]
        data["product"] = {**data["product"], "pair": told}
    return Line.from_dict(data)


def three_feeders() -> Line:
    """Return two feeders and a third one further on, like the second."""
    data: dict[str, Any] = dict(line("two_feeders").to_dict())
    first, second = data["feeder"]
    further = f"{float(str(second['eye_to_placement']).split()[0]) + 900.0} mm"
    third = {**second, "name": "slip feeder", "eye_to_placement": further}
    divert = {**data["divert"], "at": "3 m"}
    return Line.from_dict({**data, "feeder": [first, second, third], "divert": divert})


def nothing_seen() -> Line:
    """Return a line whose every feed finds the magazine empty."""
    return line(feeder__0__insert__misfeed="100 %")


def tuned(what: Line) -> Any:
    """Return a tune of many knobs of few values, some of them words, on the compiled engine."""
    before = os.environ.get("FEEDSIM_ENGINE")
    os.environ["FEEDSIM_ENGINE"] = "compiled"
    try:
        few = what.but({"tune.knob": [], "tune.unsure": [], "tune.carriers": 200})
        return feedsim.tune(few, knobs=KNOBS, aim="spread", speed="130 m/min")
    finally:
        os.environ.pop("FEEDSIM_ENGINE")
        if before is not None:
            os.environ["FEEDSIM_ENGINE"] = before


KNOBS = (
    "feeder.0.settings.stage_position=80:104:8 mm", "feeder.0.clutch.ramp_in=20 ms,24 ms",
    "controller.motion_cycle=0.5,1 ms", "carrier_eye.capture=latched,scanned",
    "feeder.0.servo.loop_gain=200,300 1/s", "feeder.0.servo.velocity_feedforward=80,90 %",
    "feeder.0.settings.stage_correction=true,false",
)  # fmt: skip
EQUAL = ("the same again: carrier_eye.edge_sd=0.1 mm",)
MANY = tuple(f"setup number {i}: carrier_eye.edge_sd={0.1 * i:.1f} mm" for i in range(1, 8))

SHEET: Mapping[str, Callable[[], Any]] = {
    "run fast": lambda: feedsim.run(line(line__speed="400 m/min")),
    "run slow": lambda: feedsim.run(line(line__speed="0.01 m/min")),
    "run one carrier": lambda: feedsim.run(line(run__carriers=1, run__warm_up=0)),
    "run all missed": lambda: feedsim.run(nothing_seen()),
    "run long names": lambda: feedsim.run(named("two_feeders", TITLE, LONG)),
    "run any script": lambda: feedsim.run(named("membership_card", SCRIPTS * 2, SCRIPTS)),
    "run three feeders": lambda: feedsim.run(three_feeders()),
    "run stops": lambda: feedsim.run(line("stops", run__carriers=600)),
    "run from standstill": lambda: feedsim.run(line("from_standstill")),
    "run by hand": lambda: feedsim.run(line("hand_fed")),
    "explain": lambda: feedsim.explain(line("from_standstill"), 12),
    "explain long names": lambda: feedsim.explain(named("two_feeders", TITLE, LONG), 12),
    "budget": lambda: feedsim.budget(line(), "60 m/min"),
    "budget long names": lambda: feedsim.budget(named("two_feeders", TITLE, LONG), "1,400 m/min"),
    "sweep one speed": lambda: feedsim.sweep(line(), "60 m/min"),
    "sweep wide": lambda: feedsim.sweep(line("hand_fed"), "0.01,0.1,1,10,60,120,400 m/min"),
    "sweep many": lambda: feedsim.sweep(named("two_feeders", TITLE, LONG), "20:200:4 m/min"),
    "sweep words": lambda: feedsim.sweep(line(), vary=["carrier_eye.capture=latched,scanned"]),
    "map": lambda: feedsim.sweep(
        line(), "40:160:40 m/min", vary=["feeder.0.insert.gap=40:90:25 mm"]
    ),
    "compare equal": lambda: feedsim.compare(line(), but=EQUAL, speeds="20,60 m/min"),
    "compare eight": lambda: feedsim.compare(line(), but=MANY, speeds="20,60 m/min"),
    "tune": lambda: tuned(line("coupon")),
    "tune long names": lambda: tuned(named("coupon", TITLE, LONG)),
    "drive": lambda: feedsim.drive(line("drive_sizing"), "30 m/min"),
    "trial": lambda: feedsim.trial_fit(
        line("trial_reply_card", title=TITLE), SCENARIOS / "trial_reply_card.csv"
    ),
    "learn": lambda: feedsim.learn(
        line("learn_card"), SCENARIOS / "learn_card_40.csv", SCENARIOS / "learn_card_60.csv"
    ),
}


@cache
def answer(name: str) -> Any:
    """Return the answer of a line of the sheet, asked once for all tests; figures are new ones."""
    return SHEET[name]()


def main(folder: Path) -> None:
    """Write all figures of the sheet, in both families of units."""
    from feedsim.render.canvas import pictures

    folder.mkdir(parents=True, exist_ok=True)
    for name, ask in SHEET.items():
        answer = ask()
        for units in UNITS:
            for file, content in pictures(answer.figures(units=units)).items():
                if file.endswith(".png"):
                    (folder / f"{name.replace(' ', '_')}-{units}-{file}").write_bytes(content)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
