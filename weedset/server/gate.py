"""Who may come in: host, origin and session are checked before anything else happens."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: A request body holds at most this many bytes.
MOST_BODY = 256_000

_MOST_WRONG_CODES = 5

#: Nothing but what this server gives, no plug-ins, no frames, and no text that becomes markup.
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; "
        "require-trusted-types-for 'script'; trusted-types 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}

#: What a browser without a session may fetch: the page at the gate.
_OPEN_PATHS = ("/enter", "/static/enter.css", "/static/icon.svg")


class Doors:
    """The ways in: a link for the browser that this program opens, a code for a phone.

    Each link and each code lets one browser in, once; `on_new_code` hears of each code.
    Without `on_new_code` there are no codes: the link is the only door.
    """

    def __init__(
        self, hosts: frozenset[str], port: int, on_new_code: Callable[[str], None] | None
    ) -> None:
        self.hosts = hosts
        self.cookie = f"weedset_{port}"
        self.link_key = secrets.token_urlsafe(24)
        self._link_used = False
        self._on_new_code = on_new_code
        self._sessions: set[str] = set()
        self._wrong = 0
        self.code = ""
        self._new_code()

    @property
    def takes_codes(self) -> bool:
        """Whether a code lets anybody in."""
        return self._on_new_code is not None

    def enter_by_link(self, key: str) -> str | None:
        """Return a new session for the link's key, once."""
        if self._link_used or not _same(key, self.link_key):
            return None
        self._link_used = True
        return self._new_session()

    def enter_by_code(self, code: str) -> str | None:
        """Return a new session for the code; too many wrong ones make the code worthless."""
        if not self.takes_codes:
            return None
        right = _same("".join(code.split()), self.code)
        self._wrong = 0 if right else self._wrong + 1
        if right or self._wrong >= _MOST_WRONG_CODES:
            self._wrong = 0
            self._new_code()
        return self._new_session() if right else None

    def knows(self, session: str) -> bool:
        """Tell whether a session came in by one of the doors."""
        return any(_same(session, known) for known in self._sessions)

    def _new_session(self) -> str:
        session = secrets.token_urlsafe(24)
        self._sessions.add(session)
        return session

    def _new_code(self) -> None:
        if self._on_new_code is not None:
            self.code = f"{secrets.randbelow(1_000_000):06d}"
            self._on_new_code(self.code)


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())


class Gate:
    """ASGI middleware in front of the whole page."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self._app = app
        self._doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through to the page, or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        answer = self._answer(scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await (answer or self._app)(scope, _bounded(receive), send_with_headers)

    def _answer(self, scope: Scope) -> Response | None:
        """Return what to answer at the gate; None lets the request through."""
        headers, path = Headers(scope=scope), scope["path"]
        host = headers.get("host", "")
        if host not in self._doors.hosts:
            return PlainTextResponse("This page is not served under that address.", 403)
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("That is not how this page is asked.", 405)
        if scope["method"] == "POST" and headers.get("origin") != f"http://{host}":
            return PlainTextResponse("This was asked from another page.", 403)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return PlainTextResponse("This was asked from another page.", 403)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length[:12]) > MOST_BODY:
            return PlainTextResponse("That is more than a page ever sends.", 413)
        key = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        if path == "/" and key:
            session = self._doors.enter_by_link(key)
            return self.let_in(session) if session else RedirectResponse("/", 303)
        if path in _OPEN_PATHS or self._doors.knows(self._session(headers)):
            return None
        if path == "/":
            return RedirectResponse("/enter", 303)
        fix = "open the link that `weedset label` printed last; if it was used, start it again"
        return JSONResponse({"what": "This browser is not let in", "where": "", "fix": fix}, 401)

    def let_in(self, session: str) -> Response:
        """Return the answer that gives a browser its session."""
        response = RedirectResponse("/", 303)
        response.set_cookie(self._doors.cookie, session, httponly=True, samesite="strict")
        return response

    def _session(self, headers: Headers) -> str:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return ""
        return cookies[self._doors.cookie].value if self._doors.cookie in cookies else ""


def _bounded(receive: Receive) -> Receive:
    """Stop reading a body that goes on beyond what it may hold, whatever it announced."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        return {"type": "http.disconnect"} if seen > MOST_BODY else message

    return bounded
