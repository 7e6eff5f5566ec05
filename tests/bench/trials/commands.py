"""Is everything whole, though a command of the program is killed at a random moment?"""

from __future__ import annotations

import shutil
import time

from sqlalchemy import text

from planner.database import migrate, tables
from planner.database.session import engine_for
from planner.services.backup import backup, contents_of
from planner.services.preparing import package_fault
from tests.bench.trials.judging import Wrong, count, judged, one_in_force
from tests.bench.trials.processes import command_killed, left_alone
from tests.bench.trials.seasons import JOBS, OLD, Bench, prepare

_PLAN = ("plan", "--seconds", "0.5", "--workers", "1", "--at", "2026-10-21T09:00:00")


def preparing(bench: Bench) -> float:
    """Kill `prepare`, half of the time over an earlier package; what lies there is whole, or says nothing."""
    settings = bench.empty()
    out = settings.folder / "out"
    words = prepare(bench.home / "files", out / "job")
    if bench.chance.random() < 0.5:  # over an earlier package of another place
        shutil.copytree(bench.home / "earlier", out)
    command_killed(bench, "command preparing", settings, *words)
    if (out / "job" / "job.json").exists() and (wrong := package_fault(out, "job")):
        raise Wrong(wrong)
    seconds = left_alone(bench, "command preparing", settings, *words)
    if wrong := package_fault(out, "job"):
        raise Wrong(wrong)
    return seconds


def preparing_season(bench: Bench) -> float:
    """Kill the preparing of a season; what is kept is whole and not done again, the rest is done."""
    settings = bench.fresh("timed")
    words = ("prepare-season", "--processes", "1")
    command_killed(bench, "command preparing a season", settings, *words)
    judged(settings)
    kept = {row.name: row.stat().st_mtime_ns for row in settings.packages.glob("*/job.json")}
    seconds = left_alone(bench, "command preparing a season", settings, *words)
    judged(settings)
    if count(settings, tables.Preparation, tables.Preparation.state == "done") != JOBS:
        raise Wrong("not every job was prepared exactly once")
    again = {row.name: row.stat().st_mtime_ns for row in settings.packages.glob("*/job.json")}
    if any(again.get(name) != at for name, at in kept.items()) and len(kept) == JOBS:
        raise Wrong("what was kept was prepared twice")
    return seconds


def publishing(bench: Bench) -> float:
    """Kill the command that plans and publishes; the plan before stays in force, or the new one is whole."""
    settings = bench.fresh("planned")
    command_killed(bench, "command publishing", settings, *_PLAN)
    judged(settings)
    one_in_force(settings)
    seconds = left_alone(bench, "command publishing", settings, *_PLAN)
    judged(settings)
    one_in_force(settings)
    return seconds


def importing(bench: Bench) -> float:
    """Kill the bringing back of a copy; nothing counts or everything, and it can be done again."""
    copy = bench.home / "copy.zip"
    settings = bench.empty()
    words = ("restore", "--from", str(copy))
    command_killed(bench, "command importing", settings, *words)
    migrate.upgrade(settings.database_url)
    rows = count(settings, tables.Job)
    if rows not in (0, JOBS):
        raise Wrong(f"{rows} of {JOBS} jobs came back")
    seconds = 0.0 if rows else left_alone(bench, "command importing", settings, *words)
    judged(settings)
    backup(settings, settings.folder / "again.zip")
    if contents_of(settings.folder / "again.zip")["sha256"] != contents_of(copy)["sha256"]:
        raise Wrong("what came back is not what was kept")
    return seconds


def copying(bench: Bench) -> float:
    """Kill the making of a copy; the copy before stays whole."""
    settings = bench.fresh("planned")
    out = settings.folder / "copy.zip"
    shutil.copy(bench.home / "copy.zip", out)
    words = ("backup", "--out", str(out))
    command_killed(bench, "command copying", settings, *words)
    contents_of(out)
    seconds = left_alone(bench, "command copying", settings, *words)
    contents_of(out)
    judged(settings)
    return seconds


def migrating(bench: Bench) -> float:
    """Kill a migration of a database with rows; it opens, is at one revision or the other, and goes on."""
    settings = bench.fresh("old")
    command_killed(bench, "migration", settings, "db", "upgrade")
    engine = engine_for(settings.database_url)
    with engine.connect() as connection:
        revision = connection.scalar(text("SELECT version_num FROM alembic_version"))
        rows = connection.scalar(text("SELECT count(*) FROM jobs"))
        if rows != JOBS or revision not in (OLD, migrate.newest()):
            raise Wrong(f"{rows} of {JOBS} jobs at revision {revision}")
        if engine.dialect.name == "sqlite" and connection.scalar(text("PRAGMA integrity_check")) != "ok":
            raise Wrong("the file is damaged")
    engine.dispose()
    began = time.monotonic()
    left_alone(bench, "migration", settings, "db", "upgrade")
    judged(settings)
    return time.monotonic() - began
