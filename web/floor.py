"""What do I do now, at this machine? The next job, its checks, and what is reported of it in one tap."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, send_from_directory, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.lines import CutterLine, JobPage
from planner.database.states import Role
from planner.errors import NotFound
from planner.services import fleet, quality
from planner.services import floor as services
from planner.services.changes import note
from web import packages
from web.access import allow, name, who
from web.answers import shown_preparation
from web.remembered import remembered, shared
from web.session import now, reading_db, tell_times_in, the_season, venue, writing_db

pages = Blueprint("floor", __name__)


@pages.get("/floor")
@allow(Role.VIEWER)
@remembered
def machines() -> ResponseReturnValue:
    """Show the machines to choose one from, with what is next on each."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        found = shared(queries.machines, db, now=now())
        first = shared(queries.next_rows, db, line.season_id)
        runs = shared(queries.open_runs, db)
        waiting = quality.to_rate(queries.cut_lanterns(db, line.season_id))
    return render_template("floor.html", machines=found, first=first, runs=runs, waiting=waiting)


@pages.get("/floor/<int:machine_id>")
@allow(Role.VIEWER)
def machine(machine_id: int) -> ResponseReturnValue:
    """Show the job that is on at a machine, else the next one, with all that must be right before it."""
    tag = request.args.get("tag")
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        card = next((m for m in shared(queries.machines, db, now=now()) if m.machine_id == machine_id), None)
        if card is None:
            raise NotFound(f"there is no machine {machine_id}")
        rows = queries.planned_rows(db, line.season_id, machine_id=machine_id, open_only=True, limit=4)
        run = shared(queries.open_runs, db).get(machine_id)
        job_id = (
            run.job_id if run else request.args.get("job", type=int) or (rows[0].job_id if rows else None)
        )
        job = queries.job_page(db, job_id) if job_id else None
        blocks = (
            services.blocks(db, job.job_id, machine_id, now=now(), tag=tag) if job and run is None else ()
        )
        clamp = queries.clamp_number(db, job.piece.workpiece_id) if job and job.piece else 0
        plates = queries.carriers(db, job.piece.workpiece_id) if job and job.piece else ()
        revision = job.revision if job else 0
        missing = [block.words for block in blocks if block.rule == "cutter"]
        stored = _stored(db, machine_id, missing) if missing else []
    said = _said(job, machine_id)
    return render_template(
        "floor_machine.html",
        machine=card,
        job=job,
        run=run,
        rows=[row for row in rows if row.job_id != job_id],
        here=next((row for row in rows if row.job_id == job_id), None),
        blocks=blocks,
        said=said,
        clamp=clamp,
        plate=plates[0].carrier if plates else "",
        stored=stored,
        tag=tag,
        revision=revision,
        checks=services.CHECKS,
        scrap_reasons=services.SCRAP_REASONS,
        pause_reasons=services.PAUSE_REASONS,
    )


def _stored(db: Session, machine_id: int, missing: list[str]) -> list[CutterLine]:
    """Return usable cutters elsewhere whose type is told to be missing or too worn here."""
    return [
        cutter
        for cutter in shared(queries.cutters, db)
        if cutter.state in ("stored", "fitted")
        and cutter.machine_id != machine_id
        and any(cutter.type_name in words for words in missing)
    ]


def _said(job: JobPage | None, machine_id: int) -> dict[str, Any]:
    """Return what the job's package for this machine says."""
    if job is None:
        return {}
    shown = next(
        (p for p in job.preparations if p.machine_id == machine_id and p.folder and p.state == "done"), None
    )
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    return package.description if package else {}


@pages.get("/floor/<int:machine_id>/jobs/<int:job_id>/look.png")
@allow(Role.VIEWER)
def look(machine_id: int, job_id: int) -> ResponseReturnValue:
    """Give the predicted look of a job as prepared for one machine."""
    with reading_db() as db:
        found = queries.job_page(db, job_id)
    shown = next((p for p in found.preparations if p.machine_id == machine_id and p.folder), None)
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    if package is None or "lit.png" not in package.files:
        raise NotFound("there is no such picture")
    return send_from_directory(package.folder, "lit.png", mimetype="image/png", max_age=0)


@pages.get("/tag")
@allow(Role.VIEWER)
def go() -> ResponseReturnValue:
    """Go to the machine of a tag that was typed."""
    return redirect(url_for("floor.tag", number=request.args.get("number", "").strip()[:40] or "0"))


@pages.get("/tag/<number>")
@allow(Role.VIEWER)
def tag(number: str) -> ResponseReturnValue:
    """Go to the machine on which the piece with this tag is planned; what the sheet's code leads to."""
    with reading_db() as db:
        the_season(db)
        place = queries.machine_of_piece(db, number)
    if place is None:
        raise NotFound(f"the plan has no job for a piece with the tag {number}")
    return redirect(url_for("floor.machine", machine_id=place[1], job=place[0], tag=number))


@pages.post("/floor/<int:machine_id>/start")
@allow(Role.HAND)
def start(machine_id: int) -> ResponseReturnValue:
    """Keep that a job is started by the one who reports it."""
    with writing_db() as db:
        services.start(
            db,
            request.form.get("job", 0, type=int),
            machine_id,
            tag=request.form.get("tag", ""),
            checks=request.form.getlist("check"),
            by=name(),
            at=now(),
            revision=request.form.get("revision", type=int),
        )
    flash("started as reported by you; stay with the machine")
    return redirect(url_for("floor.machine", machine_id=machine_id))


@pages.post("/floor/runs/<int:run_id>/<step>")
@allow(Role.HAND)
def report(run_id: int, step: str) -> ResponseReturnValue:
    """Keep what happened to a run: paused, goes on, finished, stopped or scrapped."""
    reason, seen_in = request.form.get("reason", ""), request.form.get("resume_from", "")
    steps: dict[str, Callable[..., Any]] = {
        "pause": lambda db: services.pause(db, run_id, reason, by=name(), at=now()).run,
        "resume": lambda db: services.resume(db, run_id, at=now()).run,
        "finish": lambda db: services.finish(db, run_id, by=name(), at=now()),
        "stop": lambda db: services.stop(db, run_id, by=name(), at=now(), resume_from=seen_in),
        "lost": lambda db: services.lost_sight(db, run_id, reason, by=name(), at=now(), resume_from=seen_in),
        "scrap": lambda db: services.scrap(db, run_id, reason, by=name(), at=now()),
    }
    if step not in steps:
        raise NotFound(f"a run cannot be told {step!r}")
    with writing_db() as db:
        run = steps[step](db)
        machine_id, job_id = run.machine_id, run.job_id
    if step == "finish":
        flash("cut, as reported by you; next is the lit check")
        return redirect(url_for("floor.lit_check", job_id=job_id))
    flash(
        {
            "pause": "paused",
            "resume": "goes on",
            "stop": "stopped; the piece can be gone on with",
            "lost": "unknown - inspect: look at the piece, then three touches before anything is cut",
        }.get(step, f"scrapped: {reason}; the lead sees that another piece is wanted")
    )
    return redirect(url_for("floor.machine", machine_id=machine_id))


@pages.post("/floor/<int:machine_id>/recheck")
@allow(Role.HAND)
def recheck(machine_id: int) -> ResponseReturnValue:
    """Keep how far three touches were off."""
    with writing_db() as db:
        scan = services.recheck_scan(
            db,
            request.form.get("workpiece", 0, type=int),
            request.form.get("largest_mm", 100.0, type=float),
            by=name(),
            at=now(),
        )
        holds = scan.active
    flash("the scan counts anew" if holds else "the scan is void now; probe the piece again")
    tag = request.form.get("tag") or None
    job = request.form.get("job") or None
    return redirect(url_for("floor.machine", machine_id=machine_id, tag=tag, job=job))


@pages.post("/floor/<int:machine_id>/fit")
@allow(Role.HAND)
def fit(machine_id: int) -> ResponseReturnValue:
    """Keep that a cutter is fitted on a machine."""
    with writing_db() as db:
        cutter = fleet.fit_cutter(db, request.form.get("cutter", 0, type=int), machine_id)
        note(db, "fit", f"cutter {cutter.name} is fitted", by=name(), at=now())
        told = cutter.name
    flash(f"{told} is fitted, as reported by you")
    tag, job = request.form.get("tag") or None, request.form.get("job") or None
    return redirect(url_for("floor.machine", machine_id=machine_id, tag=tag, job=job))


@pages.get("/jobs/<int:job_id>/lit-check")
@allow(Role.VIEWER)
def lit_check(job_id: int) -> ResponseReturnValue:
    """Show the card on which a lit lantern is rated."""
    with reading_db() as db:
        found = queries.job_page(db, job_id)
        given = queries.ratings(db, job_id)
    tell_times_in(found.time_zone)
    shown = shown_preparation(found)
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    least = quality.FRONT if found.least_rating is None else found.least_rating
    return render_template(
        "lit_check.html",
        job=found,
        ratings=given,
        told=quality.rated([one.rating for one in given], least),
        package=package,
        faults=services.LIT_FAULTS,
    )


@pages.post("/jobs/<int:job_id>/lit-check")
@allow(Role.HAND)
def rate(job_id: int) -> ResponseReturnValue:
    """Keep one person's rating."""
    with writing_db() as db:
        services.rate(
            db,
            job_id,
            request.form.get("rating", 0, type=int),
            request.form.getlist("fault"),
            request.form.get("words", ""),
            by=name(),
            at=now(),
        )
    flash("rated")
    return redirect(url_for("floor.lit_check", job_id=job_id))


@pages.post("/ratings/<int:check_id>")
@allow(Role.HAND)
def put_right(check_id: int) -> ResponseReturnValue:
    """Put a rating right; the old one stays, void."""
    person = who()
    with writing_db() as db:
        check = quality.rating_right(
            db,
            check_id,
            request.form.get("rating", 0, type=int),
            request.form.get("reason", ""),
            of_others=person is not None and person.may(Role.LEAD),
            by=name(),
            at=now(),
        )
        job_id = check.job_id
    flash("put right; the earlier rating is kept and counts no longer")
    return redirect(url_for("floor.lit_check", job_id=job_id))


@pages.post("/jobs/<int:job_id>/place")
@allow(Role.HAND)
def place(job_id: int) -> ResponseReturnValue:
    """Keep that a lantern stands at its station."""
    with writing_db() as db:
        services.place(db, job_id, by=name(), at=now())
    flash("in place")
    return redirect(url_for("jobs.job", job_id=job_id))
