"""What do the tests of the pages stand on? A migrated database in a folder of its own, and a small season."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from PIL import Image, ImageDraw
from sqlalchemy import event

import web
from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)  # 08:15 in London
OPENING = date(2026, 10, 24)
SIX_MM_FLAT = {
    "form": "flat", "diameter_mm": 6.0, "teeth": 2, "flute_length_mm": 42.0,
    "stick_out_mm": 50.0, "holder": {"diameter_mm": 30.0, "length_mm": 60.0}, "centre_cutting": True,
    "rpm": 12000.0, "feed_mm_per_min": 1400.0, "plunge_mm_per_min": 400.0, "step_down_mm": 5.0,
    "stepover_mm": 1.5, "life": {"material": "squash", "exponent": 0.25, "constant_m_per_min": 600.0},
}  # fmt: skip
FIGURES = {"outline_median_mm": 0.011, "outline_p99_mm": 0.083, "outline_max_mm": 0.125}


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database by the migrations, made once."""
    path = tmp_path_factory.mktemp("schema") / "empty.db"
    migrate.upgrade(f"sqlite:///{path}")
    return path


@pytest.fixture
def settings(empty_database: Path, tmp_path: Path) -> Settings:
    path = tmp_path / "season.db"
    path.write_bytes(empty_database.read_bytes())
    return Settings(f"sqlite:///{path}", tmp_path / "kept", "Europe/London")


@pytest.fixture
def app(settings: Settings) -> Iterator[Flask]:
    made = web.create_app(settings, clock=lambda: NOW, demo=True)
    yield made
    made.extensions["venue"].factory.kw["bind"].dispose()


@pytest.fixture
def client(app: Flask) -> Any:
    return app.test_client()


@pytest.fixture
def queries_of(app: Flask, client: Any) -> Callable[[str], int]:
    """Count the statements that one page runs."""

    def count(address: str) -> int:
        seen: list[str] = []
        engine = app.extensions["venue"].factory.kw["bind"]

        def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
            seen.append(statement)

        event.listen(engine, "before_cursor_execute", note)
        assert client.get(address).status_code == 200
        event.remove(engine, "before_cursor_execute", note)
        return len([one for one in seen if not one.startswith(("BEGIN", "PRAGMA"))])

    return count


@pytest.fixture
def fill(settings: Settings) -> Iterator[Callable[..., None]]:
    """Fill the database with a season of as many jobs as asked for, planned on three machines."""
    factory = session_factory(settings.database_url)

    def filled(jobs: int = 6, *, planned: bool = True, packages: bool = False) -> None:
        with unit_of_work(factory) as db:
            db.add_all(_rows(jobs, planned, NOW))
        if packages:
            for number in range(1, jobs + 1):
                _write_package(settings.packages / f"job_{number}" / "heron", number)

    yield filled
    factory.kw["bind"].dispose()


def _rows(jobs: int, planned: bool, now: datetime) -> list[Any]:
    said = {"recorded_at": now - timedelta(days=1), "recorded_by": "Ines"}
    season = tables.Season(
        id=1, name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=OPENING,
        last_night=OPENING + timedelta(days=2), dusk=time(17, 25), **said,
    )  # fmt: skip
    season.nights = [tables.Night(night=OPENING + timedelta(days=n), temperature_c=11.0) for n in range(3)]
    designs = [_design(1, "Running Fox", [], said), _design(2, "Moth Pair", [], said), _bad_badge(said)]
    machines = [_machine(n, name, said) for n, name in enumerate(("Wren", "Heron", "Otter"), 1)]
    machines[0].breakdowns = [
        tables.Breakdown(
            start_at=now - timedelta(minutes=40), end_at=now + timedelta(hours=2), reason="belt torn", **said
        )
    ]
    machines[1].proof_marks = [tables.ProofMark(made_at=now - timedelta(hours=2), made_by="Tom", **said)]
    lot = tables.Lot(
        id=1,
        name="L-201",
        variety="Crown",
        kind="squash",
        quantity=jobs,
        received_on=date(2026, 10, 10),
        **said,
    )
    rows: list[Any] = [season, *designs, *machines, lot, *_cutters(said)]
    plan = _plan(said, now, jobs)
    for number in range(1, jobs + 1):
        in_plan = planned and number < jobs  # the last one is left undone
        rows += _job_rows(number, plan if in_plan else None, now, said)
    return [*rows, plan] if planned else rows


def _design(number: int, name: str, findings: list[dict[str, Any]], said: dict[str, Any]) -> tables.Design:
    drawing = (
        b'<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="120mm" viewBox="0 0 200 120">'
        b'<path class="opening" d="M20 100 L100 10 L180 100 Z"/></svg>'
    )
    approved = {} if findings else {"approved_by": "Ines", "approved_at": said["recorded_at"]}
    version = tables.DesignVersion(
        id=number, version=1, artwork=drawing, file_name=f"{name}.svg", digest="d" * 12, width_mm=200,
        height_mm=120, findings=findings, **approved, **said,
    )  # fmt: skip
    return tables.Design(id=number, name=name, versions=[version], **said)


def _bad_badge(said: dict[str, Any]) -> tables.Design:
    finding = {
        "severity": "refuse", "rule": "bridge width", "text": "the bridge beside opening 3 is 1.2 mm wide",
        "fix": "widen it to 6 mm, or make the design larger", "place": "opening 3", "measured": 1.2,
        "allowed": 6.0, "unit": "mm",
    }  # fmt: skip
    return _design(3, "Bad Badge", [finding], said)


def _machine(number: int, name: str, said: dict[str, Any]) -> tables.Machine:
    days = [datetime(2026, 10, 21 + n, 5, 0, tzinfo=UTC) for n in range(3)]
    return tables.Machine(
        id=number, name=name, description="{}", digest="m" * 12, max_diameter_mm=360, min_diameter_mm=150,
        max_height_mm=330, fixture_class="ring", fixtures=["ring", "wide ring"], kinds=["squash"],
        build="turntable and swinging arc",
        shifts=[tables.MachineShift(start_at=d, end_at=d + timedelta(hours=11), **said) for d in days],
        **said,
    )  # fmt: skip


def _cutters(said: dict[str, Any]) -> list[tables.Cutter]:
    kinds = (("6F-01", 0.83, 2, "fitted"), ("6F-02", 0.08, 1, "fitted"), ("3B-01", 1.0, None, "stored"))
    return [
        tables.Cutter(
            name=name, type_name=name[:2],
            description=SIX_MM_FLAT | {"name": f"{name[:2]} flat"},
            life_left=left, machine_id=machine, state=state, **said,
        )
        for name, left, machine, state in kinds
    ]  # fmt: skip


def _plan(said: dict[str, Any], now: datetime, jobs: int) -> tables.Plan:
    start_at = now.replace(hour=5, minute=0)
    return tables.Plan(
        id=1, season_id=1, state="published", start_at=start_at, seed=7, seconds=12.5,
        versions={"ortools": "9.15", "lanternwright": "0.1.0"}, problem={"frozen_until_min": 195},
        tiers={"undone": {"value": 2, "bound": 2, "status": "optimal"},
               "late": {"value": 40, "bound": 12, "status": "feasible"}},
        undone=[{"job": f"Gate {jobs} #{jobs}", "why": "no XL piece is hollowed"}],
        published_at=now, published_by="Ines", **said,
    )  # fmt: skip


def _job_rows(number: int, plan: tables.Plan | None, now: datetime, said: dict[str, Any]) -> list[Any]:
    """Return one job's rows; on the plan only where one is given."""
    area = ("Lime Walk", "Orangery", "Gate")[number % 3]
    machine = 1 + number % 3
    state = "cut" if number <= 3 else "prepared"
    station = tables.Station(
        id=number,
        season_id=1,
        name=f"{area} {number}",
        area=area,
        size_class="large",
        kind="through",
        least_rating=6,
    )
    piece = tables.Workpiece(
        id=number, lot_id=1, number=f"{100 + number:04d}", diameter_mm=280, height_mm=230, ribs=10,
        state="hollow", wall_default_mm=22, store_place="rack 3", **said,
    )  # fmt: skip
    job = tables.Job(
        id=number, season_id=1, station_id=number, night=OPENING, workpiece_id=number,
        design_version_id=1 + number % 2, latitude_deg=5, longitude_deg=-12, cutter_types=["6F"], priority=2,
        state=state, **said,
    )  # fmt: skip
    job.preparations = [
        tables.Preparation(
            id=number, machine_id=machine, inputs_digest="a1b2c3d4e5f6", folder=f"job_{number}/heron",
            run_s=1260, cutting_m=6.2, wear={"6F": 0.012}, prepared_at=now - timedelta(hours=5),
            engine_version="Lanternwright 0.1.0",
            findings=[{"severity": "warn", "rule": "wall", "text": "8 readings only, thinnest 17.2 mm",
                       "fix": "gauge the back as well", "place": "", "measured": None, "allowed": None,
                       "unit": ""}],
            depth_median_mm=0.02, depth_max_mm=0.31, **FIGURES, **said,
        )
    ]  # fmt: skip
    job.run_times = [
        tables.RunTime(
            machine_id=machine, preparation_id=number, eligible=True, run_min=21, wear={"6F": 0.012}
        ),
        tables.RunTime(machine_id=1 + machine % 3, eligible=False, reason="280 mm is more than its 170 mm"),
    ]
    rows: list[Any] = [station, piece, job]
    if plan is not None:
        turn = (number - 1) // 3
        begins = plan.start_at + timedelta(days=turn // 14, minutes=5 + 46 * (turn % 14))
        plan.rows.append(
            tables.PlanRow(
                job_id=number, machine_id=machine, start_at=begins,
                end_at=begins + timedelta(minutes=32 + number % 12),
                cutters=["6F-01"],
            )
        )  # fmt: skip
    return rows


def _write_package(folder: Path, number: int) -> None:
    folder.mkdir(parents=True)
    picture = Image.new("RGB", (320, 320), "#0b0914")
    drawn = ImageDraw.Draw(picture)
    drawn.ellipse((30, 50, 290, 290), fill="#3a2012")
    drawn.polygon([(160, 80), (80 + number % 40, 220), (250, 230)], fill="#ffd27a")
    written = io.BytesIO()
    picture.save(written, "PNG")
    (folder / "lit.png").write_bytes(written.getvalue())
    (folder / "flat.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-100 -60 200 120">'
        '<path d="M-80 40 L0 -50 L80 40 Z"/></svg>'
    )
    (folder / "sheet.html").write_text(
        "<!doctype html><title>Sheet</title><style>b{color:red}</style><b>Piece</b>"
    )
    (folder / "program.nc").write_text("(job 1)\nG21 G90 G17\nM2\n")
    (folder / "secret.txt").write_text("not for anybody")
    cutter = {"name": "6 mm flat", "stick_out_mm": 50, "minutes": 5.5, "cutting_m": 6.2, "wear": 0.0097}
    operation = {
        "pass": "opening 1 outline",
        "cutter": "6 mm flat",
        "levels": 6,
        "reasons": ["delicate first"],
    }
    said = {"seconds": {"cutting": 1200, "travel": 60, "changes": 0}, "deepest_mm": 24.6, "cutters": [cutter]}
    (folder / "job.json").write_text(
        json.dumps({**said, "operations": [operation], "first_pass": "opening 1 outline"})
    )
