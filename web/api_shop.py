"""How do other programs report from the night walk, the bench and the ledger of cutters?"""

from __future__ import annotations

from base64 import b64decode
from dataclasses import dataclass
from datetime import date
from typing import Any

from flask import request

from planner.database import queries, tables
from planner.database.states import CutterEntryKind, MachineCheckKind, PieceStepKind, Role, WalkVerdict
from planner.errors import Refused
from planner.schedule.life import LifeModel
from planner.services import (
    insights,
    lasting,
    learning,
    ledger,
    ledger_stock,
    machine_checks,
    quality,
    review,
)
from planner.services import pieces as bench
from planner.services.common import found
from web import api
from web.access import name, who
from web.api import NUMBER, TEXT, Done, _season, operation
from web.fleet import cutter_needs
from web.remembered import shared
from web.session import now, reading_db, venue, writing_db
from web.walks import night_of_walk

pages = api.pages
"""The same blueprint: these operations stand beside the others."""

DAY = {"type": "string", "format": "date", "minLength": 10, "maxLength": 10}
WORDS = {"type": "string", "maxLength": 400}
SHARE = {"type": "number", "minimum": 0, "maximum": 1}
_SOME = {"type": "array", "items": {"type": "string"}, "maxItems": 12}


# --- the night walk ------------------------------------------------------------------------------------


@operation(
    "GET",
    "/walk",
    Role.VIEWER,
    "Stations in walking order, with what the walk of a night said",
    list[queries.WalkRow],
    query={"night": DAY},
)
def walk_rows() -> Any:
    """Give the stations as a night's walk has them."""
    with reading_db() as db:
        line = _season(db)
        night = night_of_walk(line, request.args.get("night", ""))
        return queries.walk_rows(db, line.season_id, night)


@operation(
    "POST",
    "/jobs/<int:job_id>/walk",
    Role.HAND,
    "Say of a lantern in its place: tonight, tomorrow or ok",
    Done,
    body={
        "verdict": {"type": "string", "enum": [str(verdict) for verdict in WalkVerdict]},
        "night": DAY,
        "rating": {"type": "integer", "minimum": 1, "maximum": 10},
        "sag": SHARE,
        "faults": _SOME,
        "words": WORDS,
    },
    needed=("verdict",),
)
def keep_walk(
    job_id: int,
    verdict: str,
    night: str = "",
    rating: int | None = None,
    sag: float | None = None,
    faults: list[Any] | None = None,
    words: str = "",
) -> Done:
    """Keep what a walker saw."""
    with writing_db() as db:
        when: date = night_of_walk(_season(db), night)
        row = quality.walk(
            db,
            job_id,
            when,
            verdict,
            by=name(),
            at=now(),
            rating=rating,
            sag=sag,
            faults=[str(fault) for fault in faults or ()],
            words=words,
        )
        return Done(f"walk {row.id}: job {job_id} is {row.verdict}")


@operation("POST", "/walks/<int:walk_id>/take-back", Role.HAND, "Take back what a walk said", Done)
def back_walk(walk_id: int) -> Done:
    """Take back what a walker said."""
    with writing_db() as db:
        row = quality.walk_back(db, walk_id, by=name(), at=now())
        return Done(f"taken back: job {row.job_id} was {row.verdict}")


# --- lit checks ----------------------------------------------------------------------------------------


@operation("GET", "/lit-checks", Role.VIEWER, "Cut lanterns that want a rater", list[quality.ToRate])
def lit_checks() -> Any:
    """Give the cut lanterns that may not go out yet."""
    with reading_db() as db:
        return quality.to_rate(queries.cut_lanterns(db, _season(db).season_id))


@operation(
    "POST",
    "/ratings/<int:check_id>/put-right",
    Role.HAND,
    "Put a rating right: one's own, a lead anybody's",
    Done,
    body={
        "rating": {"type": "integer", "minimum": 1, "maximum": 10},
        "reason": {**TEXT, "maxLength": 400},
    },
)
def rating_right(check_id: int, rating: int, reason: str) -> Done:
    """Put a rating right."""
    person = who()
    lead = person is not None and person.may(Role.LEAD)
    with writing_db() as db:
        row = quality.rating_right(db, check_id, rating, reason, of_others=lead, by=name(), at=now())
        return Done(f"job {row.job_id} is rated {row.rating} by {row.recorded_by}")


@operation("GET", "/photos", Role.VIEWER, "Pictures of lit lanterns, by exposure", list[queries.PhotoLine])
def photo_lines() -> Any:
    """Give the pictures; the files lie under `/photos/`."""
    with reading_db() as db:
        return queries.photos(db, _season(db).season_id)


@operation(
    "POST",
    "/ratings/<int:check_id>/photo",
    Role.HAND,
    "Keep the picture to a rating, JPEG or PNG in base64",
    Done,
    body={
        "content": {"type": "string", "maxLength": quality.LARGEST_PHOTO},
        "exposure": {**TEXT, "maxLength": 120},
    },
)
def keep_photo(check_id: int, content: str, exposure: str) -> Done:
    """Keep a picture."""
    try:
        picture = b64decode(content, validate=True)
    except ValueError:
        raise Refused("the picture is no base64") from None
    folder = quality.photo_folder(venue().settings)
    with writing_db() as db:
        row = quality.keep_photo(db, check_id, picture, exposure, folder, by=name(), at=now())
        return Done(f"{row.photo} is kept")


# --- machines ------------------------------------------------------------------------------------------


@operation(
    "GET", "/machine-checks", Role.VIEWER, "Ticks and trends of all machines", list[machine_checks.Checked]
)
def machine_check_lines() -> Any:
    """Give the machines' checks."""
    with reading_db() as db:
        return machine_checks.checked(db, now=now())


@operation(
    "POST",
    "/machines/<int:machine_id>/checks",
    Role.HAND,
    "Keep a tick or a reading of a machine",
    Done,
    body={
        "kind": {"type": "string", "enum": [str(kind) for kind in MachineCheckKind]},
        "value": {"type": "number", "minimum": -360, "maximum": 360},
        "passed": {"type": "boolean"},
        "words": WORDS,
    },
    needed=("kind",),
)
def keep_machine_check(
    machine_id: int, kind: str, value: float | None = None, passed: bool = True, words: str = ""
) -> Done:
    """Keep a check."""
    with writing_db() as db:
        row = machine_checks.keep_check(
            db, machine_id, kind, by=name(), at=now(), value=value, passed=passed, words=words
        )
        return Done(f"{row.kind}: {'passed' if row.passed else 'not passed'}")


# --- cutters -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Needs:
    """What is left of the cutters, which are to be changed when, and how the stock lasts."""

    left: tuple[ledger_stock.Left, ...]
    due: tuple[ledger_stock.ChangeDue, ...]
    orders: tuple[ledger_stock.Reorder, ...]


@operation("GET", "/cutters/needs", Role.VIEWER, "Cutters: minutes left, change list, order points", Needs)
def needs() -> Needs:
    """Give what must be changed and bought."""
    with reading_db() as db:
        found_needs = shared(cutter_needs, db, _season(db).season_id, now=now())
        return Needs(found_needs.left, found_needs.due, found_needs.orders)


@operation(
    "GET", "/cutters/<int:cutter_id>/ledger", Role.VIEWER, "A cutter's ledger, by time", list[ledger.Line]
)
def cutter_ledger(cutter_id: int) -> Any:
    """Give a cutter's ledger."""
    with reading_db() as db:
        found(db, tables.Cutter, cutter_id)
        return ledger.ledger_of(db, cutter_id)


@operation(
    "POST",
    "/cutters/<int:cutter_id>/ledger",
    Role.HAND,
    "Write a line into a cutter's ledger",
    Done,
    body={
        "kind": {"type": "string", "enum": [str(kind) for kind in CutterEntryKind]},
        "machine_id": NUMBER,
        "stick_out_mm": {"type": "number", "minimum": 1, "maximum": 400},
        "wear_mm": {"type": "number", "minimum": 0, "maximum": 5},
        "look": {"type": "string", "enum": ["", *ledger.LOOKS]},
        "words": WORDS,
    },
    needed=("kind",),
)
def keep_ledger(
    cutter_id: int,
    kind: str,
    machine_id: int | None = None,
    stick_out_mm: float | None = None,
    wear_mm: float | None = None,
    look: str = "",
    words: str = "",
) -> Done:
    """Write a line into a cutter's ledger."""
    with writing_db() as db:
        row = ledger.keep_entry(
            db,
            cutter_id,
            kind,
            by=name(),
            at=now(),
            machine_id=machine_id,
            stick_out_mm=stick_out_mm,
            wear_mm=wear_mm,
            look=look,
            words=words,
        )
        return Done(f"cutter {cutter_id}: {row.kind} stands in the ledger")


@operation(
    "POST",
    "/cutters/<int:cutter_id>/issue",
    Role.LEAD,
    "Issue a new cutter like this one",
    Done,
    body={"name": {**TEXT, "maxLength": 40}},
)
def issue_cutter(cutter_id: int, **said: str) -> Done:
    """Issue a new cutter."""
    with writing_db() as db:
        row = ledger.issue(db, cutter_id, said["name"], by=name(), at=now())
        return Done(f"cutter {row.id}: {row.name} is issued")


# --- pieces and lots -----------------------------------------------------------------------------------


@operation(
    "GET",
    "/workpieces/<int:workpiece_id>/steps",
    Role.VIEWER,
    "Steps that can be reported of a piece now, and what each makes void",
    list[bench.NextStep],
)
def piece_steps(workpiece_id: int) -> Any:
    """Give the next steps of a piece."""
    with reading_db() as db:
        return bench.next_steps(db, workpiece_id)


@operation(
    "POST",
    "/workpieces/<int:workpiece_id>/steps",
    Role.HAND,
    "Report what was done with a piece",
    Done,
    body={
        "kind": {"type": "string", "enum": [str(kind) for kind in PieceStepKind]},
        "place": {"type": "string", "maxLength": 120},
        "carrier": {"type": "string", "maxLength": 20},
    },
    needed=("kind",),
)
def keep_piece_step(workpiece_id: int, kind: str, place: str = "", carrier: str = "") -> Done:
    """Keep what was done with a piece."""
    with writing_db() as db:
        row = bench.step(db, workpiece_id, kind, by=name(), at=now(), place=place, carrier=carrier)
        return Done(f"piece {row.number} is {kind}")


@operation(
    "POST",
    "/lots/<int:lot_id>/samples",
    Role.HAND,
    "Report a sample of a lot: looked at, bad, with soft rot",
    Done,
    body={
        "pieces_seen": NUMBER,
        "bad": {"type": "integer", "minimum": 0, "maximum": 1_000_000},
        "soft_rot": {"type": "integer", "minimum": 0, "maximum": 1_000_000},
        "words": WORDS,
    },
    needed=("pieces_seen", "bad", "soft_rot"),
)
def sample_lot(lot_id: int, pieces_seen: int, bad: int, soft_rot: int, words: str = "") -> Done:
    """Keep a sample of a lot."""
    with writing_db() as db:
        lot = bench.sample_lot(db, lot_id, pieces_seen, bad, soft_rot, words, by=name(), at=now())
        return Done(f"lot {lot.name} is {lot.state}")


@dataclass(frozen=True, slots=True)
class Lasting:
    """The life model in force, and what the walks offer; None while too few lanterns have ended."""

    in_force: LifeModel
    offered: lasting.Offer | None


@operation("GET", "/lasting", Role.VIEWER, "How long lanterns last: in force, and by the walks", Lasting)
def how_they_last() -> Lasting:
    """Give the life model in force and what the walks say."""
    with reading_db() as db:
        season_id = _season(db).season_id
        return Lasting(lasting.model_of(db, season_id), lasting.offer(db, season_id))


@operation("POST", "/lasting", Role.LEAD, "Let forecasts reckon with what the walks say", Done)
def take_lasting() -> Done:
    """Take the walks' life model over."""
    with writing_db() as db:
        row = lasting.accept(db, _season(db).season_id, by=name(), at=now())
        return Done(f"forecasts reckon with {row.days_at_reference:.2f} days at 15 °C")


@operation("POST", "/lasting/<int:fit_id>/back", Role.LEAD, "Take a life model back", Done)
def take_lasting_back(fit_id: int) -> Done:
    """Take a life model back."""
    with writing_db() as db:
        lasting.take_back(db, fit_id, by=name(), at=now())
        return Done("taken back")


# --- what was learned ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Learned:
    """What ratings go with, and how often pieces are lost and runs fail, in the whole season."""

    insights: tuple[insights.Insight, ...]
    rates: tuple[learning.Rate, ...]


@operation("GET", "/learned", Role.VIEWER, "What ratings go with; scrap and fault rates with bounds", Learned)
def learned() -> Learned:
    """Give what the season taught."""
    with reading_db() as db:
        season_id = _season(db).season_id
        facts = review.gather_season(db, season_id, now=now())
        return Learned(insights.insights(facts), learning.rates(db, season_id))
