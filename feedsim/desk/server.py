"""The server: its addresses, streamed answers, start and end."""

from __future__ import annotations

import asyncio
import io
import json
import math
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import redirect_stdout, suppress
from dataclasses import dataclass
from functools import partial
from importlib.resources import files as package_files
from types import FrameType
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from feedsim import __version__
from feedsim.answers.rehearse.page.page import linked_parts
from feedsim.desk.answering import LANES, QUICK, way_of
from feedsim.desk.engine import Engine
from feedsim.desk.gate import LARGEST_BODY, Gate, Keys
from feedsim.desk.lanes import GONE, Job, Lane, Reply
from feedsim.desk.lines import Opened, faults_plain
from feedsim.desk.questions import NotAQuestion, Question, Saving, What, read_question
from feedsim.desk.runs import ROUNDS
from feedsim.desk.taking import AlreadyThere, save
from feedsim.errors import FeedsimError
from feedsim.render.cautions import CAUTIONS

_MOST_WAITING = 40
_KINDS = {
    ".html": "text/html",
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
}


class Desk:
    """The application: the page, its scenarios (one or two), and the answers to its questions.

    It holds no state that an answer depends on.
    """

    def __init__(self, files: Sequence[Opened]) -> None:
        self.files = tuple(files)
        self.engine = Engine()
        free = threading.Event()
        self._lanes = {name: Lane(name, free, goes_first=name == QUICK) for name in LANES}
        self._page = _page()

    def app(self, *, keys: Keys, port: int) -> Gate:
        """Return the application, behind its gate."""
        routes = [
            Route("/", self._root, methods=["GET"]),
            Route("/page/{name}", self._part, methods=["GET"]),
            Route("/favicon.ico", self._icon, methods=["GET"]),
            Route("/state", self._state, methods=["GET"]),
            Route("/ask", self._ask, methods=["POST"]),
            Route("/save", self._save, methods=["POST"]),
        ]
        inner = Starlette(routes=routes, exception_handlers={404: _told, 405: _told})
        inner.router.redirect_slashes = False
        return Gate(inner, keys=keys, port=port)

    def warm(self) -> None:
        """Load what the first answer needs."""

        def answer(what: What) -> None:
            file = self.files[-1]
            question = Question(number=0, tab="desk", what=what, text=file.text, carriers=100)
            job = Job(None, lambda _: None, send=lambda _: None, most_s=math.inf)
            way_of(what).work(question, self.files, job)

        self.engine.warm([partial(answer, what) for what in ("knobs", "forms", "run")])

    def give_up(self) -> None:
        """Drop all work."""
        for lane in self._lanes.values():
            lane.give_up()

    async def _root(self, _: Request) -> Response:
        return self._page["desk.html"]

    async def _part(self, request: Request) -> Response:
        found = self._page.get(request.path_params["name"])
        return found or _error(404, "there is nothing of that name here")

    async def _icon(self, _: Request) -> Response:
        """Answer that there is no icon: browsers ask for one, also for an answer in JSON."""
        return Response(status_code=204)

    async def _state(self, _: Request) -> Response:
        return JSONResponse(
            {
                "feedsim": __version__,
                "files": [
                    {
                        "name": file.path.stem,
                        "file": file.path.name,
                        "folder": str(file.folder.resolve()),
                        "text": file.now(),
                    }
                    for file in self.files
                ],
                "engine": self.engine.state,
                "busy": {name: lane.load for name, lane in self._lanes.items()},
                "cautions": list(CAUTIONS),
                "rounds": list(ROUNDS),
            }
        )

    async def _ask(self, request: Request) -> Response:
        try:
            question = read_question(await _body(request), Question)
        except NotAQuestion as no:
            return _error(no.status, no.words)
        if sum(lane.load for lane in self._lanes.values()) >= _MOST_WAITING:
            return _error(429, "too many questions at a time: wait for an answer")
        way = way_of(question.what)
        head = {"number": question.number, "what": question.what}
        loop, lines = asyncio.get_running_loop(), asyncio.Queue[tuple[bytes, bool]]()

        def send(line: Reply) -> None:
            text = json.dumps(head | line, ensure_ascii=False, allow_nan=False)
            with suppress(RuntimeError):  # the loop has ended
                more = "progress" in line
                # half of a surrogate pair is written as JSON would escape it
                body = f"{text}\n".encode("utf-8", "backslashreplace")
                loop.call_soon_threadsafe(lines.put_nowait, (body, more))

        def work(job: Job) -> object:
            return way.work(question, self.files, job)

        job = Job((question.tab, question.what), work, send=send, most_s=way.most_s)
        self._lanes[way.lane].put(job)
        return _Lines(lines, on_gone=lambda: job.drop(GONE))

    async def _save(self, request: Request) -> Response:
        try:
            saving = read_question(await _body(request), Saving)
            saved = await asyncio.to_thread(save, saving, self.files)
        except NotAQuestion as no:
            return _error(no.status, no.words)
        except AlreadyThere as there:
            told = {"exists": there.name, "over": there.over, "words": str(there)}
            return JSONResponse(told, status_code=409)
        except FeedsimError as error:
            return JSONResponse({"faults": faults_plain(error.faults)}, status_code=422)
        return JSONResponse(saved)


class _Lines(Response):
    """An answer sent line by line; the job is dropped once nobody listens."""

    def __init__(
        self, lines: asyncio.Queue[tuple[bytes, bool]], *, on_gone: Callable[[], None]
    ) -> None:
        super().__init__(media_type="application/x-ndjson")
        del self.headers["content-length"]
        self._lines, self._on_gone = lines, on_gone

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Send line after line until the last one (ASGI)."""
        del scope
        start = {"type": "http.response.start", "status": 200, "headers": self.raw_headers}
        gone = asyncio.ensure_future(receive())  # after the body nothing comes but the end
        try:
            await send(start)
            more = True
            while more:
                get = asyncio.ensure_future(self._lines.get())
                await asyncio.wait({get, gone}, return_when=asyncio.FIRST_COMPLETED)
                if not get.done():
                    get.cancel()
                    return
                body, more = get.result()
                await send({"type": "http.response.body", "body": body, "more_body": more})
        finally:
            gone.cancel()
            self._on_gone()


class _Server(uvicorn.Server):
    """A server that drops its answers as soon as it is asked to end."""

    def __init__(self, config: uvicorn.Config, *, on_exit: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_exit = on_exit

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """End (a signal's handler)."""
        self._on_exit()
        super().handle_exit(sig, frame)


@dataclass(frozen=True, slots=True)
class Listening:
    """A listening desk, and its keys.

    ``server.run(sockets=[socket])`` serves until ``server.should_exit``, or a signal.
    """

    desk: Desk
    server: uvicorn.Server
    socket: socket.socket
    keys: Keys

    @property
    def port(self) -> int:
        """The port on 127.0.0.1."""
        port: int = self.socket.getsockname()[1]
        return port

    def address(self, key: str) -> str:
        """Return the address that opens it with a key."""
        return f"http://127.0.0.1:{self.port}/?key={key}"


def listening(files: Sequence[Opened], *, port: int) -> Listening:
    """Listen on this machine only; requests wait until the server runs.

    ``port``: on 127.0.0.1; 0 for a free one; OSError if it is taken.
    """
    there, keys, desk = socket.create_server(("127.0.0.1", port)), Keys(), Desk(files)
    config = uvicorn.Config(
        desk.app(keys=keys, port=there.getsockname()[1]),
        http="h11",
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",  # what a stranger sends is not for the user's terminal
        access_log=False,
        proxy_headers=False,
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=1,
    )
    return Listening(desk, _Server(config, on_exit=desk.give_up), there, keys)


def serve(files: Sequence[Opened], *, port: int, ready: Callable[[str, str], None]) -> None:
    """Serve until asked to end; OSError if the port is taken.

    ``ready`` is called with the address to print and a one-time address, once both work.
    """
    sys.setswitchinterval(1e-3)  # so that the loop answers while answers are worked out
    found = listening(files, port=port)
    with found.socket:
        found.desk.warm()
        ready(found.address(found.keys.lasting), found.address(found.keys.once()))
        with redirect_stdout(io.StringIO()):  # answers are not laid out for this terminal
            found.server.run(sockets=[found.socket])


async def _body(request: Request) -> bytes:
    """Read a body up to the largest size allowed (NotAQuestion), whatever its header says."""
    body = bytearray()
    try:
        async for part in request.stream():
            body += part
            if len(body) > LARGEST_BODY:
                raise NotAQuestion(413, f"a question has at most {LARGEST_BODY:,} bytes")
    except ClientDisconnect:
        raise NotAQuestion(400, "the question was cancelled") from None
    return bytes(body)


def _page() -> dict[str, Response]:
    """Read the files of the page once: nothing added later is served."""
    found = {}
    for file in package_files("feedsim.desk.page").iterdir():
        kind = _KINDS.get(file.name[file.name.rfind(".") :])
        if kind is not None:
            found[file.name] = Response(file.read_bytes(), media_type=kind)
    for name, text in linked_parts().items():
        found[name] = Response(text, media_type=_KINDS[name[name.rfind(".") :]])
    return found


async def _told(_: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    words = "there is nothing here" if status == 404 else "not in this way"
    return _error(status, words)


def _error(status: int, words: str) -> Response:
    return JSONResponse({"error": words}, status_code=status)
