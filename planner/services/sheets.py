"""What can be entered? Sheets, one for each kind of thing: its columns, who may, and what a row becomes."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import InstrumentedAttribute, Session

from engine.errors import BadInput
from engine.files import text_of
from engine.records import Treatment
from planner.database import tables
from planner.database.states import LanternKind, LotState, ProduceKind, Role, SizeClass, WorkpieceState
from planner.errors import NotFound, Refused
from planner.services import designs, fleet, intake, jobs, season
from planner.services.columns import Column, Holds

Files = Callable[[str], bytes]
"""Returns the content of a file that came along, by its name; raises `Refused` where there is none."""


@dataclass(frozen=True, slots=True)
class Entering:
    """Who enters, when, and where what a row speaks of is found."""

    db: Session
    season_id: int | None
    zone: ZoneInfo
    files: Files
    by: str
    at: datetime

    def season(self) -> int:
        """Return the season that rows are of."""
        if self.season_id is None:
            raise Refused("there is no season yet; enter the season first")
        return self.season_id

    def text(self, name: str) -> str:
        """Return the text of a file that came along."""
        try:
            return text_of(self.files(name), name)
        except BadInput as error:
            raise Refused(str(error)) from None

    def named(self, table: Any, column: InstrumentedAttribute[str], name: str, what: str) -> Any:
        """Return the row that bears a name."""
        row = self.db.scalar(select(table).where(column == name))
        if row is None:
            raise NotFound(f"there is no {what} {name[:60]!r}")
        return row

    def piece(self, number: str) -> tables.Workpiece:
        """Return a piece by the number on its tag."""
        row: tables.Workpiece = self.named(tables.Workpiece, tables.Workpiece.number, number, "piece")
        return row


Row = dict[str, Any]
MOST_BYTES = 20_000_000
"""Of one file that comes along."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One kind of thing that is entered."""

    name: str
    one: str
    question: str
    role: Role
    columns: tuple[Column, ...]
    enter: Callable[[Entering, Row], str]
    counted: InstrumentedAttribute[Any] | None = None
    """Its values that are there are counted, to say what is still to come."""
    undone: bool = True
    """Whether what a row adds can be taken out again while nothing stands on it."""


# --- what a row becomes --------------------------------------------------------------------------------


def _season(now: Entering, row: Row) -> str:
    made = season.add_season(
        now.db, row["name"], row["site"], row["time_zone"], row["opening_night"], row["last_night"],
        row["dusk"], placed_before_dusk_min=row["placed_before_dusk_min"], by=now.by, at=now.at,
    )  # fmt: skip
    return f"season {made.name}, {len(made.nights)} nights"


def _night(now: Entering, row: Row) -> str:
    night = season.set_temperature(now.db, now.season(), row["night"], row["temperature_c"])
    return f"night of {night.night}: {night.temperature_c:g} °C"


def _station(now: Entering, row: Row) -> str:
    shown = [now.named(tables.Design, tables.Design.name, name, "design").id for name in row["designs"]]
    made = season.add_station(
        now.db, now.season(), row["name"], row["area"], row["size"], row["kind"],
        least_rating=row["least_rating"], design_ids=shown,
    )  # fmt: skip
    return f"station {made.name}"


def _design(now: Entering, row: Row) -> str:
    made = designs.add_design_version(
        now.db, row["name"], now.files(row["file"]), row["file"], row["treatment"], row["width_mm"],
        by=now.by, at=now.at,
    )  # fmt: skip
    return f"design {row['name']}, version {made.version}"


def _lot(now: Entering, row: Row) -> str:
    made = intake.add_lot(
        now.db, row["name"], row["variety"], row["kind"], row["pieces"], row["received_on"],
        state=row["state"], note=row["note"] or "", by=now.by, at=now.at,
    )  # fmt: skip
    return f"lot {made.name}, {made.quantity} pieces"


def _piece(now: Entering, row: Row) -> str:
    lot = now.named(tables.Lot, tables.Lot.name, row["lot"], "lot")
    made = intake.add_workpiece(
        now.db, lot.id, row["number"], row["diameter_mm"], row["height_mm"], ribs=row["ribs"],
        store_place=row["store_place"] or "", wall_default_mm=row["wall_mm"], note=row["note"] or "",
        by=now.by, at=now.at,
    )  # fmt: skip
    if row["hollow"]:
        intake.mark_hollowed(now.db, made.id, by=now.by, at=now.at)
    said = [f"piece {made.number}"]
    if row["walls"]:
        said.append(_walls(now, made, row["walls"]))
    if row["touches"]:
        said.append(_touches(now, made, row["touches"], row["tip_radius_mm"], None))
    return ", ".join(said)


def _measured(now: Entering, row: Row) -> str:
    piece = now.piece(row["number"])
    if not (row["hollow"] or row["walls"] or row["touches"]):
        raise Refused(f"piece {piece.number}: nothing new, expected hollow, walls or touches")
    if row["hollow"] and piece.state == WorkpieceState.WHOLE:
        intake.mark_hollowed(now.db, piece.id, by=now.by, at=now.at)
    said = [f"piece {piece.number}"]
    if row["walls"]:
        said.append(_walls(now, piece, row["walls"]))
    if row["touches"]:
        said.append(_touches(now, piece, row["touches"], row["tip_radius_mm"], row["taken_at"]))
    return ", ".join(said)


def _walls(now: Entering, piece: tables.Workpiece, name: str) -> str:
    kept = intake.add_wall_readings(now.db, piece.id, now.text(name), by=now.by, at=now.at, file_name=name)
    return f"{len(kept)} wall readings, thinnest {min(one.wall_mm for one in kept):.1f} mm"


def _touches(
    now: Entering, piece: tables.Workpiece, name: str, tip_mm: float | None, taken_at: datetime | None
) -> str:
    kept = intake.add_scan(
        now.db, piece.id, now.text(name), tip_mm, by=now.by, at=now.at, taken_at=taken_at, file_name=name
    )
    return f"{kept.touches} touches"


def _machine(now: Entering, row: Row) -> str:
    made = fleet.add_machine(
        now.db, now.text(row["file"]), max_diameter_mm=row["largest_mm"], min_diameter_mm=row["smallest_mm"],
        max_height_mm=row["highest_mm"], fixture_class=row["fixtures"][0], fixtures=row["fixtures"],
        fixture_kinds=_held(row["holds"]), kinds=row["kinds"], build=row["build"] or "",
        load_min=row["load_min"], unload_min=row["unload_min"], attended=row["attended"], by=now.by,
        at=now.at, file_name=row["file"],
    )  # fmt: skip
    return f"machine {made.name}"


def _held(words: Sequence[str]) -> dict[str, list[str]]:
    """Return what fixtures hold, out of words such as `ring: squash, foam`."""
    out = {}
    for one in words:
        fixture, mark, kinds = one.partition(":")
        if not mark:
            raise Refused(f"what fixtures hold is {one[:40]!r}, expected such as 'ring: squash, foam'")
        out[fixture.strip()] = [kind.strip() for kind in kinds.split(",") if kind.strip()]
    return out


def _described(now: Entering, row: Row) -> str:
    machine = now.named(tables.Machine, tables.Machine.name, row["machine"], "machine")
    fleet.change_machine(
        now.db, machine.id, now.text(row["file"]), by=now.by, at=now.at, file_name=row["file"]
    )
    return f"machine {machine.name} has a new description; its proof marks are void"


def _shifts(now: Entering, row: Row) -> str:
    first, last = row["from_day"], row["to_day"] or row["from_day"]
    if not 0 <= (last - first).days < 400:
        raise Refused(f"from {first} to {last} is no span of days, expected 1 to 400 days")
    every = select(tables.Machine).where(tables.Machine.active).order_by(tables.Machine.id)
    if row["machine"] == "all":
        machines = list(now.db.scalars(every))
    else:
        machines = [now.named(tables.Machine, tables.Machine.name, row["machine"], "machine")]
    if not machines:
        raise Refused("there is no machine yet; enter machines first")
    count = 0
    for machine in machines:
        for n in range((last - first).days + 1):
            day = first + timedelta(days=n)
            start = datetime.combine(day, row["from"], now.zone)
            over = row["to"] <= row["from"]  # to the next morning
            end = datetime.combine(day + timedelta(days=over), row["to"], now.zone)
            fleet.add_shift(now.db, machine.id, start, end, by=now.by, at=now.at)
            count += 1
    return f"{count} shifts of {', '.join(machine.name for machine in machines)}"


def _cutter(now: Entering, row: Row) -> str:
    if row["file"]:
        text = now.text(row["file"])
    else:
        like = now.db.scalar(select(tables.Cutter).where(tables.Cutter.type_name == row["type"]))
        if like is None:
            raise Refused(
                f"no cutter of type {row['type'][:60]!r} is there yet; give the cutters file with it"
            )
        text = json.dumps({"cutters": [like.description]})
    machine = row["machine"] and now.named(tables.Machine, tables.Machine.name, row["machine"], "machine").id
    made = fleet.add_cutter(
        now.db, row["mark"], row["type"], text, life_left=row["life_left"] / 100, machine_id=machine or None,
        by=now.by, at=now.at, file_name=row["file"] or "cutters in stock",
    )  # fmt: skip
    return f"cutter {made.name}"


def _job(now: Entering, row: Row) -> str:
    db, season_id = now.db, now.season()
    station = version = piece = None
    if row["station"]:
        station = db.scalar(
            select(tables.Station.id).where(
                tables.Station.season_id == season_id, tables.Station.name == row["station"]
            )
        )
        if station is None:
            raise NotFound(f"there is no station {row['station'][:60]!r}")
    if row["design"]:
        design = now.named(tables.Design, tables.Design.name, row["design"], "design")
        newest = select(tables.DesignVersion.id).where(tables.DesignVersion.design_id == design.id)
        version = db.scalar(newest.order_by(tables.DesignVersion.version.desc()).limit(1))
    if row["piece"]:
        piece = now.piece(row["piece"]).id
    made = jobs.create_job(
        db, season_id, row["night"], station_id=station, design_version_id=version, workpiece_id=piece,
        longitude_deg=row["longitude_deg"], latitude_deg=row["latitude_deg"], turn_deg=row["turn_deg"],
        width_mm=row["width_mm"], priority=row["priority"], by=now.by, at=now.at,
    )  # fmt: skip
    return f"job {made.id} for {row['station'] or 'a spare'}"


# --- the sheets, in the order in which a season comes in ---------------------------------------------------

_DAY, _CLOCK, _NUMBER, _WHOLE, _WORDS, _FILE = (
    Holds.DAY, Holds.CLOCK, Holds.NUMBER, Holds.WHOLE, Holds.WORDS, Holds.FILE,
)  # fmt: skip
_KINDS, _SIZES = tuple(ProduceKind), tuple(SizeClass)
_MEASURES = (
    Column("hollow", "Hollowed", Holds.YES, hint="probe it again after hollowing: it moves"),
    Column(
        "walls", "Wall readings", _FILE, hint="CSV: longitude_deg, latitude_deg, wall_mm, perhaps sigma_mm"
    ),
    Column("touches", "Touches", _FILE, hint="CSV: x_mm, y_mm, z_mm of the ball's centre as it sits"),
    Column("tip_radius_mm", "Radius of the ball", _NUMBER, unit="mm", hint="where the file does not say it"),
)

SHEETS = (
    Sheet(
        "seasons", "season", "When and where is it lit?", Role.LEAD,
        (
            Column("name", "Season", needed=True),
            Column("site", "Venue", needed=True),
            Column("time_zone", "Time zone", needed=True, hint="such as Europe/London"),
            Column("opening_night", "Opening night", _DAY, True),
            Column("last_night", "Last night", _DAY, True),
            Column("dusk", "Dusk", _CLOCK, True, hint="local time by which it is dark"),
            Column("placed_before_dusk_min", "All stand before dusk", _WHOLE, unit="min", usual="45"),
        ),
        _season, tables.Season.id,
    ),
    Sheet(
        "nights", "night", "How warm will the nights be?", Role.LEAD,
        (
            Column("night", "Night", _DAY, True),
            Column("temperature_c", "Mean of the night", _NUMBER, True, unit="°C"),
        ),
        _night, tables.Night.temperature_c, undone=False,
    ),
    Sheet(
        "designs", "design", "What is shown?", Role.LEAD,
        (
            Column("name", "Design", needed=True),
            Column("file", "Drawing or picture", _FILE, True, hint="SVG, PNG or JPEG"),
            Column("treatment", "Treatment", one_of=tuple(Treatment), hint="as the file says where left out"),
            Column("width_mm", "Width on the skin", _NUMBER, unit="mm", hint="the file's own where left out"),
        ),
        _design, tables.Design.id,
    ),
    Sheet(
        "stations", "station", "Which places must be lit?", Role.LEAD,
        (
            Column("name", "Station", needed=True),
            Column("area", "Area", needed=True),
            Column("size", "Size of the piece", needed=True, one_of=_SIZES),
            Column("kind", "Cut", needed=True, one_of=tuple(LanternKind), usual="through"),
            Column("least_rating", "Least rating", _WHOLE, usual="7", hint="of the lit check, 1 to 10"),
            Column("designs", "Designs", _WORDS, hint="the best first, semicolons between"),
        ),
        _station, tables.Station.id,
    ),
    Sheet(
        "lots", "lot", "Which produce came in?", Role.HAND,
        (
            Column("name", "Lot", needed=True),
            Column("variety", "Variety", needed=True),
            Column("kind", "Kind", needed=True, one_of=_KINDS),
            Column("pieces", "Pieces", _WHOLE, True),
            Column("received_on", "Came in on", _DAY, True),
            Column("state", "At the gate", one_of=tuple(LotState), usual=LotState.ACCEPTED),
            Column("note", "What was seen"),
        ),
        _lot, tables.Lot.id,
    ),
    Sheet(
        "pieces", "piece", "Which pieces are there?", Role.HAND,
        (
            Column("number", "Number on the tag", needed=True),
            Column("lot", "Lot", needed=True),
            Column("diameter_mm", "Across at the waist", _NUMBER, True, unit="mm"),
            Column("height_mm", "High", _NUMBER, True, unit="mm"),
            Column("ribs", "Ribs", _WHOLE, usual="0"),
            Column("store_place", "Store place"),
            Column("wall_mm", "Wall where none is gauged", _NUMBER, unit="mm"),
            Column("note", "Note"),
            *_MEASURES,
        ),
        _piece, tables.Workpiece.id,
    ),
    Sheet(
        "measures", "piece", "What was measured of a piece?", Role.HAND,
        (
            Column("number", "Number on the tag", needed=True),
            *_MEASURES,
            Column("taken_at", "Probed at", Holds.INSTANT, hint="now where left out"),
        ),
        _measured, tables.Scan.id, undone=False,
    ),
    Sheet(
        "machines", "machine", "Which machines cut?", Role.LEAD,
        (
            Column("file", "Machine file", _FILE, True, hint="JSON: axes, their signs and limits, spindle"),
            Column("largest_mm", "Largest piece", _NUMBER, True, unit="mm"),
            Column("smallest_mm", "Smallest piece", _NUMBER, unit="mm", usual="0"),
            Column("highest_mm", "Highest piece", _NUMBER, unit="mm"),
            Column("fixtures", "Fixtures", _WORDS, True, hint="the one on it first, semicolons between"),
            Column("holds", "What they hold", _WORDS, hint="such as ring: squash, foam; screw plate: turnip"),
            Column("kinds", "Takes", _WORDS, one_of=_KINDS, hint="all where left out, semicolons between"),
            Column("build", "What it looks like"),
            Column("load_min", "Loading", _NUMBER, unit="min", usual="5"),
            Column("unload_min", "Unloading", _NUMBER, unit="min", usual="6"),
            Column("attended", "Share of a run that needs a person", _NUMBER, usual="0.33"),
        ),
        _machine, tables.Machine.id,
    ),
    Sheet(
        "descriptions", "machine", "Was a machine rebuilt or measured anew?", Role.LEAD,
        (
            Column("machine", "Machine", needed=True),
            Column("file", "Machine file", _FILE, True, hint="its proof marks are void then"),
        ),
        _described, None, undone=False,
    ),
    Sheet(
        "shifts", "shift", "When are machines manned?", Role.LEAD,
        (
            Column("machine", "Machine", needed=True, hint="or all"),
            Column("from_day", "From day", _DAY, True),
            Column("to_day", "To day", _DAY, hint="one day where left out"),
            Column("from", "From", _CLOCK, True),
            Column("to", "To", _CLOCK, True),
        ),
        _shifts, tables.MachineShift.id,
    ),
    Sheet(
        "cutters", "cutter", "Which cutters are there?", Role.LEAD,
        (
            Column("mark", "Mark on it", needed=True, hint="such as 6F-01; no other has it"),
            Column("type", "Type", needed=True, hint="its name in the cutters file"),
            Column("file", "Cutters file", _FILE, hint="JSON; not needed where one of the type is there"),
            Column("life_left", "Life left", _NUMBER, unit="%", usual="100"),
            Column("machine", "Fitted to"),
        ),
        _cutter, tables.Cutter.id,
    ),
    Sheet(
        "jobs", "job", "Which lanterns are wanted?", Role.LEAD,
        (
            Column("night", "First night", _DAY, True),
            Column("station", "Station", hint="a spare where left out"),
            Column("design", "Design", hint="its newest version"),
            Column("piece", "Piece", hint="can be chosen later"),
            Column("longitude_deg", "Turned from the front mark", _NUMBER, unit="deg", usual="0"),
            Column("latitude_deg", "Above the waist", _NUMBER, unit="deg", usual="0"),
            Column("turn_deg", "Turned on the skin", _NUMBER, unit="deg", usual="0"),
            Column("width_mm", "Width on the skin", _NUMBER, unit="mm"),
            Column("priority", "Priority", _WHOLE, usual="1"),
        ),
        _job, tables.Job.id,
    ),
)  # fmt: skip


def sheet_of(name: str) -> Sheet:
    """Return a sheet by its name.

    Parameters
    ----------
    name : str
        Of one of `SHEETS` [-].
    """
    for sheet in SHEETS:
        if sheet.name == name:
            return sheet
    raise NotFound(f"there is no sheet {name[:40]!r}, there are {', '.join(s.name for s in SHEETS)}")
