"""Answers what browsers ask: each address shows a screen, or stores one thing by the functions of the command line."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from aftersun.documents.letters.compose import Choices
from aftersun.documents.output_folder import Order, draft_letters, make_letters, make_notices
from aftersun.inventory.loading.bounds import LARGEST_FILE
from aftersun.inventory.log.call_log import DONE, learn, record_call
from aftersun.inventory.log.corrections import correct_call, take_fact_back
from aftersun.inventory.log.learnt_facts import dangers_that_work_may_end
from aftersun.inventory.log.letters import files_of
from aftersun.inventory.store import trail
from aftersun.model.errors import AftersunError
from aftersun.office import screens
from aftersun.office.guard import ENTER, TOKEN, Door, Guard, Sessions
from aftersun.office.list_in import Lists
from aftersun.office.runs import Runs, WhatIfs
from aftersun.office.templating import filled
from aftersun.office.users import Users
from aftersun.office.work import Office, Overtaken

_NAME = "aftersun_name"  # the cookie that says who somebody is
_A_YEAR_S = 365 * 24 * 3600
_LONGEST = 2_000  # characters of a field
_MOST_FIELDS = 5_000
_STATIC = Path(__file__).parent / "static"
_UNPRINTED = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True)
class Asked:
    """What a browser asks for: the fields of its address, or of the form that it sends, and who sends it."""

    path: str
    fields: Mapping[str, str]
    session: str
    token: str
    who: str
    told: list[str] = field(default_factory=list)
    file: UploadFile | None = None

    def __getitem__(self, name: str) -> str:
        """Return a field, "" where it was left out."""
        return self.fields.get(name, "")


@dataclass(frozen=True)
class Next:
    """Where a browser goes once something was stored, and what is said there."""

    address: str
    lines: tuple[str, ...] = ()


class Pages:
    """All screens of one inventory."""

    def __init__(
        self, office: Office, runs: Runs, what_ifs: WhatIfs, sessions: Sessions, users: Users | None = None
    ) -> None:
        self.office, self.runs, self.what_ifs, self.sessions = office, runs, what_ifs, sessions
        self.lists, self.users = Lists(office), users

    def routes(self) -> list[Route | Mount]:
        """Return all addresses: screens first, then what stores something."""
        shown = {
            "/": ("today.html", lambda _: screens.today(self.office)),
            "/people": ("people.html", lambda asked: screens.people(self.office, asked["q"])),
            "/found": ("found.html", lambda asked: screens.people(self.office, asked["q"])),
            "/site": ("site.html", lambda asked: screens.site(self.office, asked["site"])),
            "/list": ("list.html", lambda asked: self.lists.screen(asked["list"])),
            "/what-if": (
                "what_if.html",
                lambda asked: screens.what_if(self.office, self.what_ifs, asked["number"], asked["site"]),
            ),
            "/what-if-state": (
                "what_if_state.html",
                lambda asked: screens.what_if(self.office, self.what_ifs, asked["number"], asked["site"]),
            ),
            "/letters": ("letters.html", lambda _: screens.issued(self.office)),
            "/company": ("company.html", lambda _: screens.company(self.office)),
            "/journal": ("journal.html", lambda _: screens.journal(self.office)),
            "/run": ("run.html", lambda _: {"run": self.runs.state()}),
            "/run-state": ("run_state.html", lambda _: {"run": self.runs.state()}),
        }
        stored = {
            "/call": self.call,
            "/fact": self.fact,
            "/notice": self.notice,
            "/letter": self.letter,
            "/withdraw": self.withdraw,
            "/take-back": self.take_back,
            "/list": self.list_in,
            "/list-look": self.list_look,
            "/what-if": self.what_if,
            "/run": self.run,
            "/stop": self.stop,
            "/name": self.name,
        }
        return [
            *(Route(path, self._showing(*what), methods=["GET"]) for path, what in shown.items()),
            Route("/file", self._answering(self.file), methods=["GET"]),
            *(Route(path, self._storing(store), methods=["POST"]) for path, store in stored.items()),
            *((self._entering(), Route("/leave", self._leaving, methods=["POST"])) if self.users else ()),
            Mount("/static", StaticFiles(directory=_STATIC)),
        ]

    # what stores

    def call(self, asked: Asked) -> Next:
        """Record what came of a call, with the facts told on it."""
        site = asked["site"]
        names = ("outcome", "retrofit", "leave_until", "remark", "called_on", "array_id")
        entry = {name: asked[name] for name in names if asked[name]} | {"site_id": site}
        facts = {name.removeprefix("fact."): text for name, text in asked.fields.items() if name.startswith("fact.")}
        with self.office.writing(asked.who, site, _seen(asked)) as inventory:
            done = record_call(inventory, entry, {name: text for name, text in facts.items() if text.strip()})
            standing = dangers_that_work_may_end(inventory, site) if asked["outcome"] == DONE else []
        closed = (f"Customer {number} may not be called any more." for number in done.closed)
        mend = (
            f"On record here stands {name} = {value}. If this work has ended it, answer it below."
            for name, value, _ in standing
        )
        told = f"Recorded as entry {done.entries[0]}; {done.facts} facts learnt."
        return Next(_site(site), (told, *closed, *mend))

    def fact(self, asked: Asked) -> Next:
        """Put an answer into the inventory."""
        site, name = asked["site"], asked["column"]
        with self.office.writing(asked.who, site, _seen(asked)) as inventory:
            before = trail.newest(inventory)
            learn(
                inventory, site, {name: asked["value"]}, asked["origin"] or "the customer", array_id=asked["array_id"]
            )
            ended = trail.dangers_ended(inventory, before)
        lines = (f"A danger is no longer on record: {column} of {key}." for key, column in ended)
        return Next(_site(site), (f"{name.replace('_', ' ')} is stored; what it replaces is kept.", *lines))

    def notice(self, asked: Asked) -> Next:
        """Write the safety notice of a site; no contact rule is asked, and nothing is offered."""
        with trail.acting_as(asked.who):
            report = make_notices(self.office.path, [asked["site"]], False, Order(), self._letters(), date.today())
        return Next(_site(asked["site"]), (_written(report.letters.letters), *report.remarks))

    def letter(self, asked: Asked) -> Next | Response:
        """Show a letter as a draft, or number and keep it."""
        site, chosen = asked["site"], tuple(filter(None, [asked["option"]]))
        choices = Choices(options=chosen, remark=asked["remark"])
        if asked["as"] == "draft":
            (file, *_) = draft_letters(
                self.office.path, [site], choices, Order(), self.office.folder / "drafts", date.today()
            )
            return _download(file.name, file.data)
        with trail.acting_as(asked.who):
            report = make_letters(self.office.path, [site], choices, Order(), self._letters(), date.today())
        return Next(_site(site), (_written(report.letters.letters), *report.remarks))

    def file(self, asked: Asked) -> Response:
        """Return the bytes of an issued letter."""
        number = int(asked["version"]) if asked["version"].isdecimal() else None
        with self.office.inventory() as inventory:
            files = files_of(inventory, asked["number"], number)
        wanted = [file for file in files if file.output == asked["output"]] or files
        return _download(wanted[0].name, wanted[0].data)

    def withdraw(self, asked: Asked) -> Next:
        """Take an entry of the call log back: it stays on record and counts no more."""
        with self.office.writing(asked.who) as inventory:
            done = correct_call(
                inventory,
                _number(asked["entry"]),
                asked["why"],
                {},
                {},
                True,
                bool(asked["objection"]),
                bool(asked["danger"]),
            )
        return Next(
            "/journal", (f"Entry {asked['entry']} counts no more.", *(f"No longer so: {c}." for c in done.taken_back))
        )

    def take_back(self, asked: Asked) -> Next:
        """Take a fact back that was not told on a call."""
        with self.office.writing(asked.who) as inventory:
            gone, left = take_fact_back(inventory, _number(asked["fact"]), asked["why"], bool(asked["danger"]))
        lines = [f"No longer so: {cell}." for cell in gone] + [
            f"Still so, as something else says it: {cell}." for cell in left
        ]
        return Next("/journal", (f"Fact {asked['fact']} counts no more.", *lines))

    def list_in(self, asked: Asked) -> Next:
        """Take a list in, to be looked at."""
        return Next(f"/list?list={self.lists.take(asked.file)}")

    def list_look(self, asked: Asked) -> Next:
        """Read a list otherwise, or store it if nothing was said that nobody has looked at."""
        number = asked["list"]
        fresh, yes = self.lists.look_again(number, asked.fields), asked["as"] == "store"
        if fresh or not yes:
            said = "What you changed was read first: look at it, then say yes." if yes else "Read again."
            return Next(f"/list?list={quote(number, safe='')}", (said,))
        lines = self.lists.store(number, asked.who)
        return Next("/run", (*lines, "Rank now, so that the calls know of it."))

    def run(self, asked: Asked) -> Next:
        """Begin a ranking."""
        self.runs.start(asked.who)
        return Next("/run")

    def what_if(self, asked: Asked) -> Next:
        """Compute the run with other prices in the background."""
        values = {place: asked[place] for place in (*screens.SUPPOSED, "site")}
        changes = screens.changes(self.office, values)
        return Next(f"/what-if?number={self.what_ifs.begin(asked.who, values, changes)}")

    def stop(self, _asked: Asked) -> Next:
        """Stop the ranking."""
        self.runs.stop()
        return Next("/run")

    def name(self, asked: Asked) -> Next:
        """Say who somebody is; the cookie is set by whoever sends the answer."""
        return Next("/", (f"What you do is put down to {asked.who}.",))

    def _letters(self) -> Path:
        return self.office.path.parent / "letters"

    # how all of them are answered

    def _showing(
        self, template: str, screen: Callable[[Asked], Mapping[str, Any]]
    ) -> Callable[[Request], Awaitable[Response]]:
        return self._answering(lambda asked: HTMLResponse(self._filled(template, asked, **screen(asked))))

    def _answering(self, answer: Callable[[Asked], Response]) -> Callable[[Request], Awaitable[Response]]:
        async def answered(request: Request) -> Response:
            asked = self._asked(request, dict(request.query_params))
            return await run_in_threadpool(self._guarded, answer, asked)

        return answered

    def _storing(self, store: Callable[[Asked], Next | Response]) -> Callable[[Request], Awaitable[Response]]:
        async def stored(request: Request) -> Response:
            async with request.form(max_files=1, max_fields=_MOST_FIELDS) as form:
                texts = {name: value for name, value in form.items() if isinstance(value, str)}
                file = next((value for value in form.values() if isinstance(value, UploadFile)), None)
                asked = self._asked(request, texts, file)
                if not self.sessions.is_token(asked.session, asked[TOKEN]):
                    return self._message(
                        asked, 403, "This form is too old, or not from here; nothing was stored. Try again."
                    )
                if not asked.who:
                    return self._message(asked, 422, "Say who you are first; nothing was stored.")
                response = await run_in_threadpool(self._guarded, lambda asked: self._stored(store, asked), asked)
            if self.users is None:
                response.set_cookie(_NAME, quote(asked.who), _A_YEAR_S, httponly=True, samesite="strict")
            return response

        return stored

    def _entering(self) -> Route:
        async def entered(request: Request) -> Response:
            asked = self._asked(request, {})
            if request.method != "POST":
                return HTMLResponse(self._filled("enter.html", asked))
            async with request.form(max_files=0, max_fields=5) as form:
                name, password, token = (str(form.get(field, "")) for field in ("name", "password", TOKEN))
            assert self.users is not None
            right = False
            with suppress(AftersunError):  # wrong too often: said as wrong, and nobody learns of whom
                right = self.sessions.is_token(asked.session, token) and await run_in_threadpool(
                    self.users.enters, name, password
                )
            if not right:
                return self._message(
                    asked, 403, "Name and password do not fit, or were wrong too often: wait a minute."
                )
            request.scope["session_id"] = self.sessions.enter(asked.session, name)
            return RedirectResponse("/", 303)

        return Route(ENTER, entered, methods=["GET", "POST"])

    async def _leaving(self, request: Request) -> Response:
        async with request.form(max_files=0, max_fields=5) as form:
            if self.sessions.is_token(request.scope["session_id"], str(form.get(TOKEN, ""))):
                self.sessions.leave(request.scope["session_id"])
        return RedirectResponse(ENTER, 303)

    def _stored(self, store: Callable[[Asked], Next | Response], asked: Asked) -> Response:
        done = store(asked)
        if isinstance(done, Response):
            return done
        self.sessions.tell(asked.session, *done.lines)
        return RedirectResponse(done.address, 303)

    def _asked(self, request: Request, fields: Mapping[str, str], file: UploadFile | None = None) -> Asked:
        session = request.scope["session_id"]
        texts = {name: _UNPRINTED.sub(" ", text[:_LONGEST]).strip() for name, text in fields.items()}
        who = texts.get("who") or unquote(request.cookies.get(_NAME, ""))
        who = request.scope["user_name"] if self.users else _UNPRINTED.sub(" ", who).strip()[:60]
        return Asked(request.url.path, texts, session, self.sessions.token(session), who, file=file)

    def _guarded(self, answer: Callable[[Asked], Response], asked: Asked) -> Response:
        try:
            return answer(asked)
        except Overtaken as overtaken:
            site = asked["site"]
            kept = {name: text for name, text in asked.fields.items() if name not in (TOKEN, "seen")}
            with self.office.inventory() as inventory:
                seen = trail.newest(inventory, site)
            rows = screens.since(self.office, site, overtaken.since)
            text = self._filled("overtaken.html", asked, site=site, rows=rows, kept=kept, seen=seen)
            return HTMLResponse(text, 409)
        except AftersunError as error:
            return self._message(asked, 422, str(error), error.hint)

    def _message(self, asked: Asked, code: int, *lines: str) -> Response:
        return HTMLResponse(self._filled("message.html", asked, lines=[line for line in lines if line]), code)

    def _filled(self, template: str, asked: Asked, **values: Any) -> str:
        about = {
            "token": asked.token,
            "who": asked.who,
            "path": asked.path,
            "inventory": self.office.path.name,
            "users": self.users is not None,
        }
        told = [] if template in _PARTS else self.sessions.told(asked.session)
        return filled(template, **about, told=told, running=self.runs.state()["running"], **values)


_PARTS = ("found.html", "run_state.html", "what_if_state.html")  # of a page that is there already


def make_app(office: Office, runs: Runs, what_ifs: WhatIfs, door: Door) -> Guard:
    """Return the page as a server runs it, for browsers that come by a door."""
    sessions = Sessions()
    pages = Pages(office, runs, what_ifs, sessions, door.users)

    async def refused(request: Request, error: Exception) -> Response:
        code = error.status_code if isinstance(error, HTTPException) else 400
        asked = pages._asked(request, {})
        return await run_in_threadpool(pages._message, asked, code, "There is nothing at this address.")

    app = Starlette(routes=pages.routes(), exception_handlers={HTTPException: refused})
    return Guard(app, door, sessions, LARGEST_FILE)


def _site(site: str) -> str:
    return f"/site?site={quote(site, safe='')}"


def _seen(asked: Asked) -> int | None:
    return int(asked["seen"]) if asked["seen"].isdecimal() else None


def _number(text: str) -> int:
    with suppress(ValueError):
        return int(text)
    raise AftersunError("This is no number of an entry.", "Nothing was changed.")


def _written(written: tuple[Any, ...]) -> str:
    return " ".join(f"Letter {one.number}, version {one.version}, is written and kept." for one in written)


def _download(name: str, data: bytes) -> Response:
    kind = "application/pdf" if name.endswith(".pdf") else "application/octet-stream"
    way = "inline" if name.endswith(".pdf") else "attachment"
    return Response(data, media_type=kind, headers={"content-disposition": f'{way}; filename="{name}"'})
