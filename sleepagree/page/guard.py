"""Who may ask the page for anything: a browser on this machine that was given the key, and nobody through it."""

from __future__ import annotations

import secrets
import time
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Bytes of a request that carries answers and no file.
LARGEST_ANSWERS: Final = 4 * 1024 * 1024
#: Bytes of all files of a request: a laboratory's recording of a night, with room.
LARGEST_UPLOAD: Final = 4 * 1024**3

_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = {
    "content-security-policy": _POLICY,
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    # "no-referrer" would take the origin out of every form that is sent, too
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class TooLargeError(Exception):
    """A request that goes on for longer than it may."""


class Guard:
    """Lets through what the owner's browser asks, refuses everything else, and sets the headers of every answer.

    Parameters
    ----------
    app : ASGI application
        The page.
    port : int
        Where it listens.
    largest : int
        Bytes of a request that may carry files.
    """

    def __init__(self, app: ASGIApp, *, port: int, largest: int) -> None:
        self._app = app
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._cookie = f"sleepagree-{port}"  # cookies know hosts, not ports
        self._token = secrets.token_urlsafe(32)
        self._largest = largest
        self.key = secrets.token_urlsafe(32)
        self.last_asked = time.monotonic()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refusal(scope, headers)
        if refused:
            await PlainTextResponse(f"{refused}\n", 403, _HEADERS)(scope, receive, send)
        elif not self._has_cookie(headers):
            answer = RedirectResponse("/", 303, _HEADERS)
            answer.set_cookie(self._cookie, self._token, httponly=True, samesite="strict")
            await answer(scope, receive, send)
        else:
            self.last_asked = time.monotonic()
            await self._pass_on(scope, headers, receive, send)

    def _refusal(self, scope: Scope, headers: Headers) -> str:
        if headers.get("host", "").casefold() not in self._hosts:
            return "This page answers to 127.0.0.1 and localhost only."
        if headers.get("origin", "") not in ("", *(f"http://{host}" for host in self._hosts)):
            return "This page answers no other page."
        if not self._has_cookie(headers) and not self._has_key(scope):
            return "This page is for the one who started it. Open the address that 'sleepagree page' printed."
        return ""

    def _has_cookie(self, headers: Headers) -> bool:
        given = cookie_parser(headers.get("cookie", "")).get(self._cookie, "")
        return secrets.compare_digest(given.encode(), self._token.encode())

    def _has_key(self, scope: Scope) -> bool:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        opens = scope["method"] == "GET" and scope["path"] == "/"
        return opens and secrets.compare_digest(given.encode(), self.key.encode())

    async def _pass_on(self, scope: Scope, headers: Headers, receive: Receive, send: Send) -> None:
        has_files = headers.get("content-type", "").startswith("multipart/")
        most, got, begun = self._largest if has_files else LARGEST_ANSWERS, 0, False

        async def counted() -> Message:
            nonlocal got
            message = await receive()
            got += len(message.get("body", b""))
            if got > most:
                raise TooLargeError
            return message

        async def guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                answer = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    answer.setdefault(name, value)
            await send(message)

        try:
            length = headers.get("content-length", "0")
            if not length.isdecimal() or int(length) > most:
                raise TooLargeError
            await self._app(scope, counted, guarded)
        except TooLargeError:
            if not begun:
                text = f"That is more than this page takes at once: {most // 1024**2} MB.\n"
                await PlainTextResponse(text, 413, {**_HEADERS, "connection": "close"})(scope, receive, send)
