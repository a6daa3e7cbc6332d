"""Lets only browsers of the office in: by host, origin, session and token; no log of it names a customer."""

from __future__ import annotations

import hmac
import logging
import secrets
import time
from collections import OrderedDict
from dataclasses import dataclass
from hashlib import sha256
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from traceback import extract_tb

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from aftersun.office.users import LOOK, MANAGER, OFFICE, ROLES, Users

SESSION = "aftersun_session"
ENTER = "/enter"  # the address at which names and passwords are asked
_OPEN = (ENTER, "/static/office.css", "/static/mark.svg", "/static/htmx.min.js", "/static/office.js")
_BY_WHOM = {"/what-if": LOOK, "/leave": LOOK} | dict.fromkeys(
    ("/list", "/list-look", "/run", "/stop", "/prices"), MANAGER
)
"""Who may send a form to an address, at least; all others, the office."""
_LONGEST_S = 12 * 3600  # that somebody stays in
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


@dataclass(frozen=True)
class Door:
    """By which names and from which pages browsers come, and who is let in; without ``users`` everybody who comes."""

    hosts: frozenset[str]
    origins: frozenset[str]
    secure: bool = False  # behind TLS
    users: Users | None = None


class Sessions:
    """The browsers that were here: what to tell each once, and the token that its forms carry."""

    def __init__(self) -> None:
        self._secret = secrets.token_bytes(32)
        self._told: OrderedDict[str, list[str]] = OrderedDict()
        self._users: dict[str, tuple[str, float]] = {}  # by session who, and until when

    def known(self, session: str) -> bool:
        """Tell whether a session was begun here, and is not forgotten."""
        return session in self._told

    def begin(self) -> str:
        """Begin a session, and forget the one that was used longest ago if there are too many."""
        session = secrets.token_urlsafe(24)
        self._told[session] = []
        while len(self._told) > _MOST_SESSIONS:
            gone, _ = self._told.popitem(last=False)
            self._users.pop(gone, None)
        return session

    def enter(self, session: str, name: str) -> str:
        """Begin a session of a user in the place of that of a stranger."""
        self.leave(session)
        session = self.begin()
        self._users[session] = name, time.monotonic() + _LONGEST_S
        return session

    def leave(self, session: str) -> None:
        """End a session."""
        self._told.pop(session, None)
        self._users.pop(session, None)

    def user(self, session: str) -> str:
        """Return whose session it is, "" if nobody's."""
        name, until = self._users.get(session, ("", 0.0))
        return name if time.monotonic() < until else ""

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
    """Stands before the whole page."""

    def __init__(self, app: ASGIApp, door: Door, sessions: Sessions, most_bytes: int) -> None:
        self._app, self._door, self._sessions, self._most_bytes = app, door, sessions, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or have it answered."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope["method"], scope["path"], headers)
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
                if self._door.secure:
                    answered.setdefault("strict-transport-security", "max-age=31536000")
                if begun or scope["session_id"] != session:
                    answered.append("set-cookie", f"{SESSION}={scope['session_id']}; {self._cookie()}")
            await send(message)

        answer = PlainTextResponse(refused, 403) if refused else self._unknown(scope, session)
        if answer is not None:
            await answer(scope, receive, sending)
            return
        try:
            await self._app(scope, receive, sending)
        except Exception as error:  # what it says may hold a customer's data
            frame = extract_tb(error.__traceback__)[-1]
            _log.error("%s (%s, line %s)", type(error).__name__, Path(frame.filename).name, frame.lineno)
            if not started:
                told = "This is a mistake of the program; nothing was stored. Its log says where."
                await PlainTextResponse(told, 500)(scope, receive, sending)

    def _cookie(self) -> str:
        return f"Path=/; HttpOnly; SameSite=Strict{'; Secure' if self._door.secure else ''}"

    def _unknown(self, scope: Scope, session: str) -> Response | None:
        """Return what is answered to who has not entered, or may not do this; None to all others."""
        users, reads = self._door.users, scope["method"] in _READS
        name = self._sessions.user(session)
        role = users.role(name) if users else MANAGER
        scope["user_name"] = name if role else ""
        if users is None or scope["path"] in _OPEN:
            return None
        if not role:
            return RedirectResponse(ENTER, 303) if reads else PlainTextResponse("Enter first; nothing was stored.", 403)
        if not reads and ROLES.index(role) < ROLES.index(_BY_WHOM.get(scope["path"], OFFICE)):
            return PlainTextResponse(f"Who is in to {role} may not do this; nothing was stored.", 403)
        return None

    def _refused(self, method: str, path: str, headers: Headers) -> str:
        """Return why a request is not let in, "" if it is."""
        if headers.get("host", "").lower() not in self._door.hosts:
            return "This page has another address."
        if method in _READS:
            return ""
        if method != "POST":
            return "This page does not answer such requests."
        if headers.get("origin", "").lower() not in self._door.origins:
            return "A form of another page was sent here; nothing was stored."
        length, kind = headers.get("content-length", ""), headers.get("content-type", "")
        most = self._most_bytes if kind.startswith("multipart/form-data") and path == "/list" else _FORM_BYTES
        if not length.isdecimal() or int(length) > most:
            return "This is more than the page takes; nothing was stored."
        return ""


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""
