"""How does a venue bring in its own season? A form and a table for each kind of thing it has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session
from werkzeug.datastructures import FileStorage

from engine.errors import BadInput
from engine.files import text_of
from planner.database import queries
from planner.database.lines import SeasonLine
from planner.database.states import Role
from planner.errors import Forbidden, Refused
from planner.services import entering, wanting
from planner.services.columns import Holds
from planner.services.sheets import MOST_BYTES, SHEETS, Sheet, sheet_of
from web.access import allow, name, who
from web.remembered import remembered
from web.session import now, reading_db, the_season, writing_db, zone

pages = Blueprint("enter", __name__)
_INPUTS = {
    Holds.TEXT: ("text", "any"),
    Holds.NUMBER: ("number", "any"),
    Holds.WHOLE: ("number", "1"),
    Holds.DAY: ("date", "any"),
    Holds.CLOCK: ("time", "60"),
    Holds.INSTANT: ("datetime-local", "60"),
    Holds.WORDS: ("text", "any"),
    Holds.FILE: ("file", "any"),
}


@pages.get("/enter")
@allow(Role.HAND)
@remembered
def index() -> ResponseReturnValue:
    """Show what is there and what comes next."""
    with reading_db() as db:
        the_season(db)
        counts = entering.counts(db)
    first = next((sheet for sheet in SHEETS if counts.get(sheet.name) == 0), None)
    return render_template("enter.html", sheets=SHEETS, counts=counts, first=first)


@pages.get("/enter/<sheet_name>")
@allow(Role.HAND)
def sheet(sheet_name: str) -> ResponseReturnValue:
    """Show a sheet's form, and how to bring many rows at once."""
    shown = sheet_of(sheet_name)
    with reading_db() as db:
        line = the_season(db)
        nights = queries.nights_of(db, line.season_id) if line and shown.name == "nights" else ()
    return render_template("enter_sheet.html", sheet=shown, inputs=_INPUTS, nights=nights)


@pages.get("/enter/<sheet_name>.csv")
@allow(Role.HAND)
def empty(sheet_name: str) -> ResponseReturnValue:
    """Give a sheet's header line, to be filled in."""
    return Response(
        entering.empty_table(sheet_of(sheet_name)),
        mimetype="text/csv",
        headers={"Content-Disposition": f"attachment; filename={sheet_name}.csv"},
    )


@pages.post("/enter/<sheet_name>")
@allow(Role.HAND)
def one(sheet_name: str) -> ResponseReturnValue:
    """Enter one row, out of the form."""
    shown = _allowed(sheet_name)
    row = {column.name: request.form.get(column.name, "") for column in shown.columns}
    uploads = []
    for column in shown.columns:
        upload = request.files.get(column.name)
        if column.holds is Holds.FILE and upload and upload.filename:
            row[column.name] = upload.filename
            uploads.append(upload)
    with writing_db() as db:
        words = enter_rows(db, shown.name, [row], _contents(uploads))
    flash(words[0])
    return redirect(url_for("enter.sheet", sheet_name=shown.name))


@pages.post("/enter/<sheet_name>/table")
@allow(Role.HAND)
def table(sheet_name: str) -> ResponseReturnValue:
    """Enter a table with the files that its rows name."""
    shown = _allowed(sheet_name)
    upload = request.files.get("table")
    if not upload or not upload.filename:
        raise Refused("no table came along; choose a CSV file")
    brought = _contents(request.files.getlist("files"))
    try:
        text = text_of(upload.read(), upload.filename)
    except BadInput as error:
        raise Refused(str(error)) from None
    with writing_db() as db:
        line = the_season(db)
        words = entering.enter_table(
            db,
            shown.name,
            text,
            upload.filename,
            season_id=line.season_id if line else None,
            zone=zone(),
            by=name(),
            at=now(),
            files=_among(brought),
        )
    flash(f"{len(words)} rows: {words[0]}" + (" and others" if len(words) > 1 else ""))
    return redirect(url_for("enter.sheet", sheet_name=shown.name))


@pages.post("/enter/nights/all")
@allow(Role.LEAD)
def warmth() -> ResponseReturnValue:
    """Keep how warm the nights are said to be, all that are filled in."""
    rows = [
        {"night": key.removeprefix("night "), "temperature_c": value}
        for key, value in request.form.items()
        if key.startswith("night ") and value.strip()
    ]
    with writing_db() as db:
        words = enter_rows(db, "nights", rows, {})
    flash(f"{len(words)} nights; the next forecast knows of them")
    return redirect(url_for("enter.sheet", sheet_name="nights"))


def enter_rows(
    db: Session, sheet_name: str, rows: list[dict[str, str]], brought: Mapping[str, bytes]
) -> tuple[str, ...]:
    """Enter rows for who is signed in; files are found among those that came along."""
    line = the_season(db)
    return entering.enter(
        db,
        sheet_name,
        rows,
        season_id=line.season_id if line else None,
        zone=zone(),
        by=name(),
        at=now(),
        files=_among(brought),
    )


def _allowed(sheet_name: str) -> Sheet:
    shown = sheet_of(sheet_name)
    person = who()
    if person is None or not person.may(shown.role):
        raise Forbidden(f"a {shown.role} may enter {shown.name}; nothing was kept")
    return shown


def _contents(uploads: Iterable[FileStorage]) -> dict[str, bytes]:
    """Return the files by name; two of one name would stand for each other, so they are refused."""
    brought: dict[str, bytes] = {}
    for upload in uploads:
        if upload.filename in brought:
            raise Refused(f"two files are called {upload.filename[:60]!r}; give each a name of its own")
        if upload.filename:
            brought[upload.filename] = upload.read()
    return brought


def _among(brought: Mapping[str, bytes]) -> Callable[[str], bytes]:
    def read(file_name: str) -> bytes:
        if file_name not in brought:
            raise Refused(f"file {file_name[:60]!r} did not come along; choose it together with the table")
        if len(brought[file_name]) > MOST_BYTES:
            raise Refused(f"{file_name[:60]}: expected {MOST_BYTES / 1e6:g} MB at most")
        return brought[file_name]

    return read


# --- what a night still wants --------------------------------------------------------------------------


@pages.get("/wanted")
@allow(Role.VIEWER)
def wanted() -> ResponseReturnValue:
    """Show the lanterns that a night wants and nobody asked for yet."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        night = night_of(line, request.args.get("night", ""))
        wants = wanting.still_wanted(db, line.season_id, night)
    return render_template("wanted.html", night=night, wants=wants, line=line)


@pages.post("/wanted")
@allow(Role.LEAD)
def ask() -> ResponseReturnValue:
    """Ask for what a night still wants, or for the stations that are ticked."""
    ticked = frozenset(request.form.getlist("station", type=int))
    with writing_db() as db:
        flash(ask_for(db, request.form.get("night", ""), ticked))
    return redirect(url_for("choosing.choosing"))


def ask_for(db: Session, said: str, station_ids: frozenset[int]) -> str:
    """Ask for a night's lanterns at some stations, or at all that want one where none is named."""
    line = the_season(db)
    if line is None:
        raise Refused("there is no season yet; enter the season first")
    made = wanting.ask_for(
        db, line.season_id, night_of(line, said), by=name(), at=now(), station_ids=station_ids or None
    )
    return f"{len(made)} lanterns are asked for; choose their pieces next"


def night_of(line: SeasonLine, said: str) -> date:
    """Return the night that was asked for, else tonight, within the season."""
    today = now().astimezone(zone()).date()
    try:
        return date.fromisoformat(said) if said else min(max(today, line.opening_night), line.last_night)
    except ValueError:
        raise Refused(f"night is {said[:20]!r}, expected a day such as {line.opening_night}") from None
