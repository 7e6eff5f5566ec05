"""Which pieces and designs are there? Lists with what can be done with each."""

from __future__ import annotations

from base64 import b64encode
from pathlib import PurePath

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import LotState, Role
from planner.errors import NotFound
from planner.services import pieces
from planner.services import steps as bench
from planner.services import unrolled as laid
from web import filters, headers
from web.access import allow, name
from web.paging import Page, page_number
from web.remembered import remembered
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("produce", __name__)
_ROWS = 100
_TYPES = {".svg": "image/svg+xml", ".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg"}


@pages.get("/workpieces")
@allow(Role.VIEWER)
@remembered
def workpieces() -> ResponseReturnValue:
    """Show the pieces, by the page."""
    number, state = page_number(), request.args.get("state") or None
    with reading_db() as db:
        the_season(db)
        total = queries.workpiece_count(db, state=state)
        found = queries.workpieces(db, state=state, limit=_ROWS, offset=(number - 1) * _ROWS)
        lots = queries.lots(db)
        rot = {one.lot: one for one in pieces.rot_by_lot(db)}
    page = Page(number, _ROWS, total)
    return render_template(
        "workpieces.html", pieces=found, lots=lots, state=state, page=page, rot=rot, sample=pieces.SAMPLE
    )


@pages.get("/workpieces/<int:workpiece_id>")
@allow(Role.VIEWER)
def piece(workpiece_id: int) -> ResponseReturnValue:
    """Show one piece: its measures, its wall, its scans and what it is for."""
    with reading_db() as db:
        the_season(db)
        found = queries.workpiece_page(db, workpiece_id)
        way = [(one.happened_at, one.step, one.place, one.carrier, tuple(one.voided), one.recorded_by)
               for one in bench.way_of(db, workpiece_id)]  # fmt: skip
        steps = pieces.next_steps(db, workpiece_id)
    return render_template("piece.html", piece=found, line=found.line, way=way, steps=steps)


@pages.post("/workpieces/<int:workpiece_id>/steps")
@allow(Role.HAND)
def step(workpiece_id: int) -> ResponseReturnValue:
    """Keep what was done with a piece."""
    form = request.form
    kind, place, carrier = form.get("kind", ""), form.get("place", ""), form.get("carrier", "")
    with writing_db() as db:
        number = pieces.step(db, workpiece_id, kind, by=name(), at=now(), place=place, carrier=carrier).number
    flash(f"piece {number} is {kind}, as reported by you")
    return redirect(url_for("produce.piece", workpiece_id=workpiece_id))


@pages.post("/lots/<int:lot_id>/samples")
@allow(Role.HAND)
def sample(lot_id: int) -> ResponseReturnValue:
    """Keep a sample of a lot; it is refused where more than the grade allows was bad."""
    form = request.form
    with writing_db() as db:
        lot = pieces.sample_lot(
            db,
            lot_id,
            form.get("pieces", -1, type=int),
            form.get("bad", -1, type=int),
            form.get("soft_rot", -1, type=int),
            form.get("words", ""),
            by=name(),
            at=now(),
        )
        told = f"lot {lot.name} is {'refused' if lot.state == LotState.REJECTED else 'taken in'}"
    flash(told)
    return redirect(url_for("produce.workpieces", _anchor="lots-title"))


@pages.get("/workpieces/<int:workpiece_id>/unrolled.svg")
@allow(Role.VIEWER)
def unrolled(workpiece_id: int) -> ResponseReturnValue:
    """Give a piece's skin laid flat, with the picture of a job where one is named."""
    with reading_db() as db:
        texts = laid.texts_of(db, workpiece_id, request.args.get("job", type=int))
    shown = laid.unrolled(texts)
    drawn = render_template(
        "unrolled.svg",
        shown=shown,
        png=b64encode(shown.skin_png).decode(),
        unit=filters.mm(0).split(" ")[1],
        known=filters.mm(1),
    )
    answer = Response(drawn, mimetype="image/svg+xml", headers={"Cache-Control": "private, no-cache"})
    answer.headers["Content-Security-Policy"] = headers.PACKAGE
    answer.add_etag()
    return answer.make_conditional(request)  # an unchanged picture is not sent again


@pages.get("/designs")
@allow(Role.VIEWER)
@remembered
def designs() -> ResponseReturnValue:
    """Show the designs, and what stops those that are refused."""
    with reading_db() as db:
        the_season(db)
        found = queries.designs(db)
        tried = queries.refused_designs(db)
    return render_template("designs.html", designs=found, tried=tried, shown_as_picture=_shown_as_picture)


@pages.get("/designs/<int:design_version_id>/artwork")
@allow(Role.VIEWER)
def artwork(design_version_id: int) -> ResponseReturnValue:
    """Give a design's artwork as a picture."""
    with reading_db() as db:
        file_name, content = queries.artwork(db, design_version_id)
    if not _shown_as_picture(file_name):
        raise NotFound(f"{file_name} cannot be shown as a picture here")
    answer = Response(content, mimetype=_TYPES[PurePath(file_name).suffix.lower()])
    answer.headers["Content-Security-Policy"] = headers.PACKAGE
    answer.headers["Cache-Control"] = "private, max-age=604800"  # a version is never changed
    return answer


def _shown_as_picture(file_name: str) -> bool:
    return PurePath(file_name).suffix.lower() in _TYPES
