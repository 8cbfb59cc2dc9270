"""Protection: what every request must pass before a page sees it, and what every answer carries.

In order: the Host header must name this machine as the connection reached it (no name that
somebody else points here), a visitor from another machine must have given the code, and whatever
changes something must come from a page of this site (Origin, Sec-Fetch-Site) with its token.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collarvision.handcount.entry import Gate, new_session

MAX_FORM_BYTES: Final = 256 * 1024
MAX_PHOTO_BYTES: Final = 40 * 1024 * 1024
TOKEN_HEADER: Final = "x-collarvision-token"
_SAFE: Final = ("GET", "HEAD")
_OPEN: Final = ("/enter", "/static/")
"""Paths, or beginnings of them, for visitors who haven't given the code yet."""

_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: Final = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not no-referrer: forms would then send "Origin: null".
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=(self)",
}


class TooLarge(Exception):
    """A request's body is larger than its path allows; the site answers it with `too_large`."""


class Protection:
    """ASGI middleware; see the module."""

    def __init__(self, app: ASGIApp, gate: Gate, port: int, names: Iterable[str] = ()) -> None:
        self._app, self._gate, self._port = app, gate, port
        self._names = frozenset(name.lower() for name in names) or _own_names()
        # Cookies know no ports: two surveys open at once must not share one.
        self._cookie = cookie_name(port)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # there are no web sockets here
        headers = Headers(scope=scope)
        session, known = self._session(headers)
        scope["session_name"] = session
        scope["local"] = is_loopback(_client(scope))
        send = self._with_headers(send, None if known else session, scope["local"])
        refusal = self._refusal(scope, headers, session, known)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        limit = MAX_PHOTO_BYTES if scope["path"] == "/photos" else MAX_FORM_BYTES
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length[:20]) > limit:
            await too_large()(scope, receive, send)
            return
        await self._app(scope, _bounded(receive, limit), send)

    def _refusal(
        self, scope: Scope, headers: Headers, session: str, known: bool
    ) -> Response | None:
        host = headers.get("host", "")
        if not self._is_ours(host, scope) or len(headers.getlist("host")) != 1:
            return _no(
                421, "Open this page by the address that the program shows, not by another name."
            )
        method, path = scope["method"], scope["path"]
        if method not in (*_SAFE, "POST"):
            return _no(405, "This page answers GET and POST only.")
        is_open = path == _OPEN[0] or path.startswith(_OPEN[1])
        if not (is_open or scope["local"] or self._gate.is_in(session)):
            if method in _SAFE and "text/html" in headers.get("accept", ""):
                return RedirectResponse("/enter", status_code=303)
            return _no(401, "Give the code first: open /enter.")
        if method in _SAFE:
            return None
        if headers.get("origin") != f"http://{host}":
            return _no(403, "This can only be sent from a page of this program.")
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return _no(403, "This can only be sent from a page of this program.")
        if path == _OPEN[0]:
            return None  # its form carries the token, and is read there
        if not known or not self._gate.is_token(session, headers.get(TOKEN_HEADER, "")):
            return _no(403, "This page is out of date: load it again, nothing is lost.")
        return None

    def _is_ours(self, host: str, scope: Scope) -> bool:
        """Whether a Host header names this machine as the connection came in, or by its name."""
        try:
            parts = urlsplit(f"//{host}")
            name, port = (parts.hostname or "").lower(), parts.port or 80
        except ValueError:
            return False
        if parts.netloc != host or parts.username is not None or parts.path:
            return False
        reached = scope.get("server") or ("", 0)
        if port != self._port:
            return False
        if name in ("localhost", "127.0.0.1", "::1"):
            return scope["local"] is True
        return name == str(reached[0]).lower() or name in self._names

    def _session(self, headers: Headers) -> tuple[str, bool]:
        """The visitor's session, and whether he brought it; else a new one."""
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return new_session(), False
        found = cookies.get(self._cookie)
        if found is not None and 32 <= len(found.value) <= 64 and found.value.isascii():
            return found.value, True
        return new_session(), False

    def _with_headers(self, send: Send, new: str | None, local: bool) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if local:
                    # Browsers heed it from this computer only, and grumble about it elsewhere.
                    headers["cross-origin-opener-policy"] = "same-origin"
                headers.setdefault("cache-control", "no-store")
                if (
                    new is not None
                    and "set-cookie" not in headers
                    and headers.get("content-type", "").startswith("text/html")
                ):
                    headers.append("set-cookie", session_cookie(self._port, new))
            await send(message)

        return sending


def cookie_name(port: int) -> str:
    """Name of the session's cookie on a site at this port."""
    return f"collarvision{port}"


def session_cookie(port: int, session: str) -> str:
    """A Set-Cookie header for a session: out of scripts' reach, never sent from another site."""
    return f"{cookie_name(port)}={session}; Path=/; HttpOnly; SameSite=Strict"


def is_loopback(address: str) -> bool:
    """Whether an address is this machine's own."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found).is_loopback


def too_large() -> Response:
    """What is answered to a body that is too large."""
    megabytes = MAX_PHOTO_BYTES // 2**20
    return _no(413, f"That is too large to be sent here: a photo may have {megabytes} MB.")


def _client(scope: Scope) -> str:
    client: Any = scope.get("client")
    return str(client[0]) if client else ""


def _own_names() -> frozenset[str]:
    name = socket.gethostname().lower()
    return frozenset({name, f"{name.partition('.')[0]}.local"}) - {""}


def _bounded(receive: Receive, limit: int) -> Receive:
    """A body whose length wasn't told, or was told wrong, ends here too."""
    read = 0

    async def receiving() -> Message:
        nonlocal read
        message = await receive()
        read += len(message.get("body", b""))
        if read > limit:
            raise TooLarge
        return message

    return receiving


def _no(status: int, words: str) -> Response:
    return PlainTextResponse(words, status_code=status)
