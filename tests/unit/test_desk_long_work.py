"""What the desk takes longer for: what the commands say, told as it goes, given up at once."""

from __future__ import annotations

import asyncio
import json
import threading
from typing import Any

import pytest

import feedsim
from feedsim.desk import answering
from feedsim.desk.lanes import GONE, NEWER, Dropped, Job, Lane, TooLong
from tests.desk_asked import HOST, SCENARIOS, Asked

CARD = SCENARIOS / "membership_card.toml"
PATIENCE_S = 600.0


@pytest.fixture(scope="module")
def asked(quick_engine: None) -> Asked:
    return Asked(CARD)


def test_a_sweep_is_that_of_the_command(asked: Asked) -> None:
    axes = ["line.speed=60,80 m/min"]
    told = asked.ask("sweep", carriers=200, axes=axes)
    line = feedsim.load(CARD, ["run.carriers=200"])
    assert told["text"] == feedsim.sweep(line, vary=axes).text()
    assert [point["at"] for point in told["points"]] == [["60 m/min"], ["80 m/min"]]
    assert all(svg.lstrip().startswith("<?xml") for svg in told["figures"].values())
    assert told["figures"]
    wrong = asked.lines("sweep", axes=["line.colour=1,2"])[-1]
    assert "line.colour" in wrong["faults"][0]["text"]
    assert "--" not in wrong["faults"][0]["text"]
    for axis, words in (
        ("line.speed=fast", "line.speed: found 'fast'; needs values as from:to:step with a unit"),
        ("line.speed=90:40:10 m/min", "needs a range that rises"),
        ("carrier.pitch=40,50 ms", "carrier.pitch=40 ms: carrier.pitch: found"),
        ("carrier.pitch=1:2000:1 mm", "carrier.pitch: found '1:2000:1 mm'; needs a larger step"),
    ):
        (fault, *_) = asked.lines("sweep", carriers=60, axes=[axis])[-1]["faults"]
        assert words in fault["text"]
        assert "--" not in fault["text"]
    many = asked.lines("sweep", carriers=100_000, axes=["line.speed=1:90:1 m/min"])[-1]
    assert "5,000,000" in many["refused"]


def test_the_limit_by_simulation_is_that_of_the_command(quick_engine: None) -> None:
    asked = Asked(SCENARIOS / "bench.toml")
    told = asked.ask("limit", carriers=200, within="50 %")
    line = feedsim.load(SCENARIOS / "bench.toml", ["run.carriers=200"])
    assert told["text"] == feedsim.limit(line, within=0.5).text()
    assert asked.lines("limit", within="wide")[-1]["faults"][0]["path"] == "within"
    for wrong, needed in (("5", '; write "5 %"'), ("500", 'needs a share from "0.01 %" to "50 %"')):
        assert asked.lines("limit", within=wrong)[-1]["faults"][0]["text"].endswith(needed)


def test_progress_comes_before_the_answer(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("feedsim.desk.lanes._TELL_EVERY_S", 0.0)
    lines = asked.lines("run", carriers=30_000)
    assert len(lines) > 2
    assert all(line["number"] == lines[0]["number"] for line in lines)
    done = [line["progress"]["done"] for line in lines[:-1]]
    assert done == sorted(done)
    assert {line["progress"]["total"] for line in lines[:-1]} == {30_020}
    assert lines[-1]["answer"]["carriers"] == 30_000


def test_too_many_carriers_are_refused_with_a_word(asked: Asked) -> None:
    assert "carriers" in asked.lines("run", ["run.carriers=100000000"])[-1]["refused"]
    assert "carriers" in asked.lines("story", ["run.carriers=1000000"], miss=True)[-1]["refused"]


def test_what_takes_too_long_is_cut_with_a_word(
    asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    way = answering.way_of("run")
    monkeypatch.setitem(answering._WAYS, "run", way._replace(most_s=-1.0))
    assert "cut after" in asked.lines("run", carriers=100)[-1]["refused"]


def job(asker: object, work: Any, lines: list[dict[str, Any]], *, most_s: float = 60.0) -> Job:
    return Job(asker, work, send=lines.append, most_s=most_s)


def test_a_newer_question_takes_the_place_of_an_older_one() -> None:
    lane, begun, go_on = Lane("test", threading.Event()), threading.Event(), threading.Event()
    said: list[list[dict[str, Any]]] = [[], [], [], []]

    def long(one: Job) -> str:
        begun.set()
        assert go_on.wait(PATIENCE_S)
        one.look()
        return "an old answer"

    over = threading.Event()
    lane.put(job("tab 1", long, said[0]))
    assert begun.wait(PATIENCE_S)
    lane.put(job("tab 1", lambda _: "waits", said[1]))
    lane.put(job("tab 2", lambda _: "another tab", said[2]))
    lane.put(job("tab 1", lambda _: over.set() or "the newest", said[3]))
    go_on.set()
    assert over.wait(PATIENCE_S)
    while lane.load:
        pass
    assert said[0] == said[1] == [{"dropped": NEWER}]
    assert said[2][-1]["answer"] == "another tab"
    assert said[3][-1]["answer"] == "the newest"


@pytest.mark.parametrize("goes_first", [True, False])
def test_who_goes_first_is_waited_for(goes_first: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Threads share Python's lock, so what takes longer rests while the closed forms are asked."""
    monkeypatch.setattr("feedsim.desk.lanes._MOST_GIVEN_WAY_S", PATIENCE_S)
    free, begun, go_on, over = (threading.Event() for _ in range(4))
    slow, first = Lane("slow", free), Lane("first", free, goes_first=goes_first)
    order: list[str] = []

    def long(one: Job) -> None:
        begun.set()
        assert go_on.wait(PATIENCE_S)
        one.look()
        order.append("slow")
        over.set()

    def short(_: Job) -> None:
        go_on.set()
        # else the other goes on meanwhile; where it must not, some time to do so wrongly
        over.wait(0.1 if goes_first else PATIENCE_S)
        order.append("first")

    slow.put(job(1, long, []))
    assert begun.wait(PATIENCE_S)
    first.put(job(2, short, []))
    assert over.wait(PATIENCE_S)
    while slow.load or first.load:
        pass
    assert order == (["first", "slow"] if goes_first else ["slow", "first"])


def test_a_defect_is_told_and_the_lane_goes_on() -> None:
    lane, over = Lane("test", threading.Event()), threading.Event()
    said: list[dict[str, Any]] = []

    def fails(_: Job) -> None:
        raise ZeroDivisionError("a planted fault")

    lane.put(job(1, fails, said))
    lane.put(job(2, lambda _: over.set(), []))
    assert over.wait(PATIENCE_S)
    assert "a planted fault" in said[0]["defect"]


def test_a_job_ends_where_it_looks_up() -> None:
    one = job(1, lambda _: None, [], most_s=1e9)
    one.run()
    one.drop(GONE)
    with pytest.raises(Dropped):
        one.look()
    late = job(1, lambda _: None, [], most_s=-1.0)
    late.run()
    with pytest.raises(TooLong):
        late.look()


def test_who_stops_listening_gives_the_work_up(asked: Asked) -> None:
    """Break the connection off before the answer; the work ends, and the desk answers on."""
    begun, dropped = threading.Event(), threading.Event()

    def work(*_: Any) -> Any:
        one: Job = _[-1]
        begun.set()
        try:
            while True:
                one.look()
        except Dropped:
            dropped.set()
            raise

    way = answering.way_of("run")
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(answering._WAYS, "run", way._replace(most_s=PATIENCE_S, work=work))
        body = json.dumps(asked.question("run")).encode()
        asyncio.run(_broken_off(asked, body, begun))
    assert dropped.wait(PATIENCE_S)
    assert asked.ask("run", carriers=50)


async def _broken_off(asked: Asked, body: bytes, begun: threading.Event) -> None:
    messages = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> dict[str, Any]:
        if messages:
            return messages.pop()
        await asyncio.to_thread(begun.wait, PATIENCE_S)
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        assert message["type"] == "http.response.start"

    headers = {"host": HOST[7:], "origin": HOST, "cookie": asked.cookie}
    headers["content-type"] = "application/json"
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/ask",
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }
    await asked.app(scope, receive, send)
