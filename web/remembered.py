"""May a page that was made a moment ago be given again? While nothing was written since, for some seconds.

One page serves all of a role: a browser's token and a person's name are put in when it is given. Of several
who ask for the same page at once one makes it, and the others wait for it. What several pages tell alike is
kept by the same rule (`shared`).

Times on a page are told by the minute, so a page of some seconds ago says the same. Whether anything was
written is asked of the database itself, whoever wrote: a page, the worker or a controller.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import wraps
from typing import Any, TypeVar

from flask import Flask, Response, current_app, g, make_response, request, session
from flask_wtf.csrf import generate_csrf
from markupsafe import escape
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from web.access import name, who
from web.session import now, venue_of

View = TypeVar("View", bound=Callable[..., Any])
Answer = TypeVar("Answer")
_HOLDS = timedelta(seconds=10)
_MOST = 300  # pages; a long list has many
_LOCKS = 64


@dataclass(frozen=True, slots=True)
class _Kept:
    version: str
    made_at: datetime
    what: Any


@dataclass(frozen=True, slots=True)
class _Page:
    body: str  # with stand-ins where each browser gets its own token and name
    mimetype: str


class Remembered:
    """The pages of one application that can be given again."""

    def __init__(self, engine: Engine) -> None:
        self.token, self.name = secrets.token_hex(20), secrets.token_hex(20)  # stand-ins
        self._engine = engine
        self._lock = threading.Lock()
        self._making = [threading.Lock() for _ in range(_LOCKS)]
        self._kept: OrderedDict[Any, _Kept] = OrderedDict()
        self._watching: Any = None  # SQLite tells what others wrote only to a connection that stays open

    def version(self) -> str:
        """Return a word that changes with everything that is written."""
        if self._engine.dialect.name == "sqlite":
            with self._lock:
                if self._watching is None:
                    self._watching = self._engine.raw_connection()
                    self._watching.detach()  # from the pool: it is ours from here on
                return str(self._watching.cursor().execute("PRAGMA data_version").fetchone()[0])
        with self._engine.connect() as connection:
            return str(connection.scalar(text("SELECT pg_current_snapshot()")))

    def making(self, key: Any) -> threading.Lock:
        """Return the lock of whoever makes a page; now and then two pages share one."""
        return self._making[hash(key) % _LOCKS]

    def found(self, key: Any, version: str, at: datetime) -> Any:
        """Return what was kept and still holds; None where there is nothing."""
        kept = self._kept.get(key)
        if kept is None or kept.version != version or not timedelta() <= at - kept.made_at < _HOLDS:
            return None
        return kept.what

    def keep(self, key: Any, version: str, at: datetime, what: Any) -> None:
        """Keep a page or an answer, and no more than some hundreds."""
        with self._lock:
            self._kept[key] = _Kept(version, at, what)
            self._kept.move_to_end(key)
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)


def register(app: Flask) -> None:
    """Let an application remember pages.

    Parameters
    ----------
    app : Flask
        The application [-].
    """
    kept = Remembered(venue_of(app).factory.kw["bind"])
    app.extensions["remembered"] = kept
    # a page that is kept must hold nobody's token
    app.jinja_env.globals["csrf_token"] = lambda: kept.token if g.get("for_all") else generate_csrf()


def remembered(view: View) -> View:
    """Let the answer of a view be given again while nothing was written.

    Parameters
    ----------
    view : callable
        It only reads, and says the same to all of one role, but for their name [-].
    """

    @wraps(view)
    def given(*args: Any, **values: Any) -> Any:
        if "_flashes" in session:  # what one person is told once
            return view(*args, **values)
        kept: Remembered = current_app.extensions["remembered"]
        person = who()
        role = (person.role, person.person_id is None) if person else None
        key = (request.host, request.full_path, role, session.get("units"))
        with kept.making(key):
            g.version = kept.version()
            page = kept.found(key, g.version, now())
            if page is None:
                answer = _for_all(kept, view, args, values)
                page = _Page(answer.get_data(as_text=True), answer.mimetype or "text/html")
                if answer.status_code != 200:
                    answer.set_data(_own(kept, page.body))
                    return answer
                kept.keep(key, g.version, now(), page)
        return Response(_own(kept, page.body), mimetype=page.mimetype)

    return given  # type: ignore[return-value]


def _for_all(kept: Remembered, view: View, args: Any, values: Any) -> Response:
    """Return the answer of a view with stand-ins."""
    person = who()
    g.for_all = True
    g.who = replace(person, name=kept.name) if person else None
    try:
        return make_response(view(*args, **values))
    finally:
        g.for_all, g.who = False, person


def _own(kept: Remembered, body: str) -> str:
    """Return a page with this browser's token in its forms, and with this person's name."""
    if kept.name in body:
        body = body.replace(kept.name, str(escape(name())))
    return body.replace(kept.token, generate_csrf()) if kept.token in body else body


def shared(question: Callable[..., Answer], db: Session, *args: Any, **values: Any) -> Answer:
    """Return the answer to a question of many pages, asked once while nothing was written, for some seconds.

    Parameters
    ----------
    question : callable
        Takes a session first, and returns records that nobody changes [-].
    db : Session
        An open session [-].
    args, values
        What else it takes; `now` may be some seconds ago, as on a page that is given again [-].
    """
    if request.method != "GET":  # it may see what is being written and is not kept yet
        return question(db, *args, **values)
    kept: Remembered = current_app.extensions["remembered"]
    if "version" not in g:  # asked before anything is read: what is written later makes it void
        g.version = kept.version()
    said = tuple(sorted((word, value) for word, value in values.items() if word != "now"))
    key = (question, args, said)
    answer: Answer | None = kept.found(key, g.version, now())
    if answer is None:
        answer = question(db, *args, **values)
        kept.keep(key, g.version, now(), answer)
    return answer
