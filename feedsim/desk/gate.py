"""Access: only the browser that has the secret, and only from the desk's own page."""

from __future__ import annotations

import json
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

LARGEST_BODY = 2_500_000  # bytes: two scenarios of 1 MB and their changes
_LONGEST_TARGET = 2000
_LARGEST_HEAD = 32_000  # bytes

Headers = dict[bytes, list[bytes]]
Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "frame-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'self'",
    )
)
_HEADERS = tuple(
    (name.encode(), value.encode())
    for name, value in {
        "content-security-policy": _POLICY,
        "x-content-type-options": "nosniff",
        "x-frame-options": "SAMEORIGIN",
        "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }.items()
)
_ENTRY = (
    b'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>feedsim desk</title>'
    b'<link rel="icon" href="data:,">'
    b'<meta http-equiv="refresh" content="0; url=/"></head>'
    b'<body><p><a href="/">To the desk</a></p></body></html>'
)


class Keys:
    """The keys of the desk.

    A key in an address opens it; the cookie given in exchange is another secret. Anyone who lists
    this machine's processes can see the address that a browser is started with, so its key opens
    once.
    """

    def __init__(self) -> None:
        self.lasting = secrets.token_urlsafe(32)
        self.cookie = secrets.token_urlsafe(32)
        self._once: set[str] = set()

    def once(self) -> str:
        """Return a new key that opens once."""
        key = secrets.token_urlsafe(32)
        self._once.add(key)
        return key

    def opens(self, key: str) -> bool:
        """Return whether a key opens; a one-time key is then used up."""
        if key in self._once:
            self._once.discard(key)
            return True
        return _same(key, self.lasting)


class Gate:
    """Passes requests of the desk's own page, on a port of 127.0.0.1, to an ASGI application.

    All others are refused with a message.
    """

    def __init__(self, app: App, *, keys: Keys, port: int) -> None:
        self._app, self._keys = app, keys
        self._host = f"127.0.0.1:{port}"
        self._cookie = f"feedsim_desk_{port}"  # cookies know no ports

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI)."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        send = _with_headers(send)
        headers: Headers = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        key = self._key(scope)
        refused = self._refused(scope, headers, entering=key is not None)
        if refused:
            await refusal(send, *refused)
        elif key is not None:
            await self._enter(key, send)
        else:
            await self._app(scope, receive, send)

    def _key(self, scope: Scope) -> str | None:
        """Return the key of an address; empty for any other request to the root."""
        if scope["path"] != "/" or not scope["query_string"]:
            return None
        try:
            query: str = scope["query_string"].decode("ascii")
            return parse_qs(query, max_num_fields=5)["key"][0]
        except (KeyError, ValueError):
            return ""

    def _refused(self, scope: Scope, headers: Headers, *, entering: bool) -> tuple[int, str] | None:
        raw = scope.get("raw_path") or scope["path"].encode("utf-8", "replace")
        own = f"http://{self._host}".encode()
        if len(raw) + len(scope["query_string"]) > _LONGEST_TARGET:
            return 414, "this address is too long"
        if sum(len(name) + len(value) for name, value in scope["headers"]) > _LARGEST_HEAD:
            return 431, "the head of this request is too large"
        if headers.get(b"host") != [self._host.encode()]:
            return 403, f"the desk is at {self._host} and nowhere else"
        if headers.get(b"origin", [own]) != [own] or (not entering and _from_elsewhere(headers)):
            return 403, "another page has asked; only the desk's own page may"
        if not entering and not self._has_cookie(headers):
            return 403, "open the address that feedsim desk printed"
        return _refused_body(headers) if scope["method"] == "POST" else None

    def _has_cookie(self, headers: Headers) -> bool:
        try:
            cookies = SimpleCookie(b"; ".join(headers.get(b"cookie", [])).decode("latin-1"))
        except CookieError:
            return False
        found = cookies.get(self._cookie)
        return found is not None and _same(found.value, self._keys.cookie)

    async def _enter(self, key: str, send: Send) -> None:
        """Exchange the key for a cookie, by a page that goes on to the desk.

        A redirection would not do: a browser does not send the cookie with requests that another
        site started, such as one from a mail or a file.
        """
        if not self._keys.opens(key):
            words = "this address opens no desk, or was used before: open the one that was printed"
            await refusal(send, 403, words)
            return
        cookie = f"{self._cookie}={self._keys.cookie}; Path=/; HttpOnly; SameSite=Strict"
        headers = [
            (b"content-type", b"text/html; charset=utf-8"),
            (b"content-length", str(len(_ENTRY)).encode()),
            (b"set-cookie", cookie.encode()),
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": _ENTRY})


async def refusal(send: Send, status: int, words: str) -> None:
    """Answer with a refusal in words."""
    body = json.dumps({"error": words}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
    ]
    if status == 413:
        headers.append((b"connection", b"close"))  # what else is sent is not read
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _from_elsewhere(headers: Headers) -> bool:
    """Return whether the browser reports that another site started this request."""
    return headers.get(b"sec-fetch-site", [b"none"])[0] not in {b"same-origin", b"none"}


def _refused_body(headers: Headers) -> tuple[int, str] | None:
    if b"origin" not in headers:
        return 403, "a question needs the origin of the desk's own page"
    kind = headers.get(b"content-type", [b""])[0].partition(b";")[0].strip().lower()
    if kind != b"application/json":
        return 415, "a question is application/json"
    if b"content-encoding" in headers:
        return 415, "a question must not be compressed"
    length = headers.get(b"content-length", [b"0"])[0]
    if not length.isdigit() or int(length[:12]) > LARGEST_BODY:
        return 413, f"a question has at most {LARGEST_BODY:,} bytes"
    return None


def _same(one: str, other: str) -> bool:
    return secrets.compare_digest(one.encode(), other.encode())


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", []), *_HEADERS]}
        await send(message)

    return sending
