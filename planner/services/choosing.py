"""Which piece in store for which lantern of a day? Suggested with reasons, taken by a person.

A piece that a job already has was a person's choice and stays. All other lanterns of the nights asked for are
given pieces at once, see `planner.schedule.choosing`; nothing is written before somebody accepts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import pi
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from planner.database import tables
from planner.database.states import JobState, LanternKind, LotState, ProduceKind, SizeClass, WorkpieceState
from planner.errors import Conflict, Refused
from planner.schedule.choosing import Blemish, Choice, ChoiceRules, Piece, Wish, choose_pieces
from planner.services import jobs
from planner.services.changes import note
from planner.services.common import amount_of, found

WALL_MM = 25.0
"""Taken where a wall was never gauged: thinned to an inch, the public rule; common practice."""
RIB_MM = 3.0
"""Taken where ribs were counted and not measured; common practice."""
CLOSES_ROUND = 0.9
"""A design that takes such a share of the way round its piece closes round it."""
_OPEN = (JobState.WANTED, JobState.CHOSEN)
_SOUND = (WorkpieceState.WHOLE, WorkpieceState.HOLLOW)
_PRODUCE = {SizeClass.ROOT: ProduceKind.TURNIP, SizeClass.GOURD: ProduceKind.GOURD}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A piece for a lantern, its design and where the picture's middle lies [deg], and why; in words."""

    job_id: int
    lantern: str
    night: date
    piece_id: int | None
    piece: str
    store_place: str
    design: str
    longitude_deg: float
    by_person: bool
    reasons: tuple[str, ...]

    @property
    def words(self) -> str:
        """The suggestion in one line."""
        taken = f"{self.piece} with {self.design}" if self.piece else "no piece"
        return f"{self.lantern}: {taken} ({'; '.join(self.reasons)})"


def suggest(
    db: Session,
    season_id: int,
    *,
    today: date,
    nights: Sequence[date] = (),
    rules: ChoiceRules | None = None,
) -> tuple[Suggestion, ...]:
    """Return a piece for every lantern that is not prepared yet; nothing is written.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    today : date
        To which the age of pieces is counted.
    nights : sequence of date
        The lanterns first lit in these nights; all of the season when left out.
    rules : ChoiceRules, optional
        Limits and points [-].
    """
    rules = rules or ChoiceRules()
    wanted = _wanted(db, season_id, nights)
    designs = _designs(db, wanted)
    able = [job for job in wanted if job.station is not None and designs[job.id]]
    held = {job.workpiece_id: job.workpiece for job in able if job.workpiece is not None}
    store = _store(db, [number for number in held if number is not None])
    pieces, notes = _pieces(db, store, today)
    by_number = {piece.number: piece for piece in store}
    wishes = [_wish(job, designs[job.id], rules) for job in able]
    choices = choose_pieces(wishes, pieces, rules)
    found_ones = {
        job.id: _told(job, choice, by_number, notes) for job, choice in zip(able, choices, strict=True)
    }
    none = [job for job in wanted if job.id not in found_ones]
    return tuple(found_ones.get(job.id) or _without(job) for job in [*able, *none])


def accept(
    db: Session, season_id: int, chosen: Sequence[Suggestion], *, by: str, at: datetime
) -> tuple[tables.Job, ...]:
    """Write suggestions into their jobs: piece, design, and the picture turned away from blemishes.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    chosen : sequence of Suggestion
        Those that a person takes [-].
    by : str
        Who takes them [-].
    at : datetime
        When [-].

    Raises
    ------
    Conflict
        Somebody has given the job a piece, or the piece away, since it was suggested.
    """
    taken = []
    for one in chosen:
        if one.by_person or one.piece_id is None:
            continue
        job = found(db, tables.Job, one.job_id)
        if job.season_id != season_id:
            raise Refused(f"job {job.id} is not of this season")
        if job.workpiece_id is not None:
            raise Conflict(f"{one.lantern} has got a piece in the meantime; a person's choice stays")
        before = {
            "job": job.id,
            "piece": one.piece_id,
            "design": job.design_version_id,
            "longitude_deg": job.longitude_deg,
        }
        if job.design_version_id is None:
            jobs.choose_design(db, job.id, _version(db, job, one.design))
        jobs.choose_workpiece(db, job.id, one.piece_id)
        if one.longitude_deg:
            jobs.place_design(
                db, job.id, one.longitude_deg, job.latitude_deg, job.turn_deg, job.mirror, job.width_mm
            )
        words = f"piece {one.piece} chosen for {one.lantern} as suggested: {'; '.join(one.reasons)}"
        note(db, "choose", words, by=by, at=at, about=f"job {job.id}", undo=before)
        taken.append(job)
    return tuple(taken)


def note_skin(
    db: Session,
    workpiece_id: int,
    *,
    by: str,
    at: datetime,
    rib_mm: float | None = None,
    blemishes: Sequence[tuple[float, float]] = (),
) -> tables.Workpiece:
    """Keep what was seen of a piece's skin at grading.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    workpiece_id : int
        The piece [-].
    by : str
        Who looked [-].
    at : datetime
        When [-].
    rib_mm : float, optional
        How high its ribs stand [mm].
    blemishes : sequence of tuple
        Longitude of each one's middle from the front mark [deg] and its width [mm].
    """
    piece = found(db, tables.Workpiece, workpiece_id)
    piece.rib_mm = None if rib_mm is None else amount_of(rib_mm, "rib height", 0, 60, "mm")
    piece.blemishes = [
        {
            "longitude_deg": amount_of(longitude, "longitude", -360, 360, "deg"),
            "width_mm": amount_of(width, "width of a blemish", 1, 500, "mm"),
        }
        for longitude, width in blemishes
    ]
    ribs = "not measured" if rib_mm is None else f"{rib_mm:g} mm"
    words = f"piece {piece.number}: {len(piece.blemishes)} blemishes, ribs {ribs}"
    note(db, "skin", words, by=by, at=at, about=f"piece {piece.number}")
    db.flush()
    return piece


# --- lanterns --------------------------------------------------------------------------------------------


def _wanted(db: Session, season_id: int, nights: Sequence[date]) -> list[tables.Job]:
    job = tables.Job
    asked = select(job).where(job.season_id == season_id, job.state.in_(_OPEN))
    if nights:
        asked = asked.where(job.night.in_(nights))
    return list(
        db.scalars(
            asked.options(
                selectinload(job.station).selectinload(tables.Station.choices),
                selectinload(job.workpiece),
                selectinload(job.design_version).selectinload(tables.DesignVersion.design),
            ).order_by(job.night, job.id)
        )
    )


def _designs(db: Session, wanted: Sequence[tables.Job]) -> dict[int, list[tables.DesignVersion]]:
    """Return for each job its design, or the newest approved versions of what may hang at its station."""
    version = tables.DesignVersion
    newest = select(func.max(version.id)).where(version.approved_at.is_not(None)).group_by(version.design_id)
    rows = db.scalars(select(version).where(version.id.in_(newest)).options(selectinload(version.design)))
    by_design = {row.design_id: row for row in rows}
    out: dict[int, list[tables.DesignVersion]] = {}
    for job in wanted:
        if job.design_version is not None:
            out[job.id] = [job.design_version]
        else:
            choices = [] if job.station is None else job.station.choices
            out[job.id] = [by_design[c.design_id] for c in choices if c.design_id in by_design]
    return out


def _version(db: Session, job: tables.Job, design: str) -> int:
    for version in _designs(db, [job])[job.id]:
        if version.design.name == design:
            return version.id
    raise Conflict(f"job {job.id}: {design} may hang there no more; ask for suggestions again")


def _wish(job: tables.Job, versions: Sequence[tables.DesignVersion], rules: ChoiceRules) -> Wish:
    station = job.station
    assert station is not None
    first, *others = [
        Wish(
            name=f"job {job.id}",
            kind=_PRODUCE.get(SizeClass(station.size_class), ProduceKind.SQUASH).value,
            size_class=station.size_class,
            width_mm=_width_mm(job.width_mm or version.width_mm, station.size_class, rules),
            treatment=LanternKind(station.kind).value,
            priority=job.priority,
            chosen=None if job.workpiece is None else job.workpiece.number,
            design=version.design.name,
        )
        for version in versions
    ]
    return Wish(
        first.name, first.kind, first.size_class, first.width_mm, first.treatment, first.priority,
        first.chosen, first.design, tuple(others),
    )  # fmt: skip


def _width_mm(width_mm: float, size_class: str, rules: ChoiceRules) -> float:
    """Return a picture's width as one sees it; 0 for one that closes round its piece."""
    low, high = rules.sizes_mm[size_class]
    return 0.0 if width_mm >= CLOSES_ROUND * pi * (low + high) / 2 else width_mm


# --- pieces ----------------------------------------------------------------------------------------------


def _store(db: Session, chosen: Sequence[int]) -> list[tables.Workpiece]:
    """Return sound pieces that no job holds, and those that a person has chosen."""
    piece, job = tables.Workpiece, tables.Job
    taken = select(job.workpiece_id).where(job.workpiece_id.is_not(None), job.state != JobState.CANCELLED)
    free = (
        piece.state.in_(_SOUND)
        & piece.lot.has(tables.Lot.state == LotState.ACCEPTED)
        & piece.id.not_in(taken)
    )
    return list(
        db.scalars(
            select(piece)
            .where(free | piece.id.in_(chosen))
            .options(selectinload(piece.lot))
            .order_by(piece.number)
        )
    )


def _pieces(
    db: Session, store: Sequence[tables.Workpiece], today: date
) -> tuple[list[Piece], dict[str, tuple[str, ...]]]:
    """Return the pieces as they are judged, and by number what was not measured."""
    walls = _walls(db, [piece.id for piece in store])
    pieces, notes = [], defaultdict(list)
    for row in store:
        wall_mm = walls.get(row.id, row.wall_default_mm)
        if wall_mm is None:
            notes[row.number].append(f"its wall is not gauged, taken as {WALL_MM:g} mm")
        rib_mm = row.rib_mm
        if rib_mm is None:
            rib_mm = RIB_MM if row.ribs else 0.0
            if row.ribs:
                notes[row.number].append(f"its ribs are not measured, taken as {RIB_MM:g} mm")
        pieces.append(
            Piece(
                number=row.number,
                kind=row.lot.kind,
                diameter_mm=row.diameter_mm,
                wall_mm=WALL_MM if wall_mm is None else round(float(wall_mm), 1),
                ribs=row.ribs,
                rib_mm=rib_mm,
                age_days=float(max(0, (today - row.lot.received_on).days)),
                blemishes=tuple(Blemish(**_numbers(one)) for one in row.blemishes),
            )
        )
    return pieces, {number: tuple(said) for number, said in notes.items()}


def _numbers(blemish: dict[str, Any]) -> dict[str, float]:
    return {name: float(blemish[name]) for name in ("longitude_deg", "width_mm")}


def _walls(db: Session, numbers: Sequence[int]) -> dict[int, float]:
    wall = tables.WallReading
    rows = db.execute(
        select(wall.workpiece_id, func.avg(wall.wall_mm))
        .where(wall.active, wall.workpiece_id.in_(numbers))
        .group_by(wall.workpiece_id)
    )
    return {number: float(mean) for number, mean in rows}


# --- the answer ------------------------------------------------------------------------------------------


def _told(
    job: tables.Job,
    choice: Choice,
    store: dict[str, tables.Workpiece],
    notes: dict[str, tuple[str, ...]],
) -> Suggestion:
    piece = store.get(choice.piece or "")
    return Suggestion(
        job_id=job.id,
        lantern=_called(job),
        night=job.night,
        piece_id=None if piece is None else piece.id,
        piece=choice.piece or "",
        store_place="" if piece is None else piece.store_place,
        design=choice.design,
        longitude_deg=job.longitude_deg if job.workpiece is not None else choice.longitude_deg,
        by_person=job.workpiece is not None,
        reasons=(*choice.reasons, *notes.get(choice.piece or "", ())),
    )


def _without(job: tables.Job) -> Suggestion:
    reason = "a spare asks for no station" if job.station is None else "no approved design may hang there"
    number = "" if job.workpiece is None else job.workpiece.number
    by_person = job.workpiece is not None
    return Suggestion(
        job.id,
        _called(job),
        job.night,
        job.workpiece_id,
        number,
        "",
        "",
        job.longitude_deg,
        by_person,
        (reason,),
    )


def _called(job: tables.Job) -> str:
    return job.station.name if job.station else f"spare {job.id}"
