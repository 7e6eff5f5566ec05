"""Does a venue's own season come in, row by row and by the table, and is nonsense refused whole?"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, NotFound, PlannerError, Refused
from planner.services import changes, entering, quality, wanting
from planner.services.columns import Column, Holds, rows_of
from planner.services.sheets import SHEETS, sheet_of
from planner.services.trying import sphere_touches
from seed_demo.fleet import cutters_file, machine_files

AT = datetime(2026, 9, 1, 8, 0, tzinfo=UTC)
ZONE = ZoneInfo("Europe/London")
DRAWING = b"""<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="40mm" viewBox="0 0 60 40">
<rect x="5" y="5" width="20" height="30" fill="black"/></svg>"""
FILES = {
    "wren.json": machine_files()["Wren"].encode(),
    "cutters.json": cutters_file().encode(),
    "moon.svg": DRAWING,
    "wall.csv": b"longitude_deg,latitude_deg,wall_mm\n0,0,24.5\n90,0,23.5\n",
    "touches.csv": sphere_touches().encode(),
}
TABLES = {
    "seasons": "name,site,time_zone,opening_night,last_night,dusk\nAutumn,Hill Farm,Europe/London,2026-10-24,"
    "2026-10-26,17:40\n",
    "nights": "night,temperature_c\n2026-10-24,11\n2026-10-25,12.5\n2026-10-26,9\n",
    "designs": "name,file,treatment,width_mm\nMoon,moon.svg,opening,150\n",
    "stations": "name,area,size,kind,least_rating,designs\nLane 1,Lane,large,through,7,Moon\n"
    "Lane 2,Lane,large,through,8,\n",
    "lots": "name,variety,kind,pieces,received_on\nA-1,Amber,squash,30,2026-10-01\n",
    "pieces": "number,lot,diameter_mm,height_mm,ribs,hollow,walls,touches\n"
    "0001,A-1,284,255,10,yes,wall.csv,touches.csv\n0002,A-1,270,250,9,no,,\n",
    "measures": "number,hollow,touches,taken_at\n0002,yes,touches.csv,2026-10-20 07:30\n",
    "machines": "file,largest_mm,fixtures,holds,kinds\nwren.json,320,ring;screw plate,"
    '"ring: squash, foam; screw plate: turnip",squash;foam;turnip\n',
    "shifts": "machine,from_day,to_day,from,to\nall,2026-10-22,2026-10-24,06:00,17:00\n",
    "cutters": "mark,type,file,life_left\n6F-01,6 mm flat,cutters.json,80\n6F-02,6 mm flat,,\n",
    "jobs": "night,station,design,piece,latitude_deg\n2026-10-24,Lane 1,Moon,0001,5\n2026-10-25,,Moon,,\n",
}


def _files(brought: Mapping[str, bytes]) -> Callable[[str], bytes]:
    def read(name: str) -> bytes:
        if name not in brought:
            raise Refused(f"file {name!r} did not come along")
        return brought[name]

    return read


def _enter(db: Session, sheet: str, text: str, files: Mapping[str, bytes] = FILES) -> tuple[str, ...]:
    season = db.scalar(select(tables.Season.id))
    return entering.enter_table(
        db, sheet, text, f"{sheet}.csv", season_id=season, zone=ZONE, by="Ines", at=AT, files=_files(files)
    )


@pytest.fixture
def whole(db: Session) -> Session:
    """All tables, one after the other, as the sheets stand."""
    for sheet in SHEETS:
        if sheet.name in TABLES:
            assert _enter(db, sheet.name, TABLES[sheet.name])
    return db


def _count(db: Session, table: Any) -> int:
    return db.scalar(select(func.count()).select_from(table)) or 0


def test_a_whole_season_comes_in(whole: Session) -> None:
    """Every sheet of the order has its rows, and what they say is what was written."""
    db = whole
    season = db.scalars(select(tables.Season)).one()
    assert (season.site, str(season.dusk), len(season.nights)) == ("Hill Farm", "17:40:00", 3)
    assert [night.temperature_c for night in season.nights] == [11, 12.5, 9]
    stations = {s.name: s for s in db.scalars(select(tables.Station))}
    assert [choice.design.name for choice in stations["Lane 1"].choices] == ["Moon"]
    assert stations["Lane 2"].least_rating == 8
    first, second = db.scalars(select(tables.Workpiece).order_by(tables.Workpiece.number))
    assert (first.state, second.state) == ("hollow", "hollow")
    assert _count(db, tables.WallReading) == 2
    taken = db.scalar(select(tables.Scan.taken_at).where(tables.Scan.workpiece_id == second.id))
    assert taken == datetime(2026, 10, 20, 6, 30, tzinfo=UTC)  # summer time in London
    machine = db.scalars(select(tables.Machine)).one()
    assert machine.fixture_kinds == {"ring": ["squash", "foam"], "screw plate": ["turnip"]}
    shifts = db.scalars(select(tables.MachineShift).order_by(tables.MachineShift.start_at)).all()
    assert [shift.start_at.hour for shift in shifts] == [5, 5, 5] and len(shifts) == 3
    assert [c.life_left for c in db.scalars(select(tables.Cutter).order_by(tables.Cutter.name))] == [0.8, 1.0]
    jobs = db.scalars(select(tables.Job).order_by(tables.Job.id)).all()
    assert [job.state for job in jobs] == ["chosen", "wanted"]
    assert entering.counts(db)["pieces"] == 2


@pytest.mark.parametrize(
    ("sheet", "text", "words"),
    [
        (
            "stations",
            "name,area,size,kind\nLane 9,Lane,huge,through\n",
            "line 2: Size of the piece is 'huge'",
        ),
        ("stations", "name,area,colour\n", "column 'colour' is not known"),
        ("stations", "name,area\nx,y\n", "no column 'size'"),
        ("stations", "name,area,size,designs\nLane 9,Lane,large,Sun\n", "no design 'Sun'"),
        ("stations", "name,area,size\nLane 8,Lane,large\nLane 8,Lane,large\n", "line 3: season"),
        ("stations", "name,area,size\nLane 8,Lane,large,7\n", "more values than the 3 columns"),
        ("stations", "name,area,size\n\n", "no row of a station"),
        ("stations", "name,area,name\n", "column 'name' comes twice"),
        ("nights", "night,temperature_c\n2027-01-01,5\n", "no night of 2027-01-01"),
        ("nights", "night,temperature_c\nSunday,5\n", "expected a day such as"),
        ("nights", "night,temperature_c\n2026-10-24,warm\n", "expected a number"),
        ("nights", "night,temperature_c\n2026-10-24,nan\n", "temperature"),
        ("pieces", "number,lot,diameter_mm,height_mm\n0001,A-1,200,200\n", "'0001' is there already"),
        ("pieces", "number,lot,diameter_mm,height_mm\n0009,A-9,200,200\n", "no lot 'A-9'"),
        ("pieces", "number,lot,diameter_mm,height_mm,touches\n7,A-1,200,200,x.csv\n", "'x.csv' did not come"),
        ("measures", "number\n0001\n", "nothing new"),
        ("machines", "file,largest_mm,fixtures\nmoon.svg,300,ring\n", "moon.svg"),
        ("machines", "file,largest_mm,fixtures,holds\nwren.json,300,ring,squash\n", "'ring: squash, foam'"),
        ("shifts", "machine,from_day,to_day,from,to\nall,2026-10-24,2026-10-22,06:00,17:00\n", "no span"),
        ("shifts", "machine,from_day,from,to\nall,2026-10-23,06:00,17:00\n", "shift from"),
        ("cutters", "mark,type\nX,9 mm flat\n", "give the cutters file with it"),
        ("cutters", "mark,type,life_left\nX,6 mm flat,180\n", "life left"),
        ("jobs", "night,station\n2026-10-24,Lane 7\n", "no station 'Lane 7'"),
        ("jobs", 'night,station\n2026-10-24,"Lane\n', "no row that can be read"),
    ],
)
def test_refused_whole(whole: Session, sheet: str, text: str, words: str) -> None:
    """One line names the place; nothing of the table stays."""
    tables_before = entering.counts(whole)
    with pytest.raises(PlannerError) as refusal, whole.begin_nested():
        _enter(whole, sheet, text)
    assert words in str(refusal.value) and "\n" not in str(refusal.value)
    whole.expire_all()
    assert entering.counts(whole) == tables_before


def test_what_was_entered_is_taken_back(whole: Session) -> None:
    """A station goes out with its designs; a lot with pieces does not, and says why."""
    db = whole
    _enter(db, "stations", "name,area,size,designs\nLane 3,Lane,large,Moon\nLane 4,Lane,XL,\n")
    newest = select(tables.Change).where(tables.Change.kind == "entered").order_by(tables.Change.id.desc())
    change = db.scalars(newest.limit(1)).one()
    changes.take_back(db, change.id, by="Ines", at=AT)
    assert sorted(db.scalars(select(tables.Station.name))) == ["Lane 1", "Lane 2"]
    lot = db.scalars(newest.where(tables.Change.about == "lot A-1")).one()
    with pytest.raises(Conflict, match="stands on it"):
        changes.take_back(db, lot.id, by="Ines", at=AT)
    assert _count(db, tables.Lot) == 1


def test_semicolons_between_columns() -> None:
    """A table out of a program that writes semicolons reads the same; so does a mark at its beginning."""
    columns = sheet_of("stations").columns
    text = '\ufeffname;area;size;designs\r\nLane 1;Lane;large;"Moon;Sun"\r\n'
    ((line, row),) = rows_of(columns, text, "s.csv")
    assert (line, row["name"], row["designs"]) == (2, "Lane 1", "Moon;Sun")
    comma = Column("x", "x", Holds.NUMBER)
    assert comma.value("3,5", ZONE) == 3.5


def test_no_such_sheet(db: Session) -> None:
    """An unknown sheet is told with those there are."""
    with pytest.raises(NotFound, match="there are seasons, nights"):
        _enter(db, "people", "name\nInes\n")


def test_nothing_without_a_season(db: Session) -> None:
    """A station before its season: what to do first is said."""
    with pytest.raises(Refused, match="enter the season first"):
        _enter(db, "stations", "name,area,size\nLane 1,Lane,large\n")


# --- what a night still wants --------------------------------------------------------------------------


def test_a_night_wants_what_nobody_asked_for(whole: Session) -> None:
    """Lane 2 has no lantern; once asked for, nothing is wanted; a dying one is wanted anew the next night."""
    db, season = whole, whole.scalars(select(tables.Season)).one()
    opening, second = date(2026, 10, 24), date(2026, 10, 25)
    assert [(w.station, w.why) for w in wanting.still_wanted(db, season.id, opening)] == [
        ("Lane 2", "no lantern yet")
    ]
    (made,) = wanting.ask_for(db, season.id, opening, by="Ines", at=AT)
    assert (made.station.name if made.station else "", made.state, made.design_version_id) == (
        "Lane 2", "wanted", None,
    )  # fmt: skip
    with pytest.raises(Refused, match="wants no lantern"):
        wanting.ask_for(db, season.id, opening, by="Ines", at=AT)

    placed = db.scalars(select(tables.Job).order_by(tables.Job.id)).first()
    assert placed is not None
    placed.state = "placed"
    db.flush()
    quality.walk(db, placed.id, opening, "tomorrow", by="Olu", at=AT, faults=["soft"])
    (want,) = wanting.still_wanted(db, season.id, second)
    assert (want.station, want.like_job_id) == ("Lane 1", placed.id) and "tomorrow" in want.why
    (anew,) = wanting.ask_for(db, season.id, second, by="Ines", at=AT)
    assert (anew.night, anew.design_version_id, anew.latitude_deg) == (second, placed.design_version_id, 5.0)
    change = db.scalars(
        select(tables.Change).where(tables.Change.kind == "wanted").order_by(tables.Change.id.desc())
    ).first()
    assert change is not None
    changes.take_back(db, change.id, by="Ines", at=AT)
    assert [w.station for w in wanting.still_wanted(db, season.id, second)] == ["Lane 1"]
    with pytest.raises(Refused, match="expected 2026-10-24"):
        wanting.still_wanted(db, season.id, date(2026, 12, 1))
