"""From a question to its answer at the desk, and 200 random turns; never failed on a clock.

Run with ``pytest -m benchmark -s tests/benchmarks/test_desk.py``. The times are those of a client
on the same machine, through the real server, from sending the question to having read the answer.
"""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import numpy as np
import pytest

import feedsim
from feedsim.desk.server import Listening
from tests.desk_asked import SCENARIOS, Asked
from tests.desk_served import served_desk
from tests.desk_turns import turns

pytestmark = [pytest.mark.benchmark, pytest.mark.usefixtures("quick_engine")]

CARD = SCENARIOS / "membership_card.toml"
TURNS, CARRIERS = 200, 5000
GOALS_MS = {"forms": 50.0, "run": 250.0}


@pytest.fixture(scope="module")
def served(quick_engine: None) -> Iterator[Listening]:
    with served_desk(CARD) as there:
        there.desk.warm()
        while there.desk.engine.state != "ready":
            time.sleep(0.1)
        yield there


def asked_of(there: Listening, question: dict[str, Any]) -> tuple[Any, float]:
    """Ask, and return the answer and how long it took (ms)."""
    headers = {
        "Origin": f"http://127.0.0.1:{there.port}",
        "Cookie": f"feedsim_desk_{there.port}={there.keys.cookie}",
        "Content-Type": "application/json",
    }
    with closing(http.client.HTTPConnection("127.0.0.1", there.port)) as connection:
        connection.connect()
        start = time.perf_counter()
        connection.request("POST", "/ask", json.dumps(question), headers)
        last = json.loads(connection.getresponse().read().splitlines()[-1])
        return last["answer"], 1e3 * (time.perf_counter() - start)


def test_200_random_turns(served: Listening) -> None:
    fresh = Asked(CARD)
    took: dict[str, list[float]] = {"knobs": [], "forms": [], "run": [], "speeds": []}
    end: list[str] = []
    for number, end in enumerate(turns(fresh, TURNS, seed=1)):
        for what, times in took.items():
            if what == "speeds" and number % 10:
                continue
            more = {"carriers": CARRIERS} if what == "run" else {}
            times.append(asked_of(served, fresh.question(what, end, **more))[1])
    for what, times in took.items():
        half, most, longest = np.percentile(times, (50.0, 95.0, 100.0))
        goal = f", goal {GOALS_MS[what]:.0f}" if what in GOALS_MS else ""
        report = f"{what}: 50 % {half:.0f} ms, 95 % {most:.0f} ms, longest {longest:.0f} ms{goal}"
        print(f"\n    {report}")  # noqa: T201 - a benchmark is there to be read
    told, _ = asked_of(served, fresh.question("run", end, carriers=CARRIERS))
    assert told == Asked(CARD).ask("run", end, carriers=CARRIERS)
    line = feedsim.load(CARD, [*end, f"run.carriers={CARRIERS}"])
    assert told["text"] == feedsim.run(line).text()
