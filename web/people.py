"""Who are you, and who else may come in? Signing in, invitations, roles, and tokens of machines."""

from __future__ import annotations

from flask import Blueprint, current_app, flash, redirect, render_template, request, session, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.database.states import Role
from planner.errors import Refused
from planner.services import people as services
from planner.services import second_factor
from web.access import OPEN, allow, local_path, name, who
from web.filters import when
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("people", __name__)


@pages.get("/sign-in")
@allow(OPEN)
def sign_in() -> ResponseReturnValue:
    """Show the form for signing in."""
    with reading_db() as db:
        the_season(db)
        nobody = db.scalar(select(tables.Person.id).limit(1)) is None
    return render_template(
        "sign_in.html", wrong=False, nobody=nobody, next=local_path(request.args.get("next"))
    )


@pages.post("/sign-in")
@allow(OPEN)
def take_sign_in() -> ResponseReturnValue:
    """Sign somebody in; the device gets a fresh token each time."""
    wanted = local_path(request.form.get("next"))
    with writing_db() as db:
        token = services.sign_in(
            db,
            request.form.get("name", ""),
            request.form.get("password", ""),
            request.remote_addr or "unknown",
            at=now(),
            shows=_shows_code,
        )
        told = _told(db, request.form.get("name", "").strip()) if token else ()
    if token is None:
        return render_template("sign_in.html", wrong=True, nobody=False, next=wanted), 422
    _hold(token)
    for words in told:
        flash(words)
    return redirect(wanted)


def _shows_code(person: tables.Person) -> bool:
    """Return whether a keeper typed the code of their device, where that is asked for (ASVS 4.0.3, 4.3.1)."""
    if not current_app.config["SECOND_FACTOR"] or person.role != Role.KEEPER:
        return True
    used: dict[int, int] = current_app.extensions["codes used"]
    theirs = second_factor.secret_of(current_app.config["SECRET_KEY"], person)
    step = second_factor.step_of(theirs, request.form.get("code", "")[:20], used.get(person.id, 0), at=now())
    if step is not None:
        used[person.id] = step
    return step is not None


def _told(db: Session, name: str) -> tuple[str, ...]:
    """Return in words what was changed lately about somebody's signing in (ASVS 4.0.3, 2.2.3 and 2.5.5)."""
    return tuple(
        f"{change.words}, {when(change.recorded_at)}, by {change.recorded_by}; tell a keeper if that is wrong"
        for change in services.lately_changed(db, name, at=now())
    )


@pages.post("/sign-out")
@allow(OPEN)
def sign_out() -> ResponseReturnValue:
    """End this device's signing in."""
    token = session.get("token")
    if token:
        with writing_db() as db:
            services.sign_out(db, token)
    session.clear()
    return redirect(url_for("people.sign_in"))


@pages.get("/welcome/<token>")
@allow(OPEN)
def welcome(token: str) -> ResponseReturnValue:
    """Show the form of an invitation."""
    with reading_db() as db:
        role = services.open_invitation(db, token, at=now()).role
    return render_template("welcome.html", role=role, token=token)


@pages.post("/welcome/<token>")
@allow(OPEN)
def accept(token: str) -> ResponseReturnValue:
    """Make the person of an invitation, and sign them in."""
    with writing_db() as db:
        person = services.accept_invitation(
            db, token, request.form.get("name", ""), request.form.get("password", ""), at=now()
        )
        asked = current_app.config["SECOND_FACTOR"] and person.role == Role.KEEPER
        held = None if asked else services.open_sign_in(db, person.id, at=now())
    if held is None:
        flash("you are known here; sign in with the code of your device, which the server's computer shows")
        return redirect(url_for("people.sign_in"))
    _hold(held)
    return redirect("/")


@pages.get("/password")
@allow(Role.VIEWER)
def password() -> ResponseReturnValue:
    """Show the form for a new password."""
    with reading_db() as db:
        the_season(db)
    return render_template("password.html", wrong=False)


@pages.post("/password")
@allow(Role.VIEWER)
def take_password() -> ResponseReturnValue:
    """Change the password of whoever is signed in; every device signs in anew."""
    if not changed_password(request.form.get("old", ""), request.form.get("new", "")):
        return render_template("password.html", wrong=True), 422
    session.clear()
    flash("the password is changed; sign in with the new one")
    return redirect(url_for("people.sign_in"))


def changed_password(old: str, new: str) -> bool:
    """Change the password of whoever asks; False where the old one is wrong."""
    person = who()
    if person is None or person.person_id is None:
        raise Refused("somebody who is signed in by themselves has no password")
    with writing_db() as db:
        return services.change_password(
            db, person.person_id, old, new, request.remote_addr or "unknown", at=now()
        )


def _hold(token: str) -> None:
    session.clear()  # nothing of what was before goes on under another name
    session["token"] = token


@pages.get("/units/<kind>")
@allow(OPEN)
def units(kind: str) -> ResponseReturnValue:
    """Tell lengths in inches on this device, or in millimetres again; nothing that is kept changes."""
    session["units"] = "inch" if kind == "inch" else "mm"
    return redirect(local_path(request.args.get("back")))


@pages.get("/people")
@allow(Role.KEEPER)
def everybody() -> ResponseReturnValue:
    """Show who may sign in, and which controllers may report."""
    return _everybody()


def _everybody(**made: str) -> str:
    with reading_db() as db:
        the_season(db)
        found = queries.people(db)
        tokens = queries.machine_tokens(db)
        machines = queries.machines(db, now=now())
    return render_template(
        "people.html", people=found, tokens=tokens, machines=machines, roles=tuple(Role), **made
    )


@pages.post("/people/invite")
@allow(Role.KEEPER)
def invite() -> ResponseReturnValue:
    """Make an invitation and show its address, once."""
    with writing_db() as db:
        token = services.invite(db, request.form.get("role", ""), by=name(), at=now())
    return _everybody(invitation=url_for("people.welcome", token=token, _external=True))


@pages.post("/people/<int:person_id>")
@allow(Role.KEEPER)
def change(person_id: int) -> ResponseReturnValue:
    """Change somebody's role, or let them sign in no more."""
    with writing_db() as db:
        person = services.set_role(
            db,
            person_id,
            request.form.get("role", ""),
            active="active" in request.form,
            by=name(),
            at=now(),
        )
        words = (
            f"{person.name} is {person.role} now" if person.active else f"{person.name} may sign in no more"
        )
    flash(words)
    return redirect(url_for("people.everybody"))


@pages.post("/tokens")
@allow(Role.KEEPER)
def make_token() -> ResponseReturnValue:
    """Make a machine's token and show it, once."""
    with writing_db() as db:
        token = services.make_machine_token(
            db,
            request.form.get("machine", 0, type=int),
            request.form.get("name", ""),
            by=name(),
            at=now(),
        )
    return _everybody(token=token)


@pages.post("/tokens/<int:token_id>/revoke")
@allow(Role.KEEPER)
def revoke_token(token_id: int) -> ResponseReturnValue:
    """Let a token count no longer."""
    with writing_db() as db:
        services.revoke_machine_token(db, token_id, "taken back on the page", by=name(), at=now())
    flash("the token counts no longer")
    return redirect(url_for("people.everybody"))
