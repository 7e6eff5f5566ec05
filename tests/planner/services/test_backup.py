"""Does a copy come back whole, and is a damaged one refused as a whole?"""

from __future__ import annotations

import json
import threading
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import func, select

from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work
from planner.errors import Conflict, Refused
from planner.services import people
from planner.services.backup import backup, restore

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def filled(new_database: Callable[[], str], tmp_path: Path) -> Settings:
    """A database with times, blobs, points, JSON and a person in it, and one job package."""
    url = new_database()
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        db.add(
            tables.Season(
                name="The Long Dusk", site="Larkmere", time_zone="Europe/London", dusk=time(17, 25),
                opening_night=date(2026, 10, 24), last_night=date(2026, 10, 26), **BY,
            )
        )  # fmt: skip
        lot = tables.Lot(
            name="L-1", variety="Crown – ü", kind="squash", quantity=1, received_on=AT.date(), **BY
        )
        piece = tables.Workpiece(lot=lot, number="0147", diameter_mm=284.125, height_mm=256, **BY)
        points = np.random.default_rng(1).normal(size=(40, 3))
        piece.scans = [
            tables.Scan(
                taken_at=AT, state="whole", clamp_number=1, tip_radius_mm=3, points=points, touches=40,
                digest="0", original="x\ny", **BY,
            )
        ]  # fmt: skip
        version = tables.DesignVersion(
            version=1, artwork=bytes(range(256)), file_name="a.svg", digest="0", width_mm=1, height_mm=1,
            findings=[{"rule": "web"}], **BY,
        )  # fmt: skip
        db.add_all([piece, tables.Design(name="Fern", versions=[version], **BY)])
        db.flush()
        people.accept_invitation(
            db, people.invite(db, "keeper", by="Ann", at=AT), "Ann", "apple ladder seven rain", at=AT
        )
    factory.kw["bind"].dispose()
    settings = Settings(url, tmp_path / "kept", "UTC")
    (settings.packages / "job_1").mkdir(parents=True)
    (settings.packages / "job_1" / "program.nc").write_bytes(b"G21\nM2\n")
    return settings


def _empty(new_database: Callable[[], str], tmp_path: Path, name: str = "other") -> Settings:
    return Settings(new_database(), tmp_path / name, "UTC")


def test_a_copy_comes_back_whole(filled: Settings, new_database: Callable[[], str], tmp_path: Path) -> None:
    """A copy of what came back is the same file, byte for byte; so are the packages and the password."""
    first, second = tmp_path / "one.zip", tmp_path / "two.zip"
    copied = backup(filled, first)
    assert copied.files == 1
    assert first.stat().st_mode & 0o077 == 0
    other = _empty(new_database, tmp_path)
    assert restore(other, first).rows == copied.rows
    backup(other, second)
    assert second.read_bytes() == first.read_bytes()
    assert (other.packages / "job_1" / "program.nc").read_bytes() == b"G21\nM2\n"
    factory = session_factory(other.database_url)
    with unit_of_work(factory) as db:
        assert people.sign_in(db, "Ann", "apple ladder seven rain", "here", at=AT) is not None
        db.add(tables.Design(name="Next", **BY))  # new rows are numbered after the old ones
        db.flush()
        scan = db.scalar(select(tables.Scan))
        assert scan is not None
        assert np.array_equal(scan.points, np.random.default_rng(1).normal(size=(40, 3)))
    factory.kw["bind"].dispose()


def test_a_full_database_is_not_written_over(filled: Settings, tmp_path: Path) -> None:
    """A copy is brought back into an empty database alone."""
    backup(filled, tmp_path / "one.zip")
    with pytest.raises(Conflict, match="into an empty one"):
        restore(filled, tmp_path / "one.zip")


def _rewritten(source: Path, out: Path, change: Callable[[str, bytes], tuple[str, bytes]]) -> Path:
    with zipfile.ZipFile(source) as kept, zipfile.ZipFile(out, "w") as new:
        for name in kept.namelist():
            new.writestr(*change(name, kept.read(name)))
    return out


def test_a_damaged_copy_is_refused_as_a_whole(
    filled: Settings, new_database: Callable[[], str], tmp_path: Path
) -> None:
    """Cut short, one byte changed, a part that leads elsewhere, an unknown version: nothing comes of it."""
    whole = tmp_path / "one.zip"
    backup(filled, whole)
    short = tmp_path / "short.zip"
    short.write_bytes(whole.read_bytes()[:-200])

    def one_byte(name: str, content: bytes) -> tuple[str, bytes]:
        return name, content.replace(b"Crown", b"Crowm") if name == "tables/lots.jsonl" else content

    def elsewhere(name: str, content: bytes) -> tuple[str, bytes]:
        away = "packages/../../outside"
        if name == "contents.json":
            return name, content.replace(b"packages/job_1/program.nc", away.encode())
        return (away, content) if name.startswith("packages/") else (name, content)

    def newer(name: str, content: bytes) -> tuple[str, bytes]:
        if name != "contents.json":
            return name, content
        return name, json.dumps(json.loads(content) | {"revision": "9999_later"}).encode()

    bad = [
        short,
        *(_rewritten(whole, tmp_path / f"{f.__name__}.zip", f) for f in (one_byte, elsewhere, newer)),
    ]
    for number, source in enumerate(bad):
        target = _empty(new_database, tmp_path, f"t{number}")
        with pytest.raises(Refused):
            restore(target, source)
        assert not (tmp_path / "outside").exists()
        assert not target.packages.exists()


def test_a_copy_taken_while_people_write_is_one_moment(
    filled: Settings, new_database: Callable[[], str], tmp_path: Path
) -> None:
    """A lot and its piece are written together: a copy never holds one without the other."""
    factory = session_factory(filled.database_url)
    stop = threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            with unit_of_work(factory) as db:
                lot = tables.Lot(
                    name=f"W-{number}", variety="x", kind="squash", quantity=1, received_on=AT.date(), **BY
                )
                db.add(tables.Workpiece(lot=lot, number=f"W{number}", diameter_mm=1, height_mm=1, **BY))

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(4):
            backup(filled, tmp_path / f"{number}.zip")
    finally:
        stop.set()
        writer.join()
        factory.kw["bind"].dispose()
    for number in range(4):
        target = _empty(new_database, tmp_path, f"m{number}")
        restore(target, tmp_path / f"{number}.zip")
        read = session_factory(target.database_url)
        with read() as db:
            lots = db.scalar(select(func.count(tables.Lot.id)))
            assert lots == db.scalar(select(func.count(tables.Workpiece.id)))
        read.kw["bind"].dispose()
