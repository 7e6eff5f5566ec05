"""Do the pages get what was written, by as many queries for many rows as for few?"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.errors import NotFound

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
OPENING = date(2026, 10, 24)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


def _a_season(db: Session) -> tables.Season:
    season = tables.Season(
        name="The Long Dusk",
        site="Larkmere Walled Garden",
        time_zone="Europe/London",
        opening_night=OPENING,
        last_night=date(2026, 10, 26),
        dusk=time(17, 25),
        nights=[tables.Night(night=OPENING + timedelta(days=n), temperature_c=11 + n) for n in range(3)],
        **BY,
    )
    db.add(season)
    db.flush()
    return season


def _fill(db: Session, season: tables.Season, first: int, count: int) -> None:
    """Write `count` of everything: machines, designs, pieces, jobs with packages and runs; and one plan."""
    plan = tables.Plan(season=season, start_at=AT, seed=first, seconds=1.0, undone=[{"job": "x"}], **BY)
    for n in range(first, first + count):
        machine = tables.Machine(
            name=f"M{n:02}", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
        )
        begins = AT + timedelta(hours=n)
        machine.shifts = [
            tables.MachineShift(start_at=AT - timedelta(days=1), end_at=AT - timedelta(hours=14), **BY),
            tables.MachineShift(start_at=AT, end_at=AT + timedelta(hours=11), **BY),
        ]
        machine.breakdowns = [tables.Breakdown(start_at=begins, reason="belt", **BY)]
        machine.proof_marks = [tables.ProofMark(made_at=AT, made_by="Ann", **BY)]
        cutter = tables.Cutter(name=f"6F-{n:02}", type_name="6F", description={}, machine=machine, **BY)
        version = tables.DesignVersion(
            design=tables.Design(name=f"Design {n}", **BY),
            version=1,
            artwork=b"<svg/>",
            file_name="a.svg",
            digest="0",
            width_mm=210,
            height_mm=180,
            **BY,
        )
        station = tables.Station(
            season=season, name=f"Walk {n}", area="Walk", size_class="large", kind="through", least_rating=7
        )
        station.choices = [tables.StationDesign(design=version.design)]
        lot = tables.Lot(name=f"L-{n}", variety="Amber", kind="squash", quantity=9, received_on=OPENING, **BY)
        piece = tables.Workpiece(lot=lot, number=f"{n:04}", diameter_mm=284, height_mm=256, **BY)
        piece.wall_readings = [
            tables.WallReading(longitude_deg=a, latitude_deg=0, wall_mm=20 + a / 90, sigma_mm=0.7, **BY)
            for a in (0, 90, 180)
        ]
        piece.scans = [
            tables.Scan(
                taken_at=AT, state="whole", clamp_number=1, tip_radius_mm=3, points=np.eye(3), touches=3,
                digest="0", original="", **BY,
            )
        ]  # fmt: skip
        job = tables.Job(
            season=season, station=station, night=OPENING, workpiece=piece, design_version=version, **BY
        )
        package = tables.Preparation(
            job=job,
            machine=machine,
            inputs_digest="1",
            folder=f"p{n}",
            prepared_at=AT,
            engine_version="1",
            **BY,
        )
        taken = tables.RunTime(job=job, machine=machine, preparation=package, eligible=True, run_min=21)
        run = tables.Run(job=job, machine=machine, workpiece=piece, started_at=AT, **BY)
        use = tables.CutterUse(run=run, cutter=cutter, metres=2, minutes=20, wear=0.01, **BY)
        row = tables.PlanRow(
            plan=plan,
            job=job,
            machine=machine,
            start_at=begins,
            end_at=begins + timedelta(hours=1),
            cutters=["6F"],
        )
        db.add_all([cutter, package, taken, use, row, tables.Work(kind="prepare", **BY)])
    db.flush()


Asked = Callable[[Session, int], object]

QUESTIONS: dict[str, Asked] = {
    "seasons": lambda db, season_id: queries.seasons(db),
    "season_overview": lambda db, season_id: queries.season_overview(db, season_id, now=AT),
    "wanted_nights": lambda db, season_id: queries.wanted_nights(db, season_id),
    "nights_of": lambda db, season_id: queries.nights_of(db, season_id),
    "pieces_by_job": lambda db, season_id: queries.pieces_by_job(db, season_id, OPENING),
    "piece_numbered": lambda db, season_id: queries.piece_numbered(db, "0000"),
    "stations": lambda db, season_id: queries.stations(db, season_id),
    "season_chart": lambda db, season_id: queries.season_chart(db, season_id),
    "plans": lambda db, season_id: queries.plans(db, season_id),
    "found_jobs": lambda db, season_id: queries.found_jobs(db, season_id),
    "job_page": lambda db, season_id: queries.job_page(db, _first_job(db)),
    "plan_facts": lambda db, season_id: queries.plan_facts(db, season_id),
    "plan_span": lambda db, season_id: queries.plan_span(db, _facts(db, season_id).plan_id),
    "chart_between": lambda db, season_id: queries.chart_between(
        db, season_id, _facts(db, season_id), AT, AT + timedelta(days=1)
    ),
    "drafts": lambda db, season_id: queries.drafts(db, season_id),
    "pin_of": lambda db, season_id: queries.pin_of(db, _first_job(db)),
    "planned_rows": lambda db, season_id: queries.planned_rows(db, season_id),
    "next_rows": lambda db, season_id: queries.next_rows(db, season_id),
    "open_runs": lambda db, season_id: queries.open_runs(db),
    "machine_of_piece": lambda db, season_id: queries.machine_of_piece(db, "0000"),
    "ratings": lambda db, season_id: queries.ratings(db, _first_job(db)),
    "clamp_number": lambda db, season_id: queries.clamp_number(
        db, queries.workpieces(db, limit=1)[0].workpiece_id
    ),
    "bench_facts": lambda db, season_id: queries.bench_facts(
        db, [line.job_id for line in queries.found_jobs(db, season_id).lines]
    ),
    "bench_steps": lambda db, season_id: queries.bench_steps(
        db, _facts(db, season_id).plan_id, AT, AT + timedelta(days=1)
    ),
    "carriers": lambda db, season_id: queries.carriers(db),
    "walk_rows": lambda db, season_id: queries.walk_rows(db, season_id, date(2026, 10, 24)),
    "cut_lanterns": lambda db, season_id: queries.cut_lanterns(db, season_id),
    "station_rows": lambda db, season_id: queries.station_rows(db, season_id, date(2026, 10, 24)),
    "runs_between": lambda db, season_id: queries.runs_between(db, AT, AT + timedelta(days=1)),
    "hand_overs": lambda db, season_id: queries.hand_overs(db, season_id),
    "venue_figures": lambda db, season_id: queries.venue_figures(db, season_id),
    "night_facts": lambda db, season_id: queries.night_facts(db, season_id, date(2026, 10, 24)),
    "spare_jobs": lambda db, season_id: queries.spare_jobs(db, season_id),
    "scanned_pieces": lambda db, season_id: queries.scanned_pieces(db),
    "people": lambda db, season_id: queries.people(db),
    "photos": lambda db, season_id: queries.photos(db, season_id),
    "machine_tokens": lambda db, season_id: queries.machine_tokens(db),
    "changes": lambda db, season_id: queries.changes(db),
    "change_count": lambda db, season_id: queries.change_count(db),
    "newest_result": lambda db, season_id: queries.newest_result(db, "prepare"),
    "work_result": lambda db, season_id: queries.work_result(db, queries.work_progress(db)[0].work_id),
    "works_since": lambda db, season_id: queries.works_since(db, "prepare"),
    "refused_designs": lambda db, season_id: queries.refused_designs(db),
    "lots": lambda db, season_id: queries.lots(db),
    "workpieces": lambda db, season_id: queries.workpieces(db),
    "workpiece_count": lambda db, season_id: queries.workpiece_count(db),
    "workpiece_page": lambda db, season_id: queries.workpiece_page(
        db, queries.workpieces(db, limit=1)[0].workpiece_id
    ),
    "designs": lambda db, season_id: queries.designs(db),
    "artwork": lambda db, season_id: queries.artwork(
        db, queries.designs(db)[0].versions[0].design_version_id
    ),
    "machines": lambda db, season_id: queries.machines(db, now=AT),
    "cutters": lambda db, season_id: queries.cutters(db),
    "work": lambda db, season_id: queries.work(db, queries.work_progress(db)[0].work_id),
    "work_progress": lambda db, season_id: queries.work_progress(db),
}


def _first_job(db: Session) -> int:
    return db.query(tables.Job.id).order_by(tables.Job.id).first()[0]


def _publish_newest(db: Session) -> None:
    *older, newest = db.query(tables.Plan).order_by(tables.Plan.id)
    for plan in older:
        plan.state = "replaced"
    db.flush()
    newest.state = "published"
    db.flush()


def _facts(db: Session, season_id: int) -> queries.PlanFacts:
    facts = queries.plan_facts(db, season_id)
    assert facts is not None
    return facts


def test_every_question_is_asked() -> None:
    """A new query needs its count checked, below; records are no queries."""
    asked = {name for name in queries.__all__ if not isinstance(getattr(queries, name), type)}
    assert set(QUESTIONS) == asked


@pytest.mark.parametrize("name", sorted(QUESTIONS))
def test_as_many_queries_for_many_rows(
    name: str, db: Session, query_counter: Callable[[], AbstractContextManager[list[str]]]
) -> None:
    """A page over nine rows of everything sends as many queries as one over a single row."""
    season = _a_season(db)
    counts = []
    for first, count in ((0, 1), (1, 8)):
        _fill(db, season, first, count)
        _publish_newest(db)
        db.expunge_all()  # as on a new request: nothing is remembered
        with query_counter() as sent:
            QUESTIONS[name](db, season.id)
        counts.append(len(sent))
        season = db.get_one(tables.Season, season.id)
    assert counts[0] == counts[1]
    assert 1 <= counts[0] <= 12


def test_season_overview(db: Session) -> None:
    """Jobs are counted by night and state, given-up ones apart; late ones against the time they are due."""
    season = _a_season(db)
    _fill(db, season, 0, 4)
    jobs = db.query(tables.Job).order_by(tables.Job.id).all()
    jobs[0].state, jobs[1].state, jobs[2].state = "cut", "placed", "cancelled"
    plan = db.query(tables.Plan).one()
    plan.state = "published"
    plan.rows[3].end_at = datetime(2026, 10, 24, 15, 41, tzinfo=UTC)  # due 16:40 in London is 15:40 UTC
    plan.rows[2].end_at = datetime(2026, 10, 24, 15, 40, tzinfo=UTC)
    db.flush()
    page = queries.season_overview(db, season.id, now=AT + timedelta(hours=1))
    assert page.stations_by_area == {"Walk": 4}
    assert page.jobs_by_state == {"cut": 1, "placed": 1, "cancelled": 1, "wanted": 1}
    assert page.late_jobs == 1
    assert (page.machines, page.machines_down) == (4, 2)  # down since 06:00 and 07:00
    assert (page.whole_pieces, page.hollow_pieces) == (4, 0)
    assert [(n.night.day, n.jobs, n.ready, n.temperature_c) for n in page.nights] == [
        (24, 3, 2, 11), (25, 0, 0, 12), (26, 0, 0, 13),
    ]  # fmt: skip
    assert page.nights[0].due_at == datetime(2026, 10, 24, 15, 40, tzinfo=UTC)
    assert page.undone == ({"job": "x"},)


def test_empty_season(db: Session) -> None:
    """A season without anything is shown, not refused."""
    season = _a_season(db)
    page = queries.season_overview(db, season.id, now=AT)
    assert (page.stations, page.jobs_by_state, page.plan_id, page.machines_down) == (0, {}, None, 0)
    chart = queries.season_chart(db, season.id)
    assert (chart.plan_id, chart.lanes, len(chart.dusks)) == (None, (), 3)
    assert queries.found_jobs(db, season.id).lines == ()


def test_season_chart(db: Session) -> None:
    """Lanes hold their own rows, shifts in the time that is shown, breakdowns; a row has what a bar needs."""
    season = _a_season(db)
    _fill(db, season, 0, 2)
    chart = queries.season_chart(db, season.id)
    assert chart.plan_state == "draft"
    assert [lane.name for lane in chart.lanes] == ["M00", "M01"]
    lane = chart.lanes[1]
    assert [(s.start_at, s.end_at) for s in lane.shifts] == [(AT, AT + timedelta(hours=11))]
    assert [(s.start_at, s.end_at, s.reason) for s in lane.breakdowns] == [
        (AT + timedelta(hours=1), None, "belt")
    ]
    (row,) = lane.rows
    assert (row.label, row.design, row.workpiece, row.thumbnail) == (
        "Walk 1",
        "Design 1",
        "0001",
        "p1/lit.png",
    )
    assert (row.start_at, row.end_at) == (AT + timedelta(hours=1), AT + timedelta(hours=2))
    assert row.late_min == 0
    assert row.cutters == ("6F",)
    assert chart.dusks[0] == datetime(2026, 10, 24, 16, 25, tzinfo=UTC)


def test_chart_prefers_the_published_plan(db: Session) -> None:
    """The published plan is shown though a draft is newer; another one by its number."""
    season = _a_season(db)
    _fill(db, season, 0, 1)
    _fill(db, season, 1, 1)
    older, newer = db.query(tables.Plan).order_by(tables.Plan.id).all()
    assert queries.season_chart(db, season.id).plan_id == newer.id
    older.state = "published"
    db.flush()
    assert queries.season_chart(db, season.id).plan_id == older.id
    assert queries.season_chart(db, season.id, newer.id).plan_id == newer.id
    with pytest.raises(NotFound, match="has no plan 999"):
        queries.season_chart(db, season.id, 999)


def test_job_page(db: Session) -> None:
    """A job comes with its piece, its packages and which one counts, its run times and what happened."""
    season = _a_season(db)
    _fill(db, season, 0, 1)
    job = db.query(tables.Job).one()
    machine = db.query(tables.Machine).one()
    stale = tables.Preparation(
        job=job, machine=machine, inputs_digest="2", folder="old", prepared_at=AT, engine_version="1", **BY
    )
    db.add(stale)
    db.flush()
    page = queries.job_page(db, job.id)
    assert (page.label, page.design, page.design_version) == ("Walk 0", "Design 0", 1)
    assert page.piece is not None
    assert (page.piece.number, page.piece.wall_readings, page.piece.thinnest_wall_mm) == ("0000", 3, 20)
    assert page.piece.job_id == job.id
    assert [(p.folder, p.current) for p in page.preparations] == [("old", False), ("p0", True)]
    assert page.thumbnail == "p0/lit.png"
    assert [(r.machine, r.eligible, r.run_min) for r in page.run_times] == [("M00", True, 21)]
    assert page.planned == ()  # a draft is no plan
    assert [(r.machine, r.workpiece, r.outcome) for r in page.runs] == [("M00", "0000", None)]
    with pytest.raises(NotFound, match="no job 999"):
        queries.job_page(db, 999)


def test_jobs_by_state_and_page(db: Session) -> None:
    """Jobs are chosen by state, and paged in a fixed order; the published plan is told."""
    season = _a_season(db)
    _fill(db, season, 0, 3)
    plan = db.query(tables.Plan).one()
    plan.state = "published"
    jobs = db.query(tables.Job).order_by(tables.Job.id).all()
    jobs[2].priority, jobs[1].state = 3, "cut"
    db.flush()
    lines = queries.found_jobs(db, season.id).lines
    assert [line.label for line in lines] == ["Walk 2", "Walk 0", "Walk 1"]
    assert (lines[0].machine, lines[0].start_at) == ("M02", AT + timedelta(hours=2))
    assert [line.label for line in queries.found_jobs(db, season.id, state="cut").lines] == ["Walk 1"]
    assert [line.label for line in queries.found_jobs(db, season.id, limit=1, offset=1).lines] == ["Walk 0"]


def test_workpieces(db: Session) -> None:
    """A void scan and readings that no longer count are not shown as the piece's own."""
    season = _a_season(db)
    _fill(db, season, 0, 2)
    first, second = db.query(tables.Workpiece).order_by(tables.Workpiece.number).all()
    first.scans[0].void("hollowed", "Ann", AT)
    first.wall_readings[0].active = False
    first.state = "hollow"
    db.flush()
    lines = queries.workpieces(db)
    assert [(w.number, w.scan_id, w.wall_readings) for w in lines] == [
        ("0000", None, 2), ("0001", second.scans[0].id, 3),
    ]  # fmt: skip
    assert lines[0].thinnest_wall_mm == 21
    assert [w.number for w in queries.workpieces(db, state="hollow")] == ["0000"]
    assert queries.workpiece_count(db, state="hollow", kind="squash") == 1
    assert queries.workpiece_count(db, kind="gourd") == 0
    page = queries.workpiece_page(db, first.id)
    assert [(s.active, s.void_reason) for s in page.scans] == [(False, "hollowed")]
    assert [wall.wall_mm for wall in page.walls] == [21, 22]


def test_machines_at_an_instant(db: Session) -> None:
    """A machine's state is asked for an instant: down or not, the shift that runs or comes, a valid mark."""
    season = _a_season(db)
    _fill(db, season, 0, 2)
    marks = db.query(tables.ProofMark).order_by(tables.ProofMark.id).all()
    marks[1].void("rewired", "Ann", AT)
    db.flush()
    first, second = queries.machines(db, now=AT + timedelta(minutes=30))
    assert first.down is not None
    assert (first.down.reason, first.reported_by) == ("belt", "Ann")
    assert second.down is None  # its belt goes at 07:00
    assert first.shift is not None
    assert first.shift.start_at == AT
    assert (first.proof_marked_at, second.proof_marked_at) == (AT, None)
    assert first.cutters == ("6F-00",)
    assert first.running_since == AT
    assert queries.machines(db, now=AT + timedelta(days=2))[0].shift is None


def test_cutters_add_up(db: Session) -> None:
    """Metres and minutes are the sum of what the runs recorded."""
    season = _a_season(db)
    _fill(db, season, 0, 1)
    cutter, run = db.query(tables.Cutter).one(), db.query(tables.Run).one()
    run.ended_at, run.outcome = AT + timedelta(hours=1), "finished"
    again = tables.Run(
        job=run.job, machine=run.machine, workpiece=run.workpiece, started_at=AT + timedelta(hours=1), **BY
    )
    db.add(tables.CutterUse(run=again, cutter=cutter, metres=1.5, minutes=10, wear=0.01, **BY))
    db.flush()
    (line,) = queries.cutters(db)
    assert (line.metres, line.minutes, line.runs, line.machine) == (3.5, 30, 2, "M00")


def test_designs_and_artwork(db: Session) -> None:
    """A design comes with its versions, the newest first, and its file as it was."""
    season = _a_season(db)
    _fill(db, season, 0, 1)
    design = db.query(tables.Design).one()
    db.add(
        tables.DesignVersion(
            design=design,
            version=2,
            artwork=b"\x00\xff",
            file_name="b.png",
            digest="2",
            width_mm=1,
            height_mm=1,
            **BY,
        )
    )
    db.flush()
    (line,) = queries.designs(db)
    assert [version.version for version in line.versions] == [2, 1]
    assert (line.jobs, line.stations) == (1, 1)
    assert queries.artwork(db, line.versions[0].design_version_id) == ("b.png", b"\x00\xff")
