"""What is the smallest season that has everything? Balls of foam, one window, one machine, one night."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np

from planner.config import Settings
from planner.database import migrate
from planner.database.session import session_factory, unit_of_work
from planner.services import designs, fleet, intake, jobs, season
from seed_demo.fleet import cutters_file, machine_files

NOW = datetime(2026, 10, 21, 7, tzinfo=UTC)
BY = "Ines"
WINDOW = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="{0}mm" height="{0}mm" viewBox="0 0 24 24">'
    b'<path d="M0 0h24v24h-24z"/></svg>'
)


def settings_in(folder: Path, url: str | None = None) -> Settings:
    """Return the settings of a folder of its own."""
    return Settings(url or f"sqlite:///{folder / 'lanternwright.db'}", folder, "Europe/London")


def touches(number: int, places: int = 48) -> str:
    """Return the probe file of a ball of foam, each a little larger than the one before."""
    i = np.arange(places) + 0.5
    up = 1 - 2 * i / places
    turn = i * np.pi * (3 - np.sqrt(5))
    radius = 110 + 0.01 * number
    at = radius * np.stack([np.cos(turn) * np.sqrt(1 - up**2), np.sin(turn) * np.sqrt(1 - up**2), up], axis=1)
    return "# tip_radius_mm=1.0\nx_mm,y_mm,z_mm\n" + "".join(f"{x:.3f},{y:.3f},{z:.3f}\n" for x, y, z in at)


def build(
    settings: Settings, count: int = 3, *, machines: tuple[str, ...] = ("Heron",), base: int = 0
) -> int:
    """Write a season of so many lanterns, through the services, and return its number."""
    migrate.upgrade(settings.database_url)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        long_dusk = season.add_season(
            db, "The Long Dusk", "Larkmere", "Europe/London", date(2026, 10, 24), date(2026, 10, 25),
            time(17, 25), by=BY, at=NOW,
        )  # fmt: skip
        version = designs.add_design_version(
            db, "Window", WINDOW.replace(b"{0}", b"24"), "window.svg", "opening", None, by=BY, at=NOW
        )
        for name in machines:
            machine = fleet.add_machine(
                db, machine_files()[name], max_diameter_mm=400, fixture_class="ring", by=BY, at=NOW
            )
            fleet.make_proof_mark(db, machine.id, by=BY, at=NOW)
            for day in range(3):
                begin = NOW.replace(hour=6) + timedelta(days=day)
                fleet.add_shift(db, machine.id, begin, begin + timedelta(hours=11), by=BY, at=NOW)
            first = json.loads(cutters_file())["cutters"][0]["name"]
            fleet.add_cutter(
                db, f"{first}-{machine.id:02d}", first, cutters_file(), machine_id=machine.id, by=BY, at=NOW
            )
        lot = intake.add_lot(db, "L-1", "block", "foam", max(count, 1), NOW.date(), by=BY, at=NOW)
        for number in range(base + 1, base + count + 1):
            station = season.add_station(
                db, long_dusk.id, f"Gate {number}", "Gate", "large", "through", least_rating=5,
                design_ids=[version.design_id],
            )  # fmt: skip
            piece = intake.add_workpiece(db, lot.id, f"{number:04d}", 220.0, 220.0, by=BY, at=NOW)
            intake.mark_hollowed(db, piece.id, by=BY, at=NOW)
            intake.add_wall_readings(
                db,
                piece.id,
                "longitude_deg,latitude_deg,wall_mm\n0,0,12\n",
                by=BY,
                at=NOW,
                file_name="wall.csv",
            )
            intake.add_scan(db, piece.id, touches(number), None, by=BY, at=NOW, file_name="touches.csv")
            jobs.create_job(
                db, long_dusk.id, date(2026, 10, 24), station_id=station.id, design_version_id=version.id,
                workpiece_id=piece.id, latitude_deg=5.0, cutter_types=[first], by=BY, at=NOW,
            )  # fmt: skip
        number = long_dusk.id
    factory.kw["bind"].dispose()
    return number
