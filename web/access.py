"""Who is looking, and may they? Every route says the least role it needs; one that does not is refused."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Flask, current_app, g, redirect, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFProtect

from planner.config import asks_keepers_for_codes, behind_https
from planner.database.states import Role
from planner.errors import Forbidden
from planner.services import people
from planner.services.people import Who
from web.session import now, reading_db

View = TypeVar("View", bound=Callable[..., Any])
OPEN = "everybody"
MACHINE = "machine"  # the API's way: a token instead of a person
_LOOPBACK = ("127.0.0.1", "::1")
_LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "::1")
DEMO_ROLE = Role.LEAD

csrf = CSRFProtect()


def allow(role: str) -> Callable[[View], View]:
    """Say the least role of a route: one of `Role`, `OPEN` or `MACHINE`.

    Parameters
    ----------
    role : str
        Who may, at least [-].
    """

    def marked(view: View) -> View:
        view.least_role = role  # type: ignore[attr-defined]
        return view

    return marked


def least_role(app: Flask, endpoint: str) -> str | None:
    """Return the least role of an endpoint; None where its view does not say."""
    return getattr(app.view_functions.get(endpoint), "least_role", None)


def register(app: Flask, folder: Path, *, demo: bool) -> None:
    """Let an application know its people: a secret of its own, signed cookies, tokens in forms.

    Parameters
    ----------
    app : Flask
        The application [-].
    folder : Path
        Where the secret is kept, for its owner's eyes only [-].
    demo : bool
        Whether somebody on this computer is signed in by itself as a demo lead [-].
    """
    app.extensions["codes used"] = {}  # the last step of each keeper; the pages are served by one process
    app.config.update(
        SECRET_KEY=secret(folder),
        # a browser gives such a name back to this host alone, and through HTTPS alone
        SESSION_COOKIE_NAME="__Host-lanternwright" if behind_https() else "lanternwright",
        SESSION_COOKIE_SECURE=behind_https(),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        WTF_CSRF_TIME_LIMIT=None,  # as long as the signing in
        DEMO=demo,
        SECOND_FACTOR=asks_keepers_for_codes(),
    )
    csrf.init_app(app)
    app.before_request(_guard)


def secret(folder: Path) -> bytes:
    """Return the key that signs cookies; made once, readable by its owner alone.

    Parameters
    ----------
    folder : Path
        Where it is kept [-].
    """
    path = folder / "secret"
    try:
        return path.read_bytes()
    except FileNotFoundError:
        pass
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as kept:
            kept.write(secrets.token_bytes(32))
    except FileExistsError:  # another one was faster
        pass
    return path.read_bytes()


def _guard() -> ResponseReturnValue | None:
    if request.endpoint is None or request.endpoint == "static":
        return None
    needed = least_role(current_app, request.endpoint)
    if needed in (OPEN, MACHINE):
        return None
    if needed is None:
        raise Forbidden("this page does not say who may see it, so nobody may")
    person = who()
    if person is None:
        if request.method == "GET" and not request.path.startswith("/api/") and ".json" not in request.path:
            return redirect(url_for("people.sign_in", next=request.full_path.rstrip("?")))
        raise SignInNeeded("sign in first; nothing was kept")
    if not person.may(needed):
        raise Forbidden(f"a {needed} may do this, you are signed in as {person.role}; ask a lead")
    return None


class SignInNeeded(Forbidden):
    """Nobody is signed in."""

    status = 401


def who() -> Who | None:
    """Return who is looking; None where nobody is signed in."""
    if "who" not in g:
        g.who = _found_out()
    person: Who | None = g.who
    return person


def name() -> str:
    """Return the name under which what this request does is recorded."""
    person = who()
    return person.name if person else "nobody"


def _found_out() -> Who | None:
    token = session.get("token")
    if token:
        with reading_db() as db:
            person = people.signed_in(db, token, at=now())
        if person is not None:
            return person
    if current_app.config["DEMO"] and _is_this_computer():
        return Who(None, "Demo lead", DEMO_ROLE)
    return None


def _is_this_computer() -> bool:
    """Return whether the browser runs on this computer and asked for it by a name of this computer.

    The second half keeps a page from elsewhere from pointing its own name here.
    """
    host = urlsplit(f"//{request.host}").hostname
    return request.remote_addr in _LOOPBACK and host in _LOOPBACK_HOSTS


def local_path(wanted: str | None) -> str:
    """Return where to go after signing in: a path of these pages, never another place."""
    if not wanted or not wanted.startswith("/") or wanted.startswith(("//", "/\\")) or "\\" in wanted:
        return "/"
    parts = urlsplit(wanted)
    return wanted if not parts.scheme and not parts.netloc and wanted.isprintable() else "/"
