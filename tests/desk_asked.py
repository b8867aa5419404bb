"""A desk to ask in tests: through its gate, as a server would hand it requests, without a port."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from feedsim.desk.gate import Keys
from feedsim.desk.lines import opened
from feedsim.desk.server import Desk

PORT = 8123
HOST = f"http://127.0.0.1:{PORT}"
SCENARIOS = Path(__file__).parents[1] / "scenarios"


class Got(NamedTuple):
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Asked:
    """A desk, and a browser that was let in."""

    def __init__(self, *paths: Path) -> None:
        self.keys = Keys()
        self.desk = Desk([opened(path) for path in paths])
        self.app = self.desk.app(keys=self.keys, port=PORT)
        self.number = 0
        self.cookie = ""
        entered = self.get(f"/?key={self.keys.lasting}")
        assert entered.status == 200
        self.cookie = entered.headers["set-cookie"].partition(";")[0]

    def question(self, what: str, changes: Sequence[str] = (), **more: Any) -> dict[str, Any]:
        self.number += 1
        text = self.desk.files[0].text
        asked = {"number": self.number, "tab": "test", "what": what, "text": text}
        return asked | {"changes": list(changes)} | more

    def get(self, path: str, **headers: str) -> Got:
        return self.request("GET", path, headers)

    def post(self, data: Any, path: str = "/ask", **headers: str) -> Got:
        body = data if isinstance(data, bytes) else json.dumps(data).encode()
        given = {"origin": HOST, "content-type": "application/json"} | headers
        return self.request("POST", path, given, body)

    def request(self, method: str, path: str, headers: Mapping[str, str], body: bytes = b"") -> Got:
        plain, _, query = path.partition("?")
        given = {"host": HOST.removeprefix("http://"), "cookie": self.cookie} | headers
        scope = {
            "type": "http",
            "method": method,
            "path": plain,
            "raw_path": plain.encode(),
            "query_string": query.encode(),
            "headers": [(k.replace("_", "-").encode(), v.encode()) for k, v in given.items() if v],
        }
        return asyncio.run(_got(self.app, scope, body))

    def lines(self, what: str, changes: Sequence[str] = (), **more: Any) -> list[dict[str, Any]]:
        """Ask, and return every line of the answer."""
        found = self.post(self.question(what, changes, **more))
        assert found.status == 200, found.body
        return [json.loads(line) for line in found.body.splitlines()]

    def ask(self, what: str, changes: Sequence[str] = (), **more: Any) -> dict[str, Any]:
        """Ask, and return the answer."""
        last = self.lines(what, changes, **more)[-1]
        assert "answer" in last, last
        answer: dict[str, Any] = last["answer"]
        return answer


async def _got(app: Any, scope: dict[str, Any], body: bytes) -> Got:
    sent: list[dict[str, Any]] = []
    asked = [{"type": "http.request", "body": body, "more_body": False}]
    over = asyncio.Event()

    async def receive() -> dict[str, Any]:
        if asked:
            return asked.pop()
        await over.wait()
        return {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    start, *parts = sent
    headers = {name.decode(): value.decode() for name, value in start["headers"]}
    return Got(start["status"], headers, b"".join(part.get("body", b"") for part in parts))
