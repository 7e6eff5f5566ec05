"""Which piece in store for which lantern of a night? Suggested with reasons; a person takes one or all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.database.lines import SeasonLine
from planner.database.states import Role
from planner.errors import Conflict, NotFound, Refused
from planner.services import choosing as services
from planner.services import works
from planner.services.common import found
from web.access import allow, name
from web.remembered import remembered
from web.season import progress_of
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("choosing", __name__)
KIND = "choose pieces"
_BLEMISHES = 3  # lines of the form; more are kept by program


@dataclass(frozen=True, slots=True)
class Offer:
    """A suggestion, and the piece that its lantern has by now."""

    suggested: services.Suggestion
    has: str  # number of the piece; empty where it has none

    @property
    def open(self) -> bool:
        """Whether it can still be taken."""
        return not self.has and self.suggested.piece_id is not None


@pages.get("/choosing")
@allow(Role.VIEWER)
@remembered
def choosing() -> ResponseReturnValue:
    """Show what is suggested for a night, and what its lanterns have by now."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        nights = queries.wanted_nights(db, line.season_id)
        made = queries.newest_result(db, KIND, line.season_id)
        offers = offers_of(db, line.season_id, made)
        progress = progress_of(queries.work_progress(db))
    night = date.fromisoformat(made.arguments["night"]) if made else None
    return render_template(
        "choosing.html", nights=nights, made=made, night=night, offers=offers, works=progress,
        blemishes=range(1, _BLEMISHES + 1),
    )  # fmt: skip


def offers_of(db: Session, season_id: int, made: queries.WorkResult | None) -> tuple[Offer, ...]:
    """Return a work's suggestions with the pieces their lanterns have by now.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    made : WorkResult or None
        The work that suggested them [-].
    """
    if made is None:
        return ()
    has = queries.pieces_by_job(db, season_id, date.fromisoformat(made.arguments["night"]))
    told = (_suggestion(one) for one in made.result.get("suggestions", ()))
    return tuple(Offer(one, has[one.job_id]) for one in told if one.job_id in has)


def _suggestion(kept: dict[str, Any]) -> services.Suggestion:
    return services.Suggestion(
        **{**kept, "night": date.fromisoformat(kept["night"]), "reasons": tuple(kept["reasons"])}
    )


def ask_for(db: Session, line: SeasonLine, night: str) -> int:
    """Ask the worker for suggestions for a night, and return the work's number."""
    try:
        asked = date.fromisoformat(night)
    except ValueError:
        raise Refused(f"{night[:40]!r} is no night, expected such as 2026-10-24") from None
    if asked not in {row.night for row in queries.wanted_nights(db, line.season_id)}:
        raise Refused(f"no lantern of {asked} waits for a piece or its program; choose another night")
    said = {"season_id": line.season_id, "night": asked.isoformat()}
    return works.ask_for_work(db, KIND, said, by=name(), at=now()).id


def take(db: Session, season_id: int, work_id: int, job_ids: Sequence[int] | None) -> str:
    """Take the suggestions of a work for some jobs, or all that are still open, and say how many."""
    made = queries.work_result(db, work_id)
    if found(db, tables.Work, work_id).kind != KIND or made.arguments.get("season_id") != season_id:
        raise NotFound(f"work {work_id} suggested no pieces for this season")
    offers = {one.suggested.job_id: one for one in offers_of(db, season_id, made)}
    if job_ids is None:
        wanted = [one for one in offers.values() if one.open]  # what a person chose meanwhile stays
    else:
        missing = [number for number in job_ids if number not in offers]
        if missing:
            raise Conflict(f"nothing is suggested for job {missing[0]} any more; ask for suggestions again")
        wanted = [offers[number] for number in job_ids]
    taken = services.accept(db, season_id, [one.suggested for one in wanted], by=name(), at=now())
    if not taken:
        raise Conflict("no suggestion is open any more; every lantern that can have a piece has one")
    count = len(taken)
    return f"{count} {'piece is' if count == 1 else 'pieces are'} chosen as suggested"


def keep_skin(
    db: Session, number: str, rib_mm: float | None, blemishes: Sequence[tuple[float, float]]
) -> str:
    """Keep what was seen of a piece's skin, and say it."""
    workpiece_id = queries.piece_numbered(db, number)
    if workpiece_id is None:
        raise NotFound(f"there is no piece {number!r}")
    row = services.note_skin(db, workpiece_id, by=name(), at=now(), rib_mm=rib_mm, blemishes=blemishes)
    count = len(row.blemishes)
    return f"the skin of piece {row.number}: {count} {'blemish' if count == 1 else 'blemishes'}"


@pages.post("/choosing")
@allow(Role.LEAD)
def ask() -> ResponseReturnValue:
    """Ask for suggestions for a night."""
    with writing_db() as db:
        ask_for(db, _season(db), request.form.get("night", ""))
    flash("pieces are being looked for; the jobs stay as they are until you take a suggestion")
    return redirect(url_for("choosing.choosing"))


@pages.post("/choosing/<int:work_id>/take")
@allow(Role.LEAD)
def accept(work_id: int) -> ResponseReturnValue:
    """Take one suggestion, or all that are still open."""
    job_id = request.form.get("job", type=int)
    with writing_db() as db:
        words = take(db, _season(db).season_id, work_id, None if job_id is None else [job_id])
    flash(words)
    return redirect(url_for("choosing.choosing"))


@pages.post("/choosing/skin")
@allow(Role.HAND)
def skin() -> ResponseReturnValue:
    """Keep what was seen of a piece's skin."""
    form = request.form
    blemishes = [
        (_number(form[f"longitude_{n}"], "longitude"), _number(form.get(f"width_{n}", ""), "width"))
        for n in range(1, _BLEMISHES + 1)
        if form.get(f"longitude_{n}", "").strip()
    ]
    rib_mm = _number(form["rib_mm"], "rib height") if form.get("rib_mm", "").strip() else None
    with writing_db() as db:
        words = keep_skin(db, form.get("number", "").strip(), rib_mm, blemishes)
    flash(words)
    return redirect(url_for("choosing.choosing"))


def _number(text: str, what: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise Refused(f"{what} is {text[:20]!r}, expected a number") from None


def _season(db: Session) -> SeasonLine:
    line = the_season(db)
    if line is None:
        raise NotFound("there is no season yet")
    return line
