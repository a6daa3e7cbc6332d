"""Lets only browsers of the office in: by host, origin, session and token; no log of it names a customer."""

from __future__ import annotations

import hmac
import logging
import secrets
from collections import OrderedDict
from hashlib import sha256
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from traceback import extract_tb

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SESSION = "aftersun_session"
TOKEN = "token"  # name of the field of every form
_MOST_SESSIONS = 500
_FORM_BYTES = 200_000  # of all forms but those with a file
_READS = ("GET", "HEAD")
_POLICY = "; ".join(
    [
        "default-src 'none'",
        *(f"{kind}-src 'self'" for kind in ("script", "style", "img", "connect")),
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with none, browsers hide the origin of forms
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}

_log = logging.getLogger(__name__)


class Sessions:
    """The browsers that were here: what to tell each once, and the token that its forms carry."""

    def __init__(self) -> None:
        self._secret = secrets.token_bytes(32)
        self._told: OrderedDict[str, list[str]] = OrderedDict()

    def known(self, session: str) -> bool:
        """Tell whether a session was begun here, and is not forgotten."""
        return session in self._told

    def begin(self) -> str:
        """Begin a session, and forget the one that was used longest ago if there are too many."""
        session = secrets.token_urlsafe(24)
        self._told[session] = []
        while len(self._told) > _MOST_SESSIONS:
            self._told.popitem(last=False)
        return session

    def token(self, session: str) -> str:
        """Return what a form of a session has to carry."""
        return hmac.new(self._secret, session.encode(), sha256).hexdigest()

    def is_token(self, session: str, given: str) -> bool:
        """Tell whether a form carries the token of its session."""
        return hmac.compare_digest(self.token(session).encode(), given.encode())

    def tell(self, session: str, *lines: str) -> None:
        """Keep what the next page of a session says."""
        if session in self._told:
            self._told[session].extend(lines)
            self._told.move_to_end(session)

    def told(self, session: str) -> list[str]:
        """Return what is to be said, once."""
        lines = list(self._told.get(session, ()))
        if lines:
            self._told[session] = []
        return lines


class Guard:
    """Stands before the whole page. ``hosts`` are the values of the header Host by which it may be asked for."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], sessions: Sessions, most_bytes: int) -> None:
        self._app, self._hosts, self._sessions, self._most_bytes = app, hosts, sessions, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or have it answered."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope["method"], headers)
        session = _cookie(headers, SESSION)
        begun = not refused and not self._sessions.known(session)
        scope["session_id"] = session = self._sessions.begin() if begun else session
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                answered = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    answered.setdefault(name, value)
                if begun:
                    answered.append("set-cookie", f"{SESSION}={session}; Path=/; HttpOnly; SameSite=Strict")
            await send(message)

        if refused:
            await PlainTextResponse(refused, 403)(scope, receive, sending)
            return
        try:
            await self._app(scope, receive, sending)
        except Exception as error:  # what it says may hold a customer's data
            frame = extract_tb(error.__traceback__)[-1]
            _log.error("%s (%s, line %s)", type(error).__name__, Path(frame.filename).name, frame.lineno)
            if not started:
                told = "This is a mistake of the program; nothing was stored. Its log says where."
                await PlainTextResponse(told, 500)(scope, receive, sending)

    def _refused(self, method: str, headers: Headers) -> str:
        """Return why a request is not let in, "" if it is."""
        if headers.get("host", "").lower() not in self._hosts:
            return "This page has another address."
        if method in _READS:
            return ""
        if method != "POST":
            return "This page does not answer such requests."
        if headers.get("origin", "").lower().removeprefix("http://") not in self._hosts:
            return "A form of another page was sent here; nothing was stored."
        length, kind = headers.get("content-length", ""), headers.get("content-type", "")
        most = self._most_bytes if kind.startswith("multipart/form-data") else _FORM_BYTES
        if not length.isdecimal() or int(length) > most:
            return "This is more than the page takes; nothing was stored."
        return ""


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""
