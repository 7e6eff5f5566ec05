"""What does `lanternwright demo` do? It writes the season, plans the opening and shows the pages."""

from __future__ import annotations

import json
import multiprocessing
import shutil
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.config import Settings
from planner.database import tables
from planner.database.migrate import upgrade
from planner.database.session import reading, session_factory, unit_of_work
from planner.services import works
from planner.services.opening import Opening, prepare_opening
from planner.services.preparing import compile_kernels
from seed_demo import scenario
from seed_demo.season import BY, write_base, write_pieces

_FOLDER = Path(".lanternwright") / "demo"
_WORKER = "demo"


@click.command()
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), default=_FOLDER, show_default=True
)
@click.option(
    "--port", type=click.IntRange(1, 65535), default=8470, show_default=True, help="Port of the pages."
)
@click.option("--no-serve", is_flag=True, help="End after the summary.")
@click.option("--fresh", is_flag=True, help="Start over: what an earlier demo left in the folder goes.")
@click.option("--seconds", type=float, default=12.0, show_default=True, help="Time for the plan [s].")
@click.option("--through-season", is_flag=True, help="Let the ten nights go by, with all that happens.")
@click.option("--processes", type=click.IntRange(1, 64), default=2, show_default=True, help="For the engine.")
def demo(
    folder: Path,
    port: int,
    no_serve: bool,
    fresh: bool,
    seconds: float,
    through_season: bool,
    processes: int,
) -> None:
    """Build the demo season in a folder of its own, prepare and plan its opening, and show it."""
    began = time.monotonic()
    mark = folder / "demo-season"
    if fresh and folder.exists():
        if not mark.exists():
            raise click.ClickException(
                f"{folder} was not made by the demo; nothing was removed. Name another --folder"
            )
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text("made by the demo; --fresh removes this folder\n")
    settings = Settings(f"sqlite:///{folder / 'lanternwright.db'}", folder, scenario.TIME_ZONE)
    upgrade(settings.database_url)
    clock = demo_clock()
    if not no_serve:
        from web.command import serve_beside

        address = serve_beside(settings, port, clock)
        click.echo(f"pages: {address}  (after {time.monotonic() - began:.0f} s; ends with Ctrl-C)")
    result = build(settings, clock, processes, seconds)
    click.echo(summary(settings, result, time.monotonic() - began))
    if through_season:
        from seed_demo.through_season import go_through

        click.echo(go_through(settings, seconds=min(seconds, 3.0)))
    if not no_serve:
        click.echo(f"the pages stay at {address}; Ctrl-C ends")
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            click.echo("ended")


def demo_clock() -> Callable[[], datetime]:
    """Return a clock that stands shortly before the carving begins, and goes on from there."""
    first = scenario.CARVE_FROM.astimezone(UTC) - timedelta(minutes=10)
    began = time.monotonic()
    return lambda: first + timedelta(seconds=time.monotonic() - began)


def build(settings: Settings, clock: Callable[[], datetime], processes: int, seconds: float) -> Opening:
    """Write what is missing, prepare and plan; progress goes to the screen and to the pages."""
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        season_id = db.scalar(select(tables.Season.id).where(tables.Season.name == scenario.SEASON))
    if season_id is None:
        season_id = write_base(factory, clock())
    watch = Watch(factory, clock)
    try:
        with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as executor:
            warm = executor.submit(compile_kernels)  # once, while the other process touches the pieces
            write_pieces(factory, season_id, executor, clock(), watch)
            warm.result()
            result = prepare_opening(
                factory,
                season_id,
                settings.packages,
                executor,
                by=BY,
                clock=clock,
                start=scenario.CARVE_FROM.astimezone(UTC),
                seconds=seconds,
                report=watch,
            )
    except BaseException as error:
        watch.end("failed", str(error) or type(error).__name__)
        raise
    watch.end("done")
    return result


class Watch:
    """Shows progress on the screen and keeps it where the pages read it."""

    def __init__(self, factory: Any, clock: Callable[[], datetime]) -> None:
        self.factory, self.clock = factory, clock
        self.last_shown, self.last_kept = -1, 0.0
        with unit_of_work(factory) as db:
            self.work_id = works.ask_for_work(db, "prepare season", {}, by=BY, at=clock()).id
        with unit_of_work(factory) as db:
            claimed = works.claim_work(db, _WORKER, now=clock())
            assert claimed is not None
            self.work_id = claimed.id

    def __call__(self, done: int, total: int, note: str) -> None:
        """Show that `done` of `total` steps are behind, and keep it twice a second."""
        if time.monotonic() - self.last_kept > 0.5 or done == total:
            self.last_kept = time.monotonic()
            with unit_of_work(self.factory) as db:
                works.save_progress(db, self.work_id, _WORKER, done, total, note, now=self.clock())
        if sys.stderr.isatty():
            filled = round(30 * done / max(total, 1))
            click.echo(
                f"\r[{'#' * filled}{'.' * (30 - filled)}] {done}/{total} {note[:60]:<60}", nl=False, err=True
            )
        elif (tenth := 10 * done // max(total, 1)) != self.last_shown:
            self.last_shown = tenth
            click.echo(f"{done}/{total} {note}", err=True)

    def end(self, state: str, error: str | None = None) -> None:
        """Say that the work is over."""
        if sys.stderr.isatty():
            click.echo("", err=True)
        with unit_of_work(self.factory) as db:
            works.end_work(db, self.work_id, _WORKER, state, now=self.clock(), error=error)


def _barred(db: Session) -> list[tuple[str, str]]:
    """Return the lanterns that no machine takes, each with the reason of the first that tried."""
    found = []
    for job in db.scalars(select(tables.Job).order_by(tables.Job.id)):
        tried = [t.reason for t in job.run_times if not t.eligible]
        if job.run_times and len(tried) == len(job.run_times) and job.design_version:
            station = job.station.name if job.station else "spare"
            found.append((f"{station} · {job.design_version.design.name}", tried[0]))
    return found


def _travel(packages: Path, folders: list[tuple[str, str]]) -> str:
    """Return the travel of each machine's programs before and after ordering, in words."""
    sums: dict[str, list[float]] = {}
    for machine, folder in folders:
        said = json.loads((packages / folder / "job.json").read_text())["travel_order_s"]
        one = sums.setdefault(machine, [0.0, 0.0])
        one[0] += said["nearest_neighbour"]
        one[1] += said["ordered"]
    return ", ".join(
        f"{machine} {before / 60:.1f} -> {after / 60:.1f} min"
        for machine, (before, after) in sorted(sums.items())
    )


def summary(settings: Settings, result: Opening, seconds: float) -> str:
    """Return what was done, in a few lines."""
    plan = result.plan
    with reading(session_factory(settings.database_url)) as db:
        rows = db.scalars(select(tables.PlanRow).where(tables.PlanRow.plan_id == plan.plan_id)).all()
        names = {m.id: m.name for m in db.scalars(select(tables.Machine))}
        ready = [p for p in db.scalars(select(tables.Preparation)) if p.folder]
        by_machine = Counter(names[row.machine_id] for row in rows)
        worst = max((p.outline_max_mm or 0 for p in ready), default=0.0)
        deepest = max((p.depth_max_mm or 0 for p in ready), default=0.0)
        slowest = max(((p.run_s or 0, names[p.machine_id]) for p in ready), default=(0.0, ""))
        planned = {(row.job_id, row.machine_id) for row in rows}
        folders = [
            (names[p.machine_id], p.folder) for p in ready if (p.job_id, p.machine_id) in planned and p.folder
        ]
        barred = _barred(db)
    zone = scenario.CARVE_FROM.tzinfo
    nights = plan.tiers.get("stored_nights", {})
    lines = [
        f"{len(rows)} of {len(rows) + len(plan.undone)} opening jobs planned on {len(by_machine)} machines: "
        + ", ".join(f"{name} {count}" for name, count in sorted(by_machine.items())),
        f"last one ready {plan.finish_at.astimezone(zone):%a %d %b %H:%M}"
        if plan.finish_at
        else "nothing planned",
        f"stored nights {nights.get('value', 'n/a')}, "
        f"proven at least {nights.get('bound', 'n/a')} ({nights.get('status', '')})",
        f"{result.prepared} programs proven: outline within {worst:.3f} mm, depth within {deepest:.3f} mm",
        f"{len(result.refused)} programs refused on the way and planned elsewhere",
        f"slowest step: {slowest[0] / 60:.0f} min on {slowest[1]}" if ready else "",
        "travel between cuts, nearest first -> as ordered: " + _travel(settings.packages, folders),
        *(f"cut by no machine: {label}: {why}" for label, why in barred),
        f"made in {seconds:.0f} s",
    ]
    if plan.undone:
        lines.append("undone: " + ", ".join(plan.undone))
    return "\n".join(line for line in lines if line)
