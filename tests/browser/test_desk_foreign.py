"""A foreign page in the browser that has the desk open gets nothing of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from feedsim.desk.server import Listening
from tests.desk_asked import SCENARIOS
from tests.desk_served import served_desk

PATIENCE_S = 100

# All that a page may try on an address that is not its own; what it got to read is kept.
TRIES = """
const [root, done] = arguments;
const got = [], tried = [];
const attempt = async (name, work) => {
  try { const read = await work(); if (read) got.push([name, String(read).slice(0, 200)]); }
  catch (error) { /* refused by the browser */ }
  tried.push(name);
};
const loaded = (element, read) => new Promise((end) => {
  element.onload = () => end(read(element));
  element.onerror = () => end("");
  document.body.append(element);
  setTimeout(() => end(""), 3000);
});
const made = (tag, values) => Object.assign(document.createElement(tag), values);
const question = JSON.stringify({ number: 1, tab: "t", what: "command", text: "" });
(async () => {
  for (const path of ["", "state", "page/desk.js", "page/desk.css"])
    for (const mode of ["cors", "no-cors"])
      await attempt(`fetch ${mode} /${path}`, async () => {
        const answer = await fetch(root + path, { mode, credentials: "include" });
        return (await answer.text()) || (answer.type !== "opaque" && answer.status === 200 && "ok");
      });
  for (const path of ["ask", "save"])
    for (const type of ["application/json", "text/plain"])
      for (const mode of ["cors", "no-cors"])
        await attempt(`post ${mode} ${type} /${path}`, async () => {
          const headers = { "Content-Type": type };
          const how = { method: "POST", mode, credentials: "include", headers, body: question };
          return (await fetch(root + path, how)).text();
        });
  await attempt("beacon", () => { navigator.sendBeacon(root + "ask", question); });
  const script = made("script", { src: root + "page/desk.js" });
  await attempt("script", () => loaded(script, () => "it ran"));
  await attempt("module", () => import(root + "page/desk.js").then(() => "it ran"));
  const style = made("link", { rel: "stylesheet", href: root + "page/desk.css" });
  await attempt("style", () => loaded(style, (link) => {
    try { return link.sheet.cssRules.length; } catch { return ""; }
  }));
  const image = made("img", { src: root + "state" });
  await attempt("image", () => loaded(image, () => image.naturalWidth));
  await attempt("frame", () => loaded(made("iframe", { src: root }), (frame) => {
    try { return frame.contentDocument?.body?.textContent ?? ""; } catch { return ""; }
  }));
  await attempt("socket", () => new Promise((end) => {
    const socket = new WebSocket(root.replace("http", "ws") + "ask");
    socket.onopen = () => end("it opened");
    socket.onerror = () => end("");
  }));
  await attempt("window", async () => {
    const other = window.open(root + "state");
    await new Promise((end) => setTimeout(end, 500));
    let read = "";
    try { read = other?.document?.body?.textContent ?? ""; } catch { read = ""; }
    other?.close();
    return read;
  });
  done([got, tried]);
})();
"""


class Behind:
    """What stands behind the desk's gate, and which requests came through."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self.reached: list[str] = []

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.reached.append(f"{scope['method']} {scope['path']}")
        await self._app(scope, receive, send)

    def forget_what_was_under_way(self) -> None:
        """Forget what the desk's own page had asked for before it was left, once all has come."""
        came = -1
        while came != len(self.reached):
            came = len(self.reached)
            time.sleep(1.0)
        self.reached.clear()


@pytest.fixture
def served() -> Iterator[Listening]:
    with served_desk(SCENARIOS / "membership_card.toml") as there:
        yield there


@pytest.fixture
def elsewhere() -> Iterator[int]:
    """Serve an empty page on another port of this machine."""

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>elsewhere</title><body></body>")

        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Page) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


OWN_STATE = "const [done] = arguments; fetch('/state').then((r) => r.json()).then(done)"


def foreign_tries(browser: Any, served: Listening, address: str) -> tuple[Any, Any, set[str]]:
    """Open the desk, then the foreign page; return what it got, tried, and what came through."""
    from selenium.webdriver.support.wait import WebDriverWait

    driver, root = browser.driver, f"http://127.0.0.1:{served.port}/"
    driver.get(served.address(served.keys.lasting))
    # the secret has left the address
    WebDriverWait(driver, PATIENCE_S, 0.05).until(lambda _: driver.current_url == root)
    assert driver.execute_script("return document.cookie") == ""
    assert driver.execute_async_script(OWN_STATE)["files"]  # the desk itself is open
    WebDriverWait(driver, PATIENCE_S, 0.05).until(
        lambda _: driver.execute_script("return document.readyState") == "complete"
    )
    gate: Any = served.server.config.app
    behind = Behind(gate._app)
    gate._app = behind
    driver.get(address)
    behind.forget_what_was_under_way()
    got, tried = driver.execute_async_script(TRIES, root)
    # the browser itself asks for an icon of the window that the page has opened
    through = set(behind.reached) - {"GET /favicon.ico"}
    driver.get(root)  # typed in by the user, the desk opens still
    assert driver.execute_async_script(OWN_STATE)["files"]
    driver.get("about:blank")
    browser.console()
    return got, tried, through


# another port is the same site, for which a strict cookie is sent; another name is another site
@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_a_foreign_page_gets_nothing(
    browser: Any, served: Listening, elsewhere: int, host: str
) -> None:
    got, tried, through = foreign_tries(browser, served, f"http://{host}:{elsewhere}/")
    assert got == []
    assert len(tried) == 24
    assert through == set()


def test_without_the_gate_it_would_come_through(
    browser: Any, served: Listening, elsewhere: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Plant the fault: a gate that does not ask which site has begun a request."""
    monkeypatch.setattr("feedsim.desk.gate._from_elsewhere", lambda _: False)
    _, _, through = foreign_tries(browser, served, f"http://127.0.0.1:{elsewhere}/")
    assert "GET /state" in through
