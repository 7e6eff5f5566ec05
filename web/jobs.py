"""Which jobs are there, and is this one right to cut? The list, one job, and the files of its package."""

from __future__ import annotations

from flask import Blueprint, Response, render_template, request, send_from_directory
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import Role
from planner.errors import NotFound
from web import headers, packages
from web.access import allow
from web.answers import job_answer, shown_preparation
from web.paging import Page, page_number
from web.remembered import remembered
from web.season import progress_of
from web.session import reading_db, tell_times_in, the_season, venue

pages = Blueprint("jobs", __name__)
_ROWS = 50


@pages.get("/jobs")
@allow(Role.VIEWER)
@remembered
def jobs() -> ResponseReturnValue:
    """Show the jobs in which every word of a search stands."""
    words, number = request.args.get("q", "").strip()[:100], page_number()
    state = request.args.get("state") or None
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        found = queries.found_jobs(
            db, line.season_id, words=words, state=state, limit=_ROWS, offset=(number - 1) * _ROWS
        )
    page = Page(number, _ROWS, found.total)
    return render_template("jobs.html", found=found, q=words, state=state, page=page)


@pages.get("/jobs/<int:job_id>")
@allow(Role.VIEWER)
@remembered
def job(job_id: int) -> ResponseReturnValue:
    """Show one job."""
    with reading_db() as db:
        found = queries.job_page(db, job_id)
        pin = queries.pin_of(db, job_id)
        pieces = queries.scanned_pieces(db, limit=200)
        works = progress_of(queries.work_progress(db))
    tell_times_in(found.time_zone)
    shown = shown_preparation(found, request.args.get("preparation", type=int))
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    return render_template(
        "job.html",
        job=found,
        shown=shown,
        package=package,
        answer=job_answer(found, shown),
        pin=pin,
        pieces=[piece for piece in pieces if not piece.held],
        works=works,
    )


@pages.get("/jobs/<int:job_id>/files/<name>")
@allow(Role.VIEWER)
def file(job_id: int, name: str) -> ResponseReturnValue:
    """Give a file of the job's package."""
    return _file(job_id, name)


@pages.get("/pictures/<path:folder>/small.jpg")
@allow(Role.VIEWER)
def small_picture(folder: str) -> ResponseReturnValue:
    """Give the lit look of a package in small."""
    found = packages.folder_of(venue().settings.packages, f"{folder}/lit.png")
    if found is None or not found.is_file():
        raise NotFound("there is no such picture")
    picture = packages.small_picture(found, found.stat().st_mtime_ns)
    if picture is None:
        raise NotFound("this lit look cannot be read as a picture")
    # the address holds the time of writing, so what it stands for never changes
    return Response(picture, mimetype="image/jpeg", headers={"Cache-Control": "private, max-age=604800"})


def _file(job_id: int, name: str) -> Response:
    if not packages.is_known(name):
        raise NotFound("a job package holds no such file")
    with reading_db() as db:
        found = queries.job_page(db, job_id)
    shown = shown_preparation(found, request.args.get("preparation", type=int))
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    if shown is None or package is None or name not in package.files:
        raise NotFound(f"job {job_id} has no {name}; it may not be prepared yet")
    is_program = name.endswith(".nc")
    answer = send_from_directory(
        package.folder,
        name,
        mimetype=packages.type_of(name),
        as_attachment=is_program,
        download_name=f"job_{job_id}_{shown.machine}_{name}".replace(" ", "_") if is_program else None,
        max_age=0,
    )
    if name.endswith((".html", ".svg")):
        answer.headers["Content-Security-Policy"] = headers.PACKAGE
    return answer
