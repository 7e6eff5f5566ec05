"""Does it work, and what will it look like? A drawing on a real piece, in the round, before it is cut."""

from __future__ import annotations

import re
from dataclasses import asdict
from functools import cache
from pathlib import Path, PurePath
from typing import Any

from flask import (
    Blueprint,
    Response,
    current_app,
    flash,
    jsonify,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.database.states import Role
from planner.errors import NotFound, Refused
from planner.services import designs, jobs, trying, works
from planner.services.changes import note
from planner.services.common import found
from planner.services.preparing import JobInputs
from web.access import allow, name
from web.filters import lengths, mm
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("maker", __name__)
_KINDS = (".svg", ".png", ".jpg", ".jpeg", ".tif", ".tiff")
_LARGEST = 20_000_000
_PIECES = 60
_STYLE_MARK = re.compile(r'getElementById\("([0-9a-f]{64})"\)')


@pages.get("/try")
@allow(Role.VIEWER)
def practice() -> ResponseReturnValue:
    """Show where to drop a drawing, and the designs there are."""
    with reading_db() as db:
        the_season(db)
        found_designs = queries.designs(db)
    return render_template("try.html", designs=found_designs)


@pages.post("/try")
@allow(Role.HAND)
def bring() -> ResponseReturnValue:
    """Take in a drawing or a picture as a design, and show it on a piece."""
    if "star" in request.form:
        content, file_name = (Path(current_app.static_folder or "") / "star.svg").read_bytes(), "star.svg"
    else:
        sent = request.files.get("file")
        if sent is None or not sent.filename:
            raise Refused("no file came with the form; choose a drawing or a picture")
        file_name = PurePath(sent.filename.replace("\\", "/")).name[:100]
        if PurePath(file_name).suffix.lower() not in _KINDS:
            raise Refused(f"{file_name} is of a kind that is not taken; send SVG, PNG, JPEG or TIFF")
        with sent.stream as stream:
            content = stream.read(_LARGEST + 1)
        if len(content) > _LARGEST:
            raise Refused(f"{file_name} is larger than 20 MB; send a smaller one")
    title = request.form.get("name", "").strip() or PurePath(file_name).stem.replace("_", " ").capitalize()
    treatment = request.form.get("treatment") or None
    with writing_db() as db:
        version = designs.add_design_version(
            db, title, content, file_name, treatment, None, by=name(), at=now()
        )
        version_id = version.id
    return redirect(url_for("maker.try_on", version_id=version_id))


@pages.get("/try/<int:version_id>")
@allow(Role.VIEWER)
def try_on(version_id: int) -> ResponseReturnValue:
    """Show a design on a piece."""
    with reading_db() as db:
        line = the_season(db)
        version = found(db, tables.DesignVersion, version_id)
        shown = {
            "version_id": version.id,
            "design": version.design.name,
            "version": version.version,
            "width_mm": version.width_mm,
            "height_mm": version.height_mm,
            "approved_by": version.approved_by,
            "approved_at": version.approved_at,
            "file_name": version.file_name,
            "versions": [(v.id, v.version) for v in version.design.versions],
        }
        pieces = queries.scanned_pieces(db, limit=_PIECES)
        trial = _trial(version_id)
        findings = _findings(trying.trial_inputs(db, trial)) if "judge" in request.args else None
        stations = queries.stations(db, line.season_id) if line else ()
    return render_template(
        "try_on.html",
        pieces=pieces,
        trial=trial,
        findings=findings,
        stations=stations,
        style_marks=style_marks(),
        **shown,
    )


def _trial(version_id: int) -> trying.Trial:
    """Return the trial that the address says."""

    def number(key: str, usual: float) -> float:
        return request.values.get(key, usual, type=float)

    piece = request.values.get("piece", type=int)
    width = request.values.get("width", type=float)
    return trying.Trial(
        design_version_id=version_id,
        workpiece_id=piece or None,
        longitude_deg=number("lon", 0.0),
        latitude_deg=number("lat", 5.0),
        turn_deg=number("turn", 0.0),
        mirror=request.values.get("mirror") == "1",
        width_mm=width or None,
    )


def _inputs(db: Session, version_id: int) -> JobInputs:
    return trying.trial_inputs(db, _trial(version_id))


@pages.get("/try/<int:version_id>/skin.json")
@allow(Role.VIEWER)
def skin(version_id: int) -> ResponseReturnValue:
    """Give the piece's skin for the round picture."""
    with reading_db() as db:
        inputs = _inputs(db, version_id)
    return jsonify(trying.skin_of(inputs) | {"piece": inputs.workpiece, "kind": inputs.kind})


@pages.get("/try/<int:version_id>/pattern.json")
@allow(Role.VIEWER)
def pattern(version_id: int) -> ResponseReturnValue:
    """Give the design as light on its sheet."""
    with reading_db() as db:
        inputs = _inputs(db, version_id)
    return jsonify(trying.pattern_of(inputs))


@pages.get("/try/<int:version_id>/findings.json")
@allow(Role.VIEWER)
def findings(version_id: int) -> ResponseReturnValue:
    """Say what is wrong with a design at its place, and what would help."""
    with reading_db() as db:
        inputs = _inputs(db, version_id)
    return jsonify(findings=_findings(inputs), width_mm=inputs.width_mm)


def _findings(inputs: JobInputs) -> list[dict[str, Any]]:
    return [
        {
            **finding,
            **{key: lengths(finding[key]) for key in ("text", "fix") if finding.get(key)},
            "widths": [
                {"words": f"Make it {mm(width)} wide ({words})", "width_mm": width}
                for words, width in trying.size_remedies(finding, inputs.width_mm)
            ],
            "bridge": trying.can_bridge(finding),
        }
        for finding in trying.judge(inputs)
    ]


@pages.post("/try/<int:version_id>/mend")
@allow(Role.HAND)
def mend(version_id: int) -> ResponseReturnValue:
    """Keep the design with bridges as its next version; the one before stays as it is."""
    with reading_db() as db:
        inputs = _inputs(db, version_id)
        version = found(db, tables.DesignVersion, version_id)
        title, stem = version.design.name, PurePath(version.file_name).stem
    drawn = trying.with_bridges(inputs)
    with writing_db() as db:
        mended = designs.add_design_version(
            db, title, drawn, f"{stem[:80]}.svg", None, inputs.width_mm, by=name(), at=now()
        )
        note(
            db,
            "design",
            f"{title}: version {mended.version} has bridges where it had none",
            by=name(),
            at=now(),
        )
        mended_id = mended.id
    flash("bridges are in; the version before is kept")
    kept: dict[str, Any] = {
        key: value for key, value in request.form.items() if key in ("piece", "lon", "lat", "turn", "mirror")
    }
    return redirect(url_for("maker.try_on", version_id=mended_id, **kept))


@pages.post("/try/<int:version_id>/time")
@allow(Role.HAND)
def time(version_id: int) -> ResponseReturnValue:
    """Ask the worker how long it runs on each machine."""
    trial = _trial(version_id)
    with writing_db() as db:
        found(db, tables.DesignVersion, version_id)
        work = works.ask_for_work(db, "try on", {"trial": asdict(trial)}, by=name(), at=now())
        work_id = work.id
    return jsonify(work_id=work_id), 202


@pages.get("/try/works/<int:work_id>.json")
@allow(Role.VIEWER)
def timed(work_id: int) -> ResponseReturnValue:
    """Say how far the timing is, and what it found."""
    with reading_db() as db:
        work = queries.work_result(db, work_id)
    return jsonify(state=work.state, error=work.error, result=work.result)


@pages.post("/designs/<int:version_id>/approve")
@allow(Role.LEAD)
def approve(version_id: int) -> ResponseReturnValue:
    """Keep that a version may be cut."""
    with writing_db() as db:
        version = designs.approve_design_version(db, version_id, by=name(), at=now())
        words = f"{version.design.name}, version {version.version}, is approved"
        note(db, "approve", words, by=name(), at=now())
    flash(words)
    return redirect(
        (request.form.get("back") == "designs" and url_for("produce.designs"))
        or url_for("maker.try_on", version_id=version_id)
    )


@pages.post("/try/<int:version_id>/job")
@allow(Role.LEAD)
def make_job(version_id: int) -> ResponseReturnValue:
    """Make a spare lantern of a trial, and have it prepared."""
    trial = _trial(version_id)
    if trial.workpiece_id is None:
        raise Refused("the foam sphere is for practice; choose a real piece first")
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise NotFound("there is no season yet, so there is no night to make it for")
        job = jobs.create_job(
            db,
            line.season_id,
            line.opening_night,
            by=name(),
            at=now(),
            design_version_id=version_id,
            workpiece_id=trial.workpiece_id,
            longitude_deg=trial.longitude_deg,
            latitude_deg=trial.latitude_deg,
            turn_deg=trial.turn_deg,
            mirror=trial.mirror,
            width_mm=trial.width_mm,
        )
        works.ask_for_work(db, "prepare job", {"job_id": job.id}, by=name(), at=now())
        job_id = job.id
        note(db, "job", f"spare lantern, job {job_id}, asked for", by=name(), at=now())
    flash("a spare lantern is asked for; its program is being written")
    return redirect(url_for("jobs.job", job_id=job_id))


@pages.post("/jobs/<int:job_id>/piece")
@allow(Role.LEAD)
def choose_piece(job_id: int) -> ResponseReturnValue:
    """Give a job another piece, and have it timed and prepared anew."""
    piece_id = request.form.get("piece", type=int)
    with writing_db() as db:
        job = jobs.choose_workpiece(db, job_id, piece_id, revision=request.form.get("revision", type=int))
        number = job.workpiece.number if job.workpiece else "none"
        note(db, "job", f"job {job_id} has piece {number} now", by=name(), at=now())
        if job.workpiece is not None and job.design_version is not None:
            works.ask_for_work(db, "prepare job", {"job_id": job_id}, by=name(), at=now())
    flash(f"piece {number} is chosen; it is being timed and prepared")
    return redirect(url_for("jobs.job", job_id=job_id))


@pages.post("/jobs/<int:job_id>/prepare")
@allow(Role.LEAD)
def prepare(job_id: int) -> ResponseReturnValue:
    """Ask the worker to write and prove a job's program."""
    said: dict[str, Any] = {"job_id": job_id}
    if machine_id := request.form.get("machine", type=int):
        said["machine_id"] = machine_id
    with writing_db() as db:
        found(db, tables.Job, job_id)
        works.ask_for_work(db, "prepare job", said, by=name(), at=now())
    flash("it is being prepared")
    return redirect(url_for("jobs.job", job_id=job_id))


@pages.get("/try/<int:version_id>/sheet")
@allow(Role.VIEWER)
def sheet(version_id: int) -> ResponseReturnValue:
    """Show a trial on one sheet, to be printed and talked about."""
    with reading_db() as db:
        the_season(db)
        version = found(db, tables.DesignVersion, version_id)
        design, number = version.design.name, version.version
        inputs = _inputs(db, version_id)
    return render_template(
        "paper_trial.html",
        design=design,
        number=number,
        trial=_trial(version_id),
        inputs=inputs,
        findings=trying.judge(inputs),
        version_id=version_id,
        ways={"version_id": version_id, **{k: v for k, v in request.args.items() if k != "paper"}},
        size="letter" if request.args.get("paper") == "letter" else "a4",
    )


@pages.get("/library/plotly.js")
@allow(Role.VIEWER)
def library() -> Response:
    """Give the drawing library as it lies in its own package; nothing is fetched from elsewhere."""
    answer = send_file(_library(), mimetype="text/javascript", max_age=604800)
    answer.headers["Cache-Control"] = "private, max-age=604800"
    return answer


@cache
def style_marks() -> tuple[str, ...]:
    """Return the names by which the drawing library knows that a style of its own is there already.

    It would write styles into the page, which the content policy forbids; it leaves that where it finds them.
    """
    return tuple(dict.fromkeys(_STYLE_MARK.findall(_library().read_text("utf-8"))))


@cache
def _library() -> Path:
    from importlib.util import find_spec

    spec = find_spec("plotly")  # looked up, not imported: only its one file is wanted
    if spec is None or spec.origin is None:
        raise NotFound("the library of the round preview is not installed")
    return Path(spec.origin).parent / "package_data" / "plotly.min.js"
