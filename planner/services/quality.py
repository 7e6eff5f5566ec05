"""How do lanterns look and last? Night walks, two raters, pictures, and lives refitted."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from hashlib import sha256
from io import BytesIO
from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.config import Settings
from planner.database import tables
from planner.database.queries import CutLantern
from planner.database.states import JobState, RunOutcome, WalkVerdict
from planner.errors import Conflict, Refused
from planner.schedule.life import LifeModel, life_used, multiplier
from planner.schedule.refit import Refit, Stay, refit
from planner.services.changes import note
from planner.services.common import amount_of, found, name_of, word_of
from planner.services.corrections import correct_rating

WALK_FAULTS = ("sag", "smell", "flies", "mould", "rot", "lamp", "eaten")
DIFFER = 2
"""Two raters who differ by more call a third (the trade's card)."""
LARGEST_SAG = 0.05
"""Of the stem's height lost: replace it the next day; common practice."""
FRONT, FAR = 7, 5
"""Least ratings: front rank, far stations; below the lantern is cut again."""
LARGEST_PHOTO = 20_000_000
_PHOTOS = {"JPEG": ".jpg", "PNG": ".png"}


def walk(
    db: Session,
    job_id: int,
    night: date,
    verdict: str,
    *,
    by: str,
    at: datetime,
    rating: int | None = None,
    sag: float | None = None,
    faults: Sequence[str] = (),
    words: str = "",
) -> tables.NightWalk:
    """Keep what a walker saw of a lantern; a stem that lost more than 5 % is never called sound.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    job_id : int
        The lantern, in its place [-].
    night : date
        Of the walk [-].
    verdict : str
        One of `WalkVerdict` [-].
    by : str
        Who walked [-].
    at : datetime
        When [-].
    rating : int, optional
        1 to 10 [-].
    sag : float, optional
        Share of its height that the stem has lost [-].
    faults : sequence of str
        Those of `WALK_FAULTS` that were seen [-].
    words : str
        A note, may be empty [-].
    """
    job = found(db, tables.Job, job_id)
    if job.state != JobState.PLACED:
        raise Conflict(f"job {job_id} is {job.state}; only a lantern in its place is walked past")
    word = word_of(WalkVerdict, verdict, "verdict")
    if rating is not None:
        amount_of(rating, "rating", 1, 10, "")
    if sag is not None:
        amount_of(sag, "sag", 0, 1, "")
        if sag > LARGEST_SAG and word == WalkVerdict.OK:
            word = WalkVerdict.TOMORROW
    row = tables.NightWalk(
        job_id=job_id,
        night=night,
        seen_at=at,
        verdict=word,
        rating=rating,
        sag=sag,
        faults=[fault for fault in faults if fault in WALK_FAULTS],
        note=words.strip()[:400],
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    db.flush()
    return row


def walk_back(db: Session, walk_id: int, *, by: str, at: datetime) -> tables.NightWalk:
    """Take back what a walker said; the entry stays, void, and what was said before counts again.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    walk_id : int
        The entry [-].
    by : str
        Who takes it back [-].
    at : datetime
        When [-].
    """
    row = found(db, tables.NightWalk, walk_id)
    if row.voided_at is not None:
        raise Conflict(f"this was taken back by {row.voided_by} already")
    row.void("taken back", by, at)
    db.flush()
    words = f"night walk of {row.night}, job {row.job_id}: {row.verdict} by {row.recorded_by} taken back"
    note(db, "walk", words, by=by, at=at, about=f"job {row.job_id}")
    return row


@dataclass(frozen=True, slots=True)
class ToReplace:
    """A lantern that the last walk wants replaced."""

    job_id: int
    station_id: int | None
    station: str
    verdict: str
    why: str


def replacements(db: Session, season_id: int, night: date) -> tuple[ToReplace, ...]:
    """Return the lanterns that the walks of a night want replaced, those for tonight first.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    night : date
        Of the walks [-].
    """
    row, job = tables.NightWalk, tables.Job
    last = (
        select(func.max(row.id))
        .where(row.night == night, row.voided_at.is_(None))
        .group_by(row.job_id)
        .scalar_subquery()
    )
    rows = db.execute(
        select(row, job.station_id, tables.Station.name)
        .join(job, job.id == row.job_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .where(row.id.in_(last), job.season_id == season_id, row.verdict != WalkVerdict.OK)
        .order_by(row.verdict.desc(), row.id)  # tonight sorts after tomorrow
    )
    ordered = [
        ToReplace(one.job_id, station, name or "spare", one.verdict, ", ".join(one.faults) or one.note)
        for one, station, name in rows
    ]
    return tuple(sorted(ordered, key=lambda r: r.verdict != WalkVerdict.TONIGHT))


# --- ratings -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rated:
    """What the raters say of a lantern: their mean, and whether it may be shown."""

    rating: float | None
    raters: int
    verdict: str
    """`show`, `far`, `cut again`, `another rater` or `third rater`."""


def rated(ratings: Sequence[int], least_rating: int = FRONT) -> Rated:
    """Return what ratings come to: two raters, a third where they differ by more than two.

    Parameters
    ----------
    ratings : sequence of int
        In the order in which they were given, 1 to 10 [-].
    least_rating : int
        Of the station [-].
    """
    if len(ratings) < 2:
        return Rated(float(ratings[0]) if ratings else None, len(ratings), "another rater")
    if len(ratings) == 2 and abs(ratings[0] - ratings[1]) > DIFFER:
        return Rated(sum(ratings) / 2, 2, "third rater")
    # the third decides: it stands with the nearer one of the first two
    pair = list(ratings[:2])
    if len(ratings) > 2 and abs(pair[0] - pair[1]) > DIFFER:
        pair = [ratings[2], min(pair, key=lambda r: abs(r - ratings[2]))]
    mean = sum(pair) / 2
    verdict = "show" if mean >= least_rating else "far" if mean >= FAR else "cut again"
    return Rated(mean, len(ratings), verdict)


@dataclass(frozen=True, slots=True)
class ToRate:
    """A cut lantern that still wants a rater, or that the ratings send back."""

    job_id: int
    label: str
    design: str
    workpiece: str
    store_place: str
    raters: tuple[str, ...]
    told: Rated


def to_rate(lanterns: Iterable[CutLantern]) -> tuple[ToRate, ...]:
    """Return which cut lanterns may not go out yet: another rater, a third, or cut again.

    Parameters
    ----------
    lanterns : iterable of CutLantern
        Those that are cut and not in their place [-].
    """
    out = []
    for one in lanterns:
        told = rated(one.ratings, FRONT if one.least_rating is None else one.least_rating)
        if told.verdict not in ("show", "far"):
            out.append(
                ToRate(one.job_id, one.label, one.design, one.workpiece, one.store_place, one.raters, told)
            )
    return tuple(out)


def rating_right(
    db: Session, check_id: int, rating: int, reason: str, *, of_others: bool, by: str, at: datetime
) -> tables.LitCheck:
    """Put a rating right: one's own, or anybody's by who may.

    Parameters
    ----------
    db : Session
        An open session [-].
    check_id : int
        The rating as it counts now [-].
    rating : int
        1 to 10 [-].
    reason : str
        Why it was wrong [-].
    of_others : bool
        Whether this person may put others' ratings right [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    check = found(db, tables.LitCheck, check_id)
    if check.recorded_by != by and not of_others:
        raise Conflict(f"this is {check.recorded_by}'s rating; ask {check.recorded_by} or a lead")
    return correct_rating(db, check_id, rating, reason, by=by, at=at)


def photo_folder(settings: Settings) -> Path:
    """Return where pictures of lit lanterns are kept: beside the packages, so that copies hold them too.

    Parameters
    ----------
    settings : Settings
        Of the venue [-].
    """
    return settings.packages / "photos"


def keep_photo(
    db: Session, check_id: int, content: bytes, exposure: str, folder: Path, *, by: str, at: datetime
) -> tables.LitCheck:
    """Keep the picture of a lit check under its digest; the check has its name.

    Parameters
    ----------
    db : Session
        An open session [-].
    check_id : int
        The lit check as it counts now; one's own [-].
    content : bytes
        A JPEG or PNG file [-].
    exposure : str
        With which it was taken, e.g. `1/4 s f/4 ISO 400`; the same for all that are to be compared [-].
    folder : Path
        Where pictures are kept.
    by : str
        Who took it [-].
    at : datetime
        When [-].
    """
    check = found(db, tables.LitCheck, check_id)
    if check.voided_at is not None:
        raise Conflict(f"rating {check_id} was put right; the picture belongs to the new one")
    ending = _PHOTOS.get(_kind_of(content) if len(content) <= LARGEST_PHOTO else "")
    if ending is None:
        raise Refused(f"the picture is no JPEG or PNG file of at most {LARGEST_PHOTO // 1_000_000} MB")
    check.exposure = " ".join(name_of(exposure, "exposure").split())
    check.photo = sha256(content).hexdigest()[:24] + ending
    folder.mkdir(parents=True, exist_ok=True)
    beside = folder / f".{check.photo}.part"
    beside.write_bytes(content)
    beside.replace(folder / check.photo)  # whole or not at all
    db.flush()
    note(db, "photo", f"lit check of job {check.job_id} has its picture, {check.exposure}", by=by, at=at,
         about=f"job {check.job_id}")  # fmt: skip
    return check


def _kind_of(content: bytes) -> str:
    """Return the format of a picture that can be opened, by what is in it; empty where it cannot."""
    from PIL import Image

    try:
        with Image.open(BytesIO(content), formats=tuple(_PHOTOS)) as picture:
            picture.verify()
            return picture.format or ""
    except Exception:  # whatever a spoiled file makes the library raise, it is no picture
        return ""


# --- how long they last --------------------------------------------------------------------------------


def stays(db: Session, season_id: int, model: LifeModel | None = None) -> tuple[Stay, ...]:
    """Return the lanterns that stood, with what they had used of a mean life when last sound and when done.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    model : LifeModel, optional
        By which use is reckoned; the default one when left out [-].
    """
    model = model or LifeModel()
    season = found(db, tables.Season, season_id)
    warmth = {night.night: night.temperature_c for night in season.nights if night.temperature_c is not None}
    cut = _cut_at(db, season_id)
    row, job = tables.NightWalk, tables.Job
    seen: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
    for number, at, verdict, faults in db.execute(
        select(row.job_id, row.seen_at, row.verdict, row.faults)
        .join(job, job.id == row.job_id)
        .where(job.season_id == season_id)
        .order_by(row.seen_at, row.id)
    ):
        seen[number].append((at, "other" if "eaten" in (faults or ()) else verdict))
    out = []
    for number, looks in seen.items():
        if number not in cut:
            continue
        began, treatment, lot = cut[number]
        sound = max((at for at, verdict in looks if verdict == WalkVerdict.OK), default=began)
        done = min((at for at, v in looks if v in (WalkVerdict.TONIGHT, WalkVerdict.TOMORROW)), default=None)
        factor = multiplier(model, relief=treatment == "relief")
        used_sound, warmer = _used(model, warmth, began, sound)
        used_until = math.inf if done is None else _used(model, warmth, began, done)[0]
        groups = (f"treatment {treatment}", f"lot {lot}")
        out.append(Stay(used_sound / factor, max(used_until / factor, used_sound / factor), warmer, groups))
    return tuple(out)


def _cut_at(db: Session, season_id: int) -> dict[int, tuple[datetime, str, str]]:
    run, job = tables.Run, tables.Job
    rows = db.execute(
        select(run.job_id, run.ended_at, tables.Station.kind, tables.Lot.name)
        .join(job, job.id == run.job_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .where(job.season_id == season_id, run.outcome == RunOutcome.FINISHED)
    )
    return {number: (ended, kind or "through", lot) for number, ended, kind, lot in rows if ended}


def _used(model: LifeModel, warmth: dict[date, float], begin: datetime, end: datetime) -> tuple[float, float]:
    """Return the share of a mean life used between two instants, and how warm it was in tens of degrees.

    Each day is as warm as its night; days before the first are as warm as that.
    """
    nights = sorted(warmth)
    used = total = warm = 0.0
    at = begin
    while at < end:
        step = min(end, at + timedelta(days=1))
        days = (step - at) / timedelta(days=1)
        night = next((n for n in nights if n >= at.date()), nights[-1])
        used += float(life_used(model, warmth[night], days))
        warm += days * (warmth[night] - model.reference_c) / 10.0
        total += days
        at = step
    return used, warm / total if total else 0.0


def refit_life(db: Session, season_id: int) -> Refit | None:
    """Return the life model as this season's walks have it; None while too few lanterns have ended.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    return refit(stays(db, season_id))
