"""How is the demo season written? Through the services, as people would, from intake to jobs."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.services import designs as design_services
from planner.services import fleet as fleet_services
from planner.services import intake, jobs
from planner.services import season as season_services
from planner.services.preparing import each_done
from seed_demo import fleet, scenario
from seed_demo.drawings import DemoDesign, design, designs, drawing
from seed_demo.produce import Produce, grow, lot, lots, probe_places, thinned, virtual_probe, wall_readings

BY = "demo"
_LIFT_DEG = 8.0  # pictures sit a little above the waist, where they are looked at and every machine reaches
_RELIEF_LIFT_DEG = 24.0  # so that tilting machines stand square to the skin down to a relief's lower edge
_SMALLEST_MM = {"squash": 0.0, "turnip": 112.0, "gourd": 0.0, "foam": 0.0}  # below it the picture hardly fits
_LARGEST_MM = {"gourd": 166.0}  # so that the lathe takes it too
_BAD = "Bad Badge"
_SEED = 20261021


@dataclass(frozen=True, slots=True)
class Grown:
    """A piece as it came from the bench: measured, gauged and touched all round."""

    number: str
    diameter_mm: float
    height_mm: float
    ribs: int
    round_mm: float  # way round at the height of the design's middle
    touches: str
    walls: str


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A lantern wanted for the opening: where, what, and out of which lot."""

    number: str
    station: str | None
    design: str
    lot: str
    priority: int


def wanted() -> tuple[_Wanted, ...]:
    """Return the opening's lanterns, one a station, and the badge that is wrong on purpose."""
    used: dict[str, int] = {}
    out = []
    by_area = {area.name: area for area in scenario.AREAS}
    for n, station in enumerate(scenario.stations(), 101):
        sources = by_area[station.area].lots
        first = next(s for s in sources if used.get(s, 0) < lot(s).pieces)
        used[first] = used.get(first, 0) + 1
        out.append(_Wanted(f"{n:04d}", station.name, station.design, first, station.priority))
    return (*out, _Wanted("0900", None, _BAD, "L-201", 1))


def latitude_of(shown: DemoDesign) -> float:
    """Return where the middle of a design lies [deg]."""
    if shown.kind != "squash" or shown.all_round or shown.name == _BAD:
        return shown.latitude_deg
    return max(shown.latitude_deg, _RELIEF_LIFT_DEG if shown.treatment == "relief" else _LIFT_DEG)


def grow_one(number: str, lot_name: str, design_name: str) -> Grown:
    """Grow, thin, gauge and touch one piece; the same number gives the same piece, in any process."""
    rng = np.random.default_rng([_SEED, int(number)])
    shown = design(design_name)
    piece = grow(rng, lot(lot_name))
    while not _fits(piece):
        piece = grow(rng, lot(lot_name))
    if shown.kind != "gourd":
        piece = thinned(piece, shown.wall_mm, rng)
    relief = shown.treatment == "relief"
    lon = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    lat = np.radians(latitude_of(shown))
    ring = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.full(72, np.sin(lat))], axis=1)
    radius = piece.radius(ring)
    poles = piece.radius(np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]))
    return Grown(
        number=number,
        diameter_mm=round(float(2 * radius.mean()), 1),
        height_mm=round(float(poles.sum()), 1),
        ribs=piece.ribs,
        round_mm=float(2 * np.pi * radius.mean() * np.cos(lat)),
        touches=virtual_probe(piece, rng, probe_places(shown.kind, piece.ribs, relief)),
        walls=wall_readings(piece, rng, relief),
    )


def _fits(piece: Produce) -> bool:
    """Return whether a machine can hold the piece; others are not picked at the store."""
    cards = [card for card in fleet.machine_cards() if piece.kind in card.kinds]
    waist = piece.radius(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]]))
    poles = piece.radius(np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]))
    if not _SMALLEST_MM[piece.kind] <= 2 * waist.min() <= 2 * waist.max() <= _LARGEST_MM.get(piece.kind, 1e3):
        return False
    return any(2 * waist.max() < card.largest_mm - 4 and poles.sum() < card.longest_mm for card in cards)


def write_base(factory: sessionmaker[Session], at: datetime) -> int:
    """Write season, stations, designs, lots, machines, shifts and cutters; return the season's number."""
    with unit_of_work(factory) as db:
        season = season_services.add_season(
            db,
            scenario.SEASON,
            scenario.VENUE,
            scenario.TIME_ZONE,
            scenario.OPENING_NIGHT,
            scenario.LAST_NIGHT,
            scenario.DUSK,
            by=BY,
            at=at,
        )
        for night, temperature in scenario.nights():
            season_services.set_temperature(db, season.id, night, temperature)
        shown = {d.name: _write_design(db, d, at).design_id for d in designs()}
        _write_stations(db, season.id, shown)
        for source in lots():
            intake.add_lot(
                db,
                source.name,
                source.sort,
                source.kind,
                source.pieces,
                date.fromisoformat(source.arrives),
                by=BY,
                at=at,
                state="rejected" if source.rejected else "accepted",
                note=source.note,
            )
        _write_fleet(db, at)
        return season.id


def _write_design(db: Session, shown: DemoDesign, at: datetime) -> tables.DesignVersion:
    content = drawing(shown.name)
    return design_services.add_design_version(
        db,
        shown.name,
        content if isinstance(content, bytes) else content.encode(),
        shown.file_name,
        shown.treatment,
        None if shown.all_round else shown.width_mm,
        by=BY,
        at=at,
    )


def _write_stations(db: Session, season_id: int, design_ids: dict[str, int]) -> None:
    areas = {area.name: area for area in scenario.AREAS}
    for station in scenario.stations():
        area = areas[station.area]
        season_services.add_station(
            db,
            season_id,
            station.name,
            station.area,
            area.size,
            "relief" if design(station.design).treatment == "relief" else "through",
            least_rating=station.least_rating,
            design_ids=[design_ids[station.design]],
        )


def _write_fleet(db: Session, at: datetime) -> None:
    files = fleet.machine_files()
    for card in fleet.machine_cards():
        machine = fleet_services.add_machine(
            db,
            files[card.name],
            max_diameter_mm=card.largest_mm,
            max_height_mm=card.longest_mm,
            fixture_class=card.fixtures[0],
            fixtures=card.fixtures,
            fixture_kinds={f: fleet.fixture_kinds()[f] for f in card.fixtures},
            kinds=card.kinds,
            build=card.build,
            load_min=card.set_up_min,
            unload_min=5,
            by=BY,
            at=at,
            file_name=f"{card.name}.json",
        )
        for start, end in scenario.carve_window():
            fleet_services.add_shift(
                db,
                machine.id,
                scenario.CARVE_FROM + timedelta(minutes=start),
                scenario.CARVE_FROM + timedelta(minutes=end),
                by=BY,
                at=at,
            )
        fleet_services.make_proof_mark(db, machine.id, by=BY, at=at)
    for cutter in fleet.cutter_stock():
        fleet_services.add_cutter(
            db, cutter.number, cutter.type, fleet.cutters_file(), life_left=cutter.life_left, by=BY, at=at
        )


def write_pieces(
    factory: sessionmaker[Session],
    season_id: int,
    executor: Executor,
    at: datetime,
    report: Callable[[int, int, str], None],
) -> None:
    """Grow, touch and take in the pieces that are not there yet, each with its job for the opening night."""
    with reading(factory) as db:
        there = set(db.scalars(select(tables.Workpiece.number)))
        lot_ids = {row.name: row.id for row in db.scalars(select(tables.Lot))}
        station_ids = {row.name: row.id for row in db.scalars(select(tables.Station))}
        versions = {
            row.design.name: (row.id, row.width_mm) for row in db.scalars(select(tables.DesignVersion))
        }
    todo = [w for w in wanted() if w.number not in there]

    def took_in(piece: Grown, number: int) -> None:
        want = todo[number]
        shown = design(want.design)
        version_id, width = versions[want.design]
        with unit_of_work(factory) as db:
            row = intake.add_workpiece(
                db,
                lot_ids[want.lot],
                piece.number,
                piece.diameter_mm,
                piece.height_mm,
                by=BY,
                at=at,
                ribs=piece.ribs,
            )
            intake.mark_hollowed(db, row.id, by=BY, at=at)
            intake.add_wall_readings(
                db, row.id, piece.walls, by=BY, at=at, file_name=f"wall {piece.number}.csv"
            )
            intake.add_scan(
                db, row.id, piece.touches, None, by=BY, at=at, file_name=f"touches {piece.number}.csv"
            )
            jobs.create_job(
                db,
                season_id,
                scenario.OPENING_NIGHT,
                station_id=station_ids[want.station] if want.station else None,
                design_version_id=version_id,
                workpiece_id=row.id,
                latitude_deg=latitude_of(shown),
                width_mm=width * piece.round_mm / shown_round_mm(shown) if shown.all_round else None,
                cutter_types=shown.cutters,
                priority=want.priority,
                by=BY,
                at=at,
            )
        report(
            len(wanted()) - len(todo) + number + 1, len(wanted()), f"touched all round: piece {piece.number}"
        )

    each_done(executor, grow_one, [(w.number, w.lot, w.design) for w in todo], took_in)


def shown_round_mm(shown: DemoDesign) -> float:
    """Return the way round for which an all-round design was drawn [mm]."""
    return {"squash": 892.0, "gourd": 502.0}[shown.kind]


__all__ = ["BY", "Grown", "grow_one", "latitude_of", "wanted", "write_base", "write_pieces"]
