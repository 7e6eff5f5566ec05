"""How did lanterns look, lit? Their pictures by exposure: only those taken alike can be compared."""

from __future__ import annotations

import re
from itertools import groupby

from flask import Blueprint, Response, flash, redirect, render_template, request, send_from_directory, url_for
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import Role
from planner.errors import NotFound, Refused
from planner.services import quality
from web.access import allow, name
from web.session import now, reading_db, the_season, venue, writing_db

pages = Blueprint("photos", __name__)
_NAME = re.compile(r"[0-9a-f]{24}\.(jpg|png)")
_TYPES = {"jpg": "image/jpeg", "png": "image/png"}


@pages.get("/photos")
@allow(Role.VIEWER)
def photos() -> ResponseReturnValue:
    """Show the pictures of lit lanterns, those of one exposure together."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        found = queries.photos(db, line.season_id)
    alike = [(exposure, list(some)) for exposure, some in groupby(found, lambda one: one.exposure)]
    return render_template("photos.html", found=found, alike=alike)


@pages.get("/photos/<photo>")
@allow(Role.VIEWER)
def photo(photo: str) -> Response:
    """Give a picture."""
    known = _NAME.fullmatch(photo)
    if known is None:
        raise NotFound("there is no such picture")
    return send_from_directory(quality.photo_folder(venue().settings), photo, mimetype=_TYPES[known[1]])


@pages.post("/ratings/<int:check_id>/photo")
@allow(Role.HAND)
def keep(check_id: int) -> ResponseReturnValue:
    """Keep the picture that somebody took when they rated a lantern."""
    sent = request.files.get("photo")
    if sent is None or not sent.filename:
        raise Refused("no picture was chosen")
    folder, content = quality.photo_folder(venue().settings), sent.read()
    with writing_db() as db:
        row = quality.keep_photo(
            db, check_id, content, request.form.get("exposure", ""), folder, by=name(), at=now()
        )
        job_id = row.job_id
    flash("the picture is kept")
    return redirect(url_for("floor.lit_check", job_id=job_id))
