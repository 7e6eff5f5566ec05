"""Of what does each trial get a copy? Small seasons made once, as SQLite files or PostgreSQL templates."""

from __future__ import annotations

import json
import os
import random
import shutil
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from sqlalchemy import text
from sqlalchemy.orm import Session, sessionmaker

from planner.config import Settings
from planner.database import migrate
from planner.database.session import unit_of_work
from planner.services import drafts
from planner.services.backup import backup, restore
from planner.services.planning import plan_season
from planner.services.preparing import compile_kernels, inputs_of, store_survey, survey
from seed_demo.fleet import cutters_file, machine_files
from tests import postgresql
from tests.bench.small import BY, NOW, WINDOW, build, settings_in, touches
from tests.bench.trials import processes
from tests.bench.trials.judging import opened

JOBS = 3
OLD = "0002_people"
DRAFTS = 6
KINDS = ("timed", "planned", "drafts", "old")


@dataclass
class Bench:
    """Prepared seasons, of which each trial gets a copy."""

    home: Path
    chance: random.Random
    server: Path | None = None
    """Socket folder of a PostgreSQL server; None: SQLite."""
    spans: dict[str, float] = field(default_factory=dict)
    """What each work took when it was left alone, of the processor or of a lead's time [s]."""
    copies: int = 0

    def fresh(self, kind: str) -> Settings:
        """Return a copy of a prepared season in a folder of its own."""
        folder = self._folder()
        shutil.copytree(self.home / kind, folder)
        return self._kept_in(folder, f"TEMPLATE {kind}")

    def empty(self) -> Settings:
        """Return an empty folder and an empty database."""
        folder = self._folder()
        folder.mkdir()
        return self._kept_in(folder, "")

    def _folder(self) -> Path:
        self.copies += 1
        return self.home / f"trial{os.getpid()}-{self.copies}"

    def _kept_in(self, folder: Path, like: str) -> Settings:
        if self.server is None:
            return settings_in(folder)
        name = folder.name.replace("-", "_")
        postgresql.order(self.server, f"CREATE DATABASE {name} {like}")
        return settings_in(folder, postgresql.url_of(self.server, name))

    def put_away(self) -> None:
        """Throw away what trials left."""
        for folder in self.home.glob(f"trial{os.getpid()}-*"):
            if self.server is not None:
                name = folder.name.replace("-", "_")
                postgresql.order(self.server, f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
            shutil.rmtree(folder, ignore_errors=True)


def bench_in(home: Path, seed: int = 0, server: Path | None = None) -> Bench:
    """Make the seasons of which trials get copies; those that lie there already are used again."""
    if not (home / "ready").exists():
        _make(home)
        (home / "ready").touch()
    if server is not None:
        _make_templates(home, server)
    return Bench(home, random.Random(seed), server)


def _make(home: Path) -> None:
    compile_kernels()
    timed = settings_in(home / "timed")
    timed.folder.mkdir(parents=True)
    build(timed, JOBS)
    with opened(timed) as factory:
        for job in range(1, JOBS + 1):
            with unit_of_work(factory) as db:
                store_survey(db, survey(inputs_of(db, job)), by=BY, at=NOW)
        _rested(factory)
    planned = _copy_of(timed, home / "planned")
    with opened(planned) as factory:
        plan_season(factory, 1, by=BY, now=NOW, seconds=0.5, workers=1)
        _rested(factory)
    with_drafts = _copy_of(planned, home / "drafts")
    with opened(with_drafts) as factory:
        for number in range(1, DRAFTS + 1):
            at = NOW + timedelta(minutes=number)
            drafts.draft_plan(factory, 1, why=f"trial {number}", by=BY, now=at, seconds=0.3)
        _rested(factory)
    backup(planned, home / "copy.zip")
    old = _copy_of(timed, home / "old")
    migrate.downgrade(old.database_url, OLD)
    with opened(old) as factory:
        _rested(factory)
    _make_files(home)


def _copy_of(settings: Settings, folder: Path) -> Settings:
    shutil.copytree(settings.folder, folder)
    return settings_in(folder)


def _rested(factory: sessionmaker[Session]) -> None:
    """Put everything into the one file, so that it can be copied."""
    with factory() as db:
        db.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))


def _make_templates(home: Path, server: Path) -> None:
    """Bring the same seasons into databases of a server, as templates."""
    for kind in KINDS:
        postgresql.order(server, f"CREATE DATABASE {kind}")
        there = settings_in(home / kind, postgresql.url_of(server, kind))
        source = home / f"{kind}.zip"
        backup(settings_in(home / ("timed" if kind == "old" else kind)), source)
        restore(there, source)
        if kind == "old":
            migrate.downgrade(there.database_url, OLD)


def _make_files(home: Path) -> None:
    """Lay down what `prepare` reads, and a package that it made earlier of another place."""
    files = home / "files"
    files.mkdir()
    (files / "window.svg").write_bytes(WINDOW.replace(b"{0}", b"24"))
    (files / "touches.csv").write_text(touches(1))
    (files / "machine.json").write_text(machine_files()["Heron"])
    (files / "cutters.json").write_text(json.dumps({"cutters": json.loads(cutters_file())["cutters"][:1]}))
    (home / "earlier").mkdir()
    processes.run(settings_in(home), *prepare(files, home / "earlier" / "job", "--longitude", "40"))


def prepare(files: Path, out: Path, *more: str) -> tuple[str, ...]:
    """Return the command that prepares those files."""
    return (
        "prepare", "--artwork", str(files / "window.svg"), "--touches", str(files / "touches.csv"),
        "--machine", str(files / "machine.json"), "--cutters", str(files / "cutters.json"),
        "--kind", "foam", "--wall-mm", "12", "--out", str(out), *more,
    )  # fmt: skip
