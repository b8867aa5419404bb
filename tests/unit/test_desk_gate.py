"""Nobody else gets in: 300 hostile requests end in a clear 4xx, and the server answers on."""

from __future__ import annotations

import json
import random
import socket
from collections.abc import Iterator
from typing import NamedTuple

import pytest

from feedsim.desk.gate import LARGEST_BODY
from feedsim.desk.server import Listening
from tests.desk_asked import SCENARIOS, Asked
from tests.desk_served import PATIENCE_S, served_desk

CARD = SCENARIOS / "membership_card.toml"


@pytest.fixture(scope="module")
def served() -> Iterator[Listening]:
    with served_desk(CARD) as there:
        # a connection asks once here; where damage hides that, it is not waited for
        there.server.config.timeout_keep_alive = 1
        yield there


class Way(NamedTuple):
    """How a request is written: all that an attacker may choose."""

    method: str = "POST"
    target: str = "/ask"
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""


def sent(served: Listening, raw: bytes, *, is_whole: bool = True) -> bytes:
    """Send bytes as they are, and return all that comes until the server has no more to say.

    What is no whole request is followed by the end of what is sent. After a whole one that end
    would take the answer away: a browser that breaks a question off sends the same, so that the
    server takes it for one that nobody waits for any more.
    """
    with socket.create_connection(("127.0.0.1", served.port), timeout=PATIENCE_S) as there:
        try:
            there.sendall(raw)
            if not is_whole:
                there.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # it has said enough already, and closed
        found = b""
        try:
            while part := there.recv(65536):
                found += part
        except ConnectionError:
            pass
    return found


def status_of(answer: bytes) -> int:
    head = answer.partition(b"\r\n")[0].split()
    assert head, answer
    assert head[0] == b"HTTP/1.1", answer[:200]
    return int(head[1])


def written(served: Listening, way: Way) -> bytes:
    """Write a request; what a way does not say is as the desk's own page would have it."""
    usual = {
        "host": f"127.0.0.1:{served.port}",
        "origin": f"http://127.0.0.1:{served.port}",
        "cookie": f"feedsim_desk_{served.port}={served.keys.cookie}",
        "content-type": "application/json",
        "connection": "close",
        "content-length": str(len(way.body)),
    }
    given = {name.lower() for name, _ in way.headers}
    lines = [f"{way.method} {way.target} HTTP/1.1"]
    lines += [f"{name}: {value}" for name, value in usual.items() if name not in given]
    lines += [f"{name}: {value}" for name, value in way.headers if value != "(none)"]
    return "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + way.body


QUESTION = {"number": 1, "tab": "t", "what": "forms", "text": CARD.read_text("utf-8")}


def asked(**changes: object) -> bytes:
    return json.dumps({**QUESTION, **changes}).encode()


def paths() -> Iterator[Way]:
    for path in (
        "/../../etc/passwd",
        "/page/../gate.py",
        "/page/..%2fgate.py",
        "/page/%2e%2e/%2e%2e/pyproject.toml",
        "/page/desk.html/../../server.py",
        "/page/..\\gate.py",
        "/page/.hidden",
        "/page/__init__.py",
        "/page/desk.js%00.png",
        "/page//etc/passwd",
        "/page/file:///etc/passwd",
        "//127.0.0.1/state",
        "/state/",
        "/state/..",
        "/ask",
        "/save",
        "/openapi.json",
        "/docs",
        "/page/",
        "/page",
        "/.git/config",
        "/scenarios/membership_card.toml",
        "/?key=wrong",
        "/?key=",
        "/?key=%00",
        "/?key=" + "a" * 1000,
        "/?" + "&".join(f"k{n}=1" for n in range(300)),
        "/%",
        "/%ff%fe",
        "/" + "a" * 1900,
        "/" + "a" * 5000,
        "/" + "a" * 60_000,
        "/" + "../" * 500,
        "http://elsewhere.example/state",
        "*",
    ):
        yield Way("GET", path)
        yield Way("POST", path, body=asked() if path != "/ask" else b"{}")


def methods() -> Iterator[Way]:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "PROPFIND", "get", "X"):
        for target in ("/", "/ask", "/save", "/state", "/page/desk.js"):
            yield Way(method, target)
    yield from (Way("POST", target, body=asked()) for target in ("/", "/state", "/page/desk.js"))


def headers() -> Iterator[Way]:
    for host in (
        "(none)",
        "localhost",
        "127.0.0.1",
        "127.0.0.1:1",
        "[::1]",
        "attacker.example",
        "127.0.0.1.attacker.example",
        "0.0.0.0",  # noqa: S104 - a name that is asked for, nothing listens there
        "",
    ):
        yield Way("GET", "/state", (("host", host),))
        yield Way("POST", "/ask", (("host", host),), asked())
    for origin in (
        "(none)",
        "null",
        "http://attacker.example",
        "http://localhost",
        "https://127.0.0.1",
        "http://127.0.0.1",
        "file://",
        "",
    ):
        yield Way("POST", "/ask", (("origin", origin),), asked())
        yield Way("POST", "/save", (("origin", origin),), b"{}")
    for site in ("cross-site", "same-site", "CROSS-SITE", "no", ""):
        yield Way("GET", "/", (("sec-fetch-site", site),))
        yield Way("GET", "/state", (("sec-fetch-site", site),))
        yield Way("POST", "/ask", (("sec-fetch-site", site),), asked())
    for cookie in (
        "(none)",
        "",
        "a=b",
        "feedsim_desk=1",
        "=;=;=",
        "feedsim_desk_{port}=",
        "feedsim_desk_{port}=wrong",
        'feedsim_desk_{port}="',
        "x=" + "y" * 8000,
    ):
        for target in ("/", "/state", "/page/desk.js"):
            yield Way("GET", target, (("cookie", cookie),))
        yield Way("POST", "/ask", (("cookie", cookie),), asked())
    for kind in (
        "(none)",
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data",
    ):
        yield Way("POST", "/ask", (("content-type", kind),), asked())
        yield Way("POST", "/save", (("content-type", kind),), asked())
    for name, value in (
        ("content-encoding", "gzip"),
        ("content-length", "-1"),
        ("content-length", "1e9"),
        ("content-length", "9" * 30),
        ("content-length", "0x10"),
        ("transfer-encoding", "gzip, chunked"),
        ("transfer-encoding", "identity"),
    ):
        yield Way("POST", "/ask", ((name, value),), asked())
    two = (("content-length", "5"), ("content-length", "6"))
    yield Way("POST", "/ask", two, asked())
    yield Way("POST", "/ask", (("x" * 70_000, "y"),), asked())
    yield Way("POST", "/ask", tuple((f"x-{n}", "y" * 900) for n in range(90)), asked())
    yield Way("GET", "/state", (("host", "127.0.0.1:{port}"), ("host", "127.0.0.1:{port}")))


def bodies() -> Iterator[Way]:
    deep = 100_000
    for body in (
        b"",
        b"null",
        b"[]",
        b"0",
        b'"text"',
        b"{",
        b"{}",
        b"\xff\xfe",
        b"\x00" * 100,
        b"[" * deep,
        b"[" * deep + b"]" * deep,
        b'{"a":' * deep + b"1" + b"}" * deep,
        b'{"number":' + b"9" * 100_000 + b"}",
        b'{"number":1e999}',
        b'{"number":NaN}',
        b'{"number":Infinity}',
        asked()[:-1],
        asked() + b"x",
        json.dumps([QUESTION]).encode(),
        b"a" * (LARGEST_BODY + 1),
        b'{"text":"' + b"\\u0000" * 400_000 + b'"}',
        b"number=1&what=run",
    ):
        yield Way(body=body)
        yield Way(target="/save", body=body)
    for changes in (
        {"what": "everything"},
        {"what": None},
        {"what": ["run"]},
        {"what": "__class__"},
        {"number": "1"},
        {"number": -1},
        {"number": 1.5},
        {"number": True},
        {"number": 2**70},
        {"tab": ""},
        {"tab": "t" * 41},
        {"tab": 1},
        {"text": None},
        {"text": 1},
        {"text": "\ud800"},
        {"changes": ["title=\ud800"]},
        {"tab": "\udfff"},
        {"text": ["x"]},
        {"text": "x" * 1_000_001},
        {"changes": "line.speed=1"},
        {"changes": [1]},
        {"changes": [["a"]]},
        {"changes": ["a=1"] * 401},
        {"changes": ["a=" + "1" * 20_001]},
        {"file": 2},
        {"file": -1},
        {"file": "0"},
        {"file": "../x"},
        {"carriers": 0},
        {"carriers": -5},
        {"carriers": 10**9},
        {"carriers": "5000"},
        {"carriers": 1.0},
        {"units": "furlong"},
        {"a": "x"},
        {"a": {"text": "x", "more": 1}},
        {"a": {}},
        {"axes": ["a=1"] * 3},
        {"axes": "line.speed=1"},
        {"axes": ["x" * 3000]},
        {"within": 5},
        {"within": "x" * 100},
        {"carrier": -1},
        {"carrier": 10**10},
        {"feeder": 100},
        {"count": 0},
        {"count": 10**6},
        {"miss": "yes"},
        {"unknown": 1},
        {"__proto__": {"what": "run"}},
        {"from": "1"},
    ):
        yield Way(body=asked(**changes))
    for changes in ({"name": ""}, {"name": 1}, {"name": "x" * 121}, {"over": "x"}, {}):
        saving = {"text": QUESTION["text"], **changes}
        yield Way(target="/save", body=json.dumps(saving).encode())


RAW = (
    b"\r\n\r\n",
    b"\x00\x01\x02\x03",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 200,  # a TLS greeting
    b"GET\r\n\r\n",
    b"GET /\r\n\r\n",
    b"GET / HTTP/9.9\r\n\r\n",
    b"GET /  HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\n Host: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHo st: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\x00\r\n\r\n",
    b"GET /\xff HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 20_000 + b"\r\n",
    b"GET / HTTP/1.1\r\nA: " + b"a" * 200_000 + b"\r\n\r\n",
    b"G" * 100_000 + b" / HTTP/1.1\r\n\r\n",
    b"POST /ask HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
)


def hostile() -> list[Way]:
    return [*paths(), *methods(), *headers(), *bodies()]


def test_hostile_requests_end_in_a_clear_4xx_and_the_desk_answers_on(served: Listening) -> None:
    port = str(served.port)
    ways = [
        way._replace(
            headers=tuple((name, value.replace("{port}", port)) for name, value in way.headers)
        )
        for way in hostile()
    ]
    assert len(ways) + len(RAW) > 300
    for way in ways:
        answer = sent(served, written(served, way))
        told = (way.method, way.target[:80], str(way.headers)[:200], way.body[-80:], answer[:300])
        assert 400 <= status_of(answer) < 500, told
        assert served.keys.cookie.encode() not in answer
        assert b"Traceback" not in answer
    for raw in RAW:
        answer = sent(served, raw, is_whole=False)
        assert not answer or 400 <= status_of(answer) < 500, (raw[:80], answer)
    assert status_of(sent(served, written(served, Way("GET", "/state")))) == 200
    answer = sent(served, written(served, Way(body=asked())))
    assert status_of(answer) == 200
    assert b'"answer"' in answer


def test_every_refusal_has_words(served: Listening) -> None:
    for way in (Way("PUT"), Way("GET", "/x"), Way(body=b"{"), Way(headers=(("host", "x"),))):
        head, _, body = sent(served, written(served, way)).partition(b"\r\n\r\n")
        assert json.loads(body)["error"]
        assert b"content-security-policy: default-src 'none'" in head


@pytest.mark.parametrize("name", ["", " ", ".toml", "x", "../x.toml"])
def test_a_name_that_is_none_is_told_before_anything_is_written(
    served: Listening, name: str
) -> None:
    """Found in a thread, after the whole request has come: whoever waits is told."""
    body = json.dumps({"text": QUESTION["text"], "name": name}).encode()
    answer = sent(served, written(served, Way(target="/save", body=body)))
    assert status_of(answer) == 422
    (fault,) = json.loads(answer.partition(b"\r\n\r\n")[2])["faults"]
    assert "a plain name that ends in .toml" in fault["text"]


def test_a_question_that_was_broken_off_ends_in_nothing(served: Listening) -> None:
    short = written(served, Way(headers=(("content-length", "100000"),), body=asked()[:50]))
    assert b'"answer"' not in sent(served, short, is_whole=False)
    assert status_of(sent(served, written(served, Way("GET", "/state")))) == 200


def test_bombs_in_a_scenario_s_text_end_in_faults() -> None:
    desk = Asked(CARD)
    for text in (
        "",
        "x",
        "a = " + "[" * 50_000,
        "a" + ".a" * 5000 + " = 1",
        "a = " + "9" * 100_000,
        "[[feeder]]\n" * 20_000,
        "\x00",
        "feeder = 1",
        "carrier = []\nline = 5",
        'title = "' + "x" * 100_000 + '"',
    ):
        for what in ("knobs", "forms", "run", "speeds", "playing", "written", "command"):
            last = desk.lines(what, text=text)[-1]
            found = last.get("faults") or last.get("answer", {}).get("faults")
            assert found or what == "command", (text[:40], what, str(last)[:300])
    for change in ("x", "=", "line.speed=" + "[" * 10_000, "a.b.c=1", "feeder.9.name=x", "\x00=1"):
        assert desk.lines("forms", [change])[-1]["faults"]


def test_markup_in_a_scenario_is_text() -> None:
    desk = Asked(CARD)
    title = "</script><script>alert(1)</script><img src=x onerror=alert(1)>"
    told = desk.ask("playing", [f"title='{title}'"], carriers=60, count=5)
    assert "<script>alert" not in told["document"]
    assert "<img" not in told["document"]
    assert desk.ask("forms", [f"title='{title}'"])["title"] == title


def test_the_address_that_a_browser_is_started_with_opens_once() -> None:
    desk = Asked(CARD)
    once = desk.keys.once()
    desk.cookie = ""
    assert desk.get(f"/?key={once}").status == 200
    assert desk.get(f"/?key={once}").status == 403
    assert desk.get(f"/?key={desk.keys.lasting}").status == 200
    assert desk.get(f"/?key={desk.keys.lasting}").status == 200
    assert desk.get(f"/?key={desk.keys.cookie}").status == 403


def test_the_secret_leaves_the_address_and_no_script_can_read_it() -> None:
    desk = Asked(CARD)
    entered = desk.get(f"/?key={desk.keys.lasting}")
    assert 'http-equiv="refresh" content="0; url=/"' in entered.body.decode()
    assert desk.keys.lasting not in entered.body.decode()
    cookie = entered.headers["set-cookie"]
    assert cookie.endswith("; Path=/; HttpOnly; SameSite=Strict")
    assert entered.headers["referrer-policy"] == "no-referrer"
    for place in ("/", "/state", "/page/desk.js"):
        told = desk.get(place).body.decode()
        assert desk.keys.lasting not in told
        assert desk.keys.cookie not in told


def test_no_browser_is_told_of_a_missing_icon() -> None:
    desk = Asked(CARD)
    for place in (f"/?key={desk.keys.lasting}", "/"):  # a slow browser asks before it goes on
        assert '<link rel="icon" href="data:,">' in desk.get(place).body.decode()
    assert desk.get("/favicon.ico").status == 204
    desk.cookie = ""
    assert desk.get("/favicon.ico").status == 403


def test_no_script_and_no_style_stands_in_the_page() -> None:
    desk = Asked(CARD)
    page = desk.get("/")
    policy = page.headers["content-security-policy"]
    assert "unsafe" not in policy
    assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
    text = page.body.decode()
    assert "<style" not in text
    assert " style=" not in text
    for part in text.split("<script")[1:]:
        assert "src=" in part.partition(">")[0]
        assert part.partition(">")[2].startswith("</script>")


def test_too_many_questions_at_a_time_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Asked(CARD)
    monkeypatch.setattr("feedsim.desk.server._MOST_WAITING", 0)
    assert desk.post(desk.question("forms")).status == 429


def test_random_bytes_do_no_harm(served: Listening) -> None:
    chance = random.Random(7)  # noqa: S311 - chance, not secrecy
    good = written(served, Way(body=asked()))
    for _ in range(60):
        raw = bytearray(good)
        for _ in range(chance.randint(1, 6)):
            raw[chance.randrange(min(len(raw), 500))] = chance.randrange(256)
        answer = sent(served, bytes(raw))
        assert not answer or status_of(answer) < 500, bytes(raw[:500])
    assert status_of(sent(served, written(served, Way("GET", "/state")))) == 200
