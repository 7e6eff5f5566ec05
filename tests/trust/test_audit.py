"""Does the audit find each fault it is there for, and nothing in a season that is sound?"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from engine.files import digest_of
from planner.audit import RULES, audit
from planner.cli import main
from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work

AT = datetime(2026, 10, 21, 9, tzinfo=UTC)
SAID = {"recorded_at": AT, "recorded_by": "Ines"}
DRAWING = b'<svg xmlns="http://www.w3.org/2000/svg"/>'


def _season() -> list[object]:
    """A season with three jobs: one in place, one being cut, one prepared and planned ahead."""
    lot = tables.Lot(
        id=1, name="L-1", variety="Crown", kind="squash", quantity=3, received_on=AT.date(), **SAID
    )
    design = tables.DesignVersion(
        id=1, design_id=1, version=1, artwork=DRAWING, file_name="a.svg", digest=digest_of(DRAWING),
        width_mm=100, height_mm=50, **SAID,
    )  # fmt: skip
    machines = [
        tables.Machine(
            id=n, name=f"Machine {n}", description="{}", digest=digest_of("{}"), max_diameter_mm=300,
            fixture_class="ring", **SAID,
        )
        for n in (1, 2)
    ]  # fmt: skip
    plan = tables.Plan(
        id=1, season_id=1, state="published", start_at=AT, seed=0, seconds=1, published_at=AT,
        published_by="Ines", **SAID,
    )  # fmt: skip
    rows: list[object] = [
        tables.Season(
            id=1, name="The Long Dusk", site="Larkmere", time_zone="Europe/London",
            opening_night=date(2026, 10, 24), last_night=date(2026, 10, 26), dusk=time(17, 25), **SAID,
        ),
        tables.Design(id=1, name="Fox", **SAID), design, *machines, lot, plan,
        tables.Cutter(
            id=1, name="6F-01", type_name="6F", description={}, life_left=0.9, state="fitted",
            machine_id=1, **SAID,
        ),
    ]  # fmt: skip
    for n, state, piece in ((1, "placed", "placed"), (2, "cutting", "hollow"), (3, "prepared", "hollow")):
        rows += [
            tables.Workpiece(
                id=n, lot_id=1, number=f"{n:04d}", diameter_mm=250, height_mm=200, state=piece, **SAID
            ),
            tables.Scan(
                id=n, workpiece_id=n, taken_at=AT, state="hollow", clamp_number=0, tip_radius_mm=1.0,
                points=np.ones((4, 3)), touches=4, digest=digest_of(f"touches {n}"),
                original=f"touches {n}", **SAID,
            ),
            tables.Job(
                id=n, season_id=1, night=date(2026, 10, 24), workpiece_id=n, design_version_id=1,
                state=state, **SAID,
            ),
            tables.Preparation(
                id=n, job_id=n, machine_id=1, inputs_digest=f"{n}" * 64, folder=_folder(n),
                run_s=1200, cutting_m=2.0, wear={"6F": 0.1}, prepared_at=AT, engine_version="0", **SAID,
            ),
            tables.RunTime(job_id=n, machine_id=1, eligible=True, run_min=20, wear={"6F": 0.1}),
            tables.PlanRow(
                id=n, plan_id=1, job_id=n, machine_id=1, start_at=AT + timedelta(hours=n),
                end_at=AT + timedelta(hours=n, minutes=40),
            ),
        ]  # fmt: skip
    finished = tables.Run(
        id=1, job_id=1, machine_id=1, workpiece_id=1, preparation_id=1, started_at=AT,
        ended_at=AT + timedelta(minutes=20), outcome="finished", **SAID,
    )  # fmt: skip
    under_way = tables.Run(
        id=2,
        job_id=2,
        machine_id=1,
        workpiece_id=2,
        preparation_id=2,
        started_at=AT + timedelta(hours=1),
        **SAID,
    )
    pause = tables.Pause(
        id=1,
        run_id=1,
        start_at=AT + timedelta(minutes=2),
        end_at=AT + timedelta(minutes=3),
        reason="chips",
        **SAID,
    )
    use = tables.CutterUse(id=1, run_id=1, cutter_id=1, metres=2.0, minutes=20, wear=0.1, **SAID)
    work = tables.Work(id=1, kind="forecast", state="done", ended_at=AT, **SAID)
    return [*rows, finished, under_way, pause, use, work]


def _folder(number: int) -> str:
    return f"{number:05d}-{str(number) * 6}"


@pytest.fixture
def packages(tmp_path: Path) -> Path:
    for number in (1, 2, 3):
        folder = tmp_path / _folder(number)
        folder.mkdir()
        (folder / "program.nc").write_text(f"({number})\nM2\n")
        said = {"files": {"program.nc": hashlib.sha256((folder / "program.nc").read_bytes()).hexdigest()}}
        (folder / "job.json").write_text(json.dumps(said))
    return tmp_path


@pytest.fixture
def sound(db: Session) -> Session:
    for row in _season():
        db.add(row)
        db.flush()
    for n in (1, 2, 3):  # a folder bears the first digits of the digest of its inputs
        db.execute(text(f"UPDATE preparations SET inputs_digest = '{str(n) * 6}' WHERE id = {n}"))
    db.expire_all()
    return db


def test_a_sound_season_breaks_no_rule(sound: Session, packages: Path) -> None:
    """Nothing is found where nothing is wrong, and every row was looked at."""
    found = audit(sound, packages)
    assert found.breaches == ()
    assert found.rows == len(_season())


def _sql(*statements: str) -> Callable[[Session, Path], None]:
    def run(db: Session, packages: Path) -> None:
        for statement in statements:
            db.execute(text(statement))
        db.expire_all()

    return run


def _other_program(db: Session, packages: Path) -> None:
    (packages / _folder(3) / "program.nc").write_text("(another)\nM2\n")


def _no_package(db: Session, packages: Path) -> None:
    shutil.rmtree(packages / _folder(3))


def _half_a_package(db: Session, packages: Path) -> None:
    (packages / _folder(3) / "job.json").unlink()


PLAN = "INSERT INTO plans (id, season_id, state, start_at, seed, seconds, versions, problem, tiers, undone, revision, recorded_at, recorded_by) SELECT 2, season_id, 'published', start_at, seed, seconds, versions, problem, tiers, undone, 1, recorded_at, recorded_by FROM plans"  # noqa: E501
FAULTS: list[tuple[str, Callable[[Session, Path], None]]] = [
    ("states are known words", _sql("UPDATE jobs SET state = 'lost' WHERE id = 3")),
    ("states are known words", _sql("UPDATE runs SET outcome = 'well' WHERE id = 1")),
    ("one published plan a season", _sql("DROP INDEX uq_plans_published", PLAN)),
    ("no machine is booked twice", _sql("UPDATE plan_rows SET start_at = (SELECT start_at FROM plan_rows WHERE id = 1) WHERE id = 2")),  # noqa: E501
    ("no lantern is planned in two places at once", _sql("UPDATE plan_rows SET job_id = 3, machine_id = 2, step = 1, start_at = (SELECT start_at FROM plan_rows WHERE id = 3), end_at = (SELECT end_at FROM plan_rows WHERE id = 3) WHERE id = 2")),  # noqa: E501
    ("what is planned is timed on its machine", _sql("UPDATE plan_rows SET machine_id = 2 WHERE job_id = 3")),
    ("no lit lantern without a piece", _sql("UPDATE jobs SET workpiece_id = NULL WHERE id = 1")),
    ("no lit lantern without a piece", _sql("UPDATE workpieces SET state = 'whole' WHERE id = 1")),
    ("a lantern that is cut was finished at a machine", _sql("UPDATE runs SET workpiece_id = 3 WHERE id = 1")),  # noqa: E501
    ("a piece is one lantern", _sql("UPDATE jobs SET workpiece_id = 2 WHERE id = 3")),
    ("a piece is one lantern", _sql("UPDATE workpieces SET state = 'scrapped' WHERE id = 3")),
    ("a job in hand has piece and design", _sql("UPDATE jobs SET design_version_id = NULL WHERE id = 3")),
    ("one scan of a piece counts", _sql("DROP INDEX uq_scans_active", "UPDATE scans SET workpiece_id = 2 WHERE id = 3")),  # noqa: E501
    ("one scan of a piece counts", _sql("UPDATE scans SET clamp_number = 1 WHERE id = 3")),
    ("one scan of a piece counts", _sql("UPDATE scans SET touches = 5 WHERE id = 3")),
    ("what is being cut has an open run", _sql("UPDATE jobs SET state = 'prepared' WHERE id = 2")),
    ("what is being cut has an open run", _sql("UPDATE jobs SET state = 'cutting' WHERE id = 3")),
    ("what is being cut has an open run", _sql("UPDATE runs SET workpiece_id = 3 WHERE id = 2")),
    ("a machine runs one lantern at a time", _sql("UPDATE runs SET started_at = (SELECT start_at FROM pauses) WHERE id = 2")),  # noqa: E501
    ("pauses lie inside their runs", _sql("UPDATE pauses SET end_at = NULL")),
    ("the ledger's sums equal the runs", _sql("UPDATE cutter_uses SET wear = 0.05")),
    ("the ledger's sums equal the runs", _sql("UPDATE cutter_uses SET metres = 2.5")),
    ("the ledger's sums equal the runs", _sql("UPDATE cutter_uses SET run_id = 2")),
    ("no cutter has more life than is left", _sql("UPDATE cutters SET life_left = 0.95")),
    ("digests match what is stored", _sql("UPDATE scans SET original = 'touches 9' WHERE id = 3")),
    ("digests match what is stored", _sql("UPDATE design_versions SET digest = '000000000000'")),
    ("digests match what is stored", _sql("UPDATE machines SET description = '{ }' WHERE id = 2")),
    ("packages are there and whole", _other_program),
    ("packages are there and whole", _no_package),
    ("packages are there and whole", _half_a_package),
    ("packages are there and whole", _sql("UPDATE preparations SET folder = '../elsewhere' WHERE id = 3")),
    ("packages are there and whole", _sql("UPDATE preparations SET inputs_digest = 'other' WHERE id = 3")),
    ("long work is in one hand, and ends once", _sql("UPDATE works SET state = 'running'")),
    ("long work is in one hand, and ends once", _sql("UPDATE works SET state = 'failed'")),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "fault"), FAULTS, ids=[f"{n} {rule}" for n, (rule, _) in enumerate(FAULTS)])
def test_a_fault_is_found(
    sound: Session, packages: Path, rule: str, fault: Callable[[Session, Path], None]
) -> None:
    """One thing is broken behind the services' back: its rule tells it."""
    fault(sound, packages)
    found = audit(sound, packages)
    assert rule in {breach.rule for breach in found.breaches}, found.breaches
    assert all(breach.words and "\n" not in breach.words for breach in found.breaches)


def test_a_sharpened_cutter_has_its_life_again(sound: Session, packages: Path) -> None:
    """What was taken before a cutter was sharpened is no longer taken from its life."""
    sound.execute(text("UPDATE cutters SET life_left = 0.95"))
    rule = "no cutter has more life than is left"
    assert audit(sound, packages, rules=[rule]).breaches
    for cutter in sound.scalars(select(tables.Cutter)):
        sound.add(
            tables.CutterEntry(
                cutter_id=cutter.id, kind="sharpened", happened_at=datetime(2030, 1, 1, tzinfo=UTC),
                recorded_at=datetime(2030, 1, 1, tzinfo=UTC), recorded_by="test",
            )
        )  # fmt: skip
    sound.flush()
    assert not audit(sound, packages, rules=[rule]).breaches


def test_every_rule_has_a_fault_that_breaks_it() -> None:
    """A rule that nothing can break would say nothing; the store's own pages are broken below."""
    assert set(RULES) == {rule for rule, _ in FAULTS} | {"the store is whole"}


def test_a_broken_file_and_a_broken_link_are_found(tmp_path: Path) -> None:
    """A cutter with two lives, and a row that points nowhere: the command ends with 3 and says so."""
    settings = Settings(f"sqlite:///{tmp_path / 'lanternwright.db'}", tmp_path, "UTC")
    migrate.upgrade(settings.database_url)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for row in _season():
            db.add(row)
            db.flush()
    factory.kw["bind"].dispose()
    sound = CliRunner().invoke(main, ["check", "--folder", str(tmp_path), "--rule", "the store is whole"])
    assert sound.exit_code == 0, sound.output
    engine = factory.kw["bind"]
    with engine.connect() as connection:
        cursor = connection.connection.cursor()
        cursor.execute("PRAGMA foreign_keys = OFF")
        cursor.execute("UPDATE jobs SET workpiece_id = 999 WHERE id = 3")
        cursor.execute("PRAGMA ignore_check_constraints = ON")
        cursor.execute("UPDATE cutters SET life_left = 2")
    engine.dispose()
    broken = CliRunner().invoke(main, ["check", "--folder", str(tmp_path), "--rule", "the store is whole"])
    assert broken.exit_code == 3
    assert "points to a row of workpieces that is not there" in broken.output
    assert "CHECK constraint failed in cutters" in broken.output
    wrong = CliRunner().invoke(main, ["check", "--folder", str(tmp_path), "--rule", "unheard of"])
    assert wrong.exit_code == 2
