"""Are pieces suggested for the whole day with reasons, taken by people only, and does their choice stay?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, LotState
from planner.errors import Conflict
from planner.services import choosing, jobs, season

AT = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)
TODAY = date(2026, 10, 20)
BY = {"recorded_at": AT, "recorded_by": "Ann"}


def _written(factory: sessionmaker[Session]) -> int:
    """Two stations, one of them for a relief; a smooth old piece, a ribbed, a fresh, a refused one."""
    with unit_of_work(factory) as db:
        made = season.add_season(
            db, "Dusk", "Garden", "Europe/London", date(2026, 10, 24), date(2026, 10, 25), time(17, 25),
            by="Ann", at=AT,
        )  # fmt: skip
        walk = season.add_station(db, made.id, "Walk", "Walk", "large", "through")
        house = season.add_station(db, made.id, "House", "House", "large", "relief")
        for name, station in (("Fox", walk), ("Owl", house)):
            design = tables.Design(name=name, **BY)
            version = tables.DesignVersion(
                design=design, version=1, artwork=b"<svg/>", file_name="a.svg", digest=name, width_mm=200.0,
                height_mm=150.0, approved_by="Ann", approved_at=AT, **BY,
            )  # fmt: skip
            db.add(version)
            db.flush()
            station.choices.append(tables.StationDesign(design_id=design.id))
            jobs.create_job(db, made.id, date(2026, 10, 24), station_id=station.id, by="Ann", at=AT)
        for lot_name, state, pieces in (
            ("L-1", LotState.ACCEPTED, (("0001", 0.0, 12), ("0002", 8.0, 16), ("0003", 2.0, 18))),
            ("L-2", LotState.REJECTED, (("0009", 0.0, 1),)),
        ):
            for number, rib_mm, day in pieces:
                lot = tables.Lot(
                    name=f"{lot_name} {number}", variety="Globe", kind="squash", quantity=1,
                    received_on=date(2026, 10, day), state=state, **BY,
                )  # fmt: skip
                piece = tables.Workpiece(
                    lot=lot, number=number, diameter_mm=284, height_mm=250, ribs=10, rib_mm=rib_mm,
                    wall_default_mm=22.0, **BY,
                )  # fmt: skip
                db.add(piece)
        return made.id


@pytest.fixture
def season_id(factory: sessionmaker[Session]) -> int:
    """The season of two lanterns."""
    return _written(factory)


def _suggest(db: Session, season_id: int) -> dict[str, choosing.Suggestion]:
    return {one.lantern: one for one in choosing.suggest(db, season_id, today=TODAY)}


def test_the_whole_day_at_once_with_reasons(factory: sessionmaker[Session], season_id: int) -> None:
    """The oldest piece is smooth and goes to the relief; the ribbed one bears the through cut."""
    with reading(factory) as db:
        found = _suggest(db, season_id)
        states = set(db.scalars(select(tables.Job.state)))
    assert found["House"].piece == "0001" and found["Walk"].piece == "0002"
    assert (found["House"].design, found["Walk"].design) == ("Owl", "Fox")
    assert "smooth" in found["House"].words and "8 d in store" in found["House"].words
    assert states == {JobState.WANTED}  # nothing is written


def test_accepting_writes_piece_and_design(factory: sessionmaker[Session], season_id: int) -> None:
    """Both jobs have piece and design then, and the change is told."""
    with unit_of_work(factory) as db:
        taken = choosing.accept(db, season_id, choosing.suggest(db, season_id, today=TODAY), by="Ines", at=AT)
        assert {job.state for job in taken} == {JobState.CHOSEN}
    with reading(factory) as db:
        told = db.scalars(select(tables.Change).where(tables.Change.kind == "choose")).all()
        assert len(told) == 2 and all(change.recorded_by == "Ines" for change in told)
        again = _suggest(db, season_id)
        assert all(one.by_person for one in again.values())


def test_a_persons_choice_stays(factory: sessionmaker[Session], season_id: int) -> None:
    """Ann has given the ribbed piece to the relief: it stays, with what speaks against it."""
    with unit_of_work(factory) as db:
        house = db.scalar(select(tables.Job).where(tables.Job.station.has(name="House")))
        ribbed = db.scalar(select(tables.Workpiece.id).where(tables.Workpiece.number == "0002"))
        assert house is not None
        jobs.choose_workpiece(db, house.id, ribbed)
    with unit_of_work(factory) as db:
        found = _suggest(db, season_id)
        assert found["House"].piece == "0002" and found["House"].by_person
        assert "against it: ribs too high for a relief" in found["House"].words
        assert found["Walk"].piece == "0001"
        choosing.accept(db, season_id, tuple(found.values()), by="Ines", at=AT)
        assert {job.workpiece.number for job in db.scalars(select(tables.Job)) if job.workpiece} == {
            "0001", "0002",
        }  # fmt: skip


def test_a_choice_in_the_meantime_wins(factory: sessionmaker[Session], season_id: int) -> None:
    """Somebody gave the job a piece after the suggestion: nothing is overwritten."""
    with reading(factory) as db:
        found = choosing.suggest(db, season_id, today=TODAY)
    with unit_of_work(factory) as db:
        last = db.scalar(select(tables.Workpiece.id).where(tables.Workpiece.number == "0003"))
        jobs.choose_workpiece(db, found[0].job_id, last)
    with unit_of_work(factory) as db, pytest.raises(Conflict, match="a person's choice stays"):
        choosing.accept(db, season_id, found, by="Ines", at=AT)


def test_the_picture_is_turned_away_from_a_blemish(factory: sessionmaker[Session], season_id: int) -> None:
    """A blemish at the front mark of every piece: the picture goes elsewhere, as far as it must."""
    with unit_of_work(factory) as db:
        for piece in db.scalars(select(tables.Workpiece)):
            choosing.note_skin(db, piece.id, rib_mm=piece.rib_mm, blemishes=[(0.0, 20.0)], by="Ann", at=AT)
    with unit_of_work(factory) as db:
        found = choosing.suggest(db, season_id, today=TODAY)
        # half the picture, half the blemish and 8 mm beside it, on a piece of 284 mm: 47.6 deg
        assert {abs(one.longitude_deg) for one in found} == {50.0}
        jobs_taken = choosing.accept(db, season_id, found, by="Ines", at=AT)
        assert {abs(job.longitude_deg) for job in jobs_taken} == {50.0}


def test_what_is_not_measured_is_said(factory: sessionmaker[Session], season_id: int) -> None:
    """Without wall and rib height the usual ones are taken, and the reason says so."""
    with unit_of_work(factory) as db:
        for piece in db.scalars(select(tables.Workpiece)):
            piece.wall_default_mm, piece.rib_mm = None, None
    with reading(factory) as db:
        words = _suggest(db, season_id)["Walk"].words
    assert "its wall is not gauged, taken as 25 mm" in words
    assert "its ribs are not measured, taken as 3 mm" in words


def test_the_command_suggests_and_accepts(tmp_path: Path) -> None:
    """Told in one line for each lantern; written only when asked."""
    from planner.cli import main
    from planner.database.migrate import upgrade
    from planner.database.session import session_factory

    url = f"sqlite:///{tmp_path / 'lanternwright.db'}"
    upgrade(url)
    factory = session_factory(url)
    _written(factory)
    asked = ["choose", "--folder", str(tmp_path), "--on", "2026-10-20", "--night", "2026-10-24"]
    told = CliRunner().invoke(main, asked)
    assert told.exit_code == 0 and "House: 0001 with Owl (" in told.output
    with reading(factory) as db:
        assert set(db.scalars(select(tables.Job.state))) == {JobState.WANTED}
    taken = CliRunner().invoke(main, [*asked, "--accept", "--by", "Ines"])
    assert taken.exit_code == 0 and "2 pieces chosen as suggested" in taken.output
    with reading(factory) as db:
        assert set(db.scalars(select(tables.Job.state))) == {JobState.CHOSEN}
