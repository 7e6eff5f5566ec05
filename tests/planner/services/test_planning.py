"""Is a season planned, planned again after a breakdown, and compared, from what the database says?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, RunOutcome
from planner.errors import Conflict, NotFound, Refused
from planner.services import planning, season, whatif
from planner.services.posing import next_night

AT = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)
START = datetime(2026, 10, 23, 5, 0, tzinfo=UTC)  # 06:00 in London
BY = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def season_id(factory: sessionmaker[Session]) -> int:
    """Six lanterns for the 24th, two machines open on the 23rd and the morning of the 24th."""
    with unit_of_work(factory) as db:
        made = season.add_season(
            db, "Dusk", "Garden", "Europe/London", date(2026, 10, 24), date(2026, 10, 25), time(17, 25),
            by="Ann", at=AT,
        )  # fmt: skip
        lot = tables.Lot(
            name="L-1", variety="Globe", kind="squash", quantity=9, received_on=date(2026, 10, 16),
            state="accepted", **BY,
        )  # fmt: skip
        machines = [_machine(name) for name in ("Heron", "Wren")]
        db.add_all([lot, *machines])
        db.flush()
        for n in range(6):
            station = season.add_station(db, made.id, f"Walk {n}", "Walk", "large", "through")
            piece = tables.Workpiece(lot_id=lot.id, number=f"{n:04d}", diameter_mm=280, height_mm=250, **BY)
            db.add(piece)
            db.flush()
            job = tables.Job(
                season_id=made.id, station_id=station.id, night=date(2026, 10, 24), workpiece_id=piece.id,
                priority=1, state=JobState.PREPARED, **BY,
            )  # fmt: skip
            job.run_times = [
                tables.RunTime(machine_id=machine.id, eligible=True, run_min=60.0, wear={})
                for machine in machines
            ]
            db.add(job)
        return made.id


def _machine(name: str) -> tables.Machine:
    day = datetime(2026, 10, 23, 5, 0, tzinfo=UTC)
    spans = [(day, day + timedelta(hours=11)), (day + timedelta(days=1), day + timedelta(days=1, hours=6))]
    return tables.Machine(
        name=name, description="{}", digest="0" * 64, max_diameter_mm=320, fixture_class="ring", **BY,
        shifts=[tables.MachineShift(start_at=a, end_at=b, **BY) for a, b in spans],
    )  # fmt: skip


def _plan(factory: sessionmaker[Session], season_id: int, **more: object) -> planning.StoredPlan:
    options = {"by": "Ann", "now": AT, "start": START, "seconds": 1.0, "workers": 1} | more
    return planning.plan_season(factory, season_id, **options)  # type: ignore[arg-type]


def test_every_lantern_has_its_place(factory: sessionmaker[Session], season_id: int) -> None:
    """All six are planned on the last morning, where no night is lost, and the plan is published."""
    stored = _plan(factory, season_id)
    assert (stored.undone, stored.rows) == ((), 6)
    assert stored.tiers["stored_nights"]["value"] == 0
    with reading(factory) as db:
        starts = [row.start_at for row in planning.published_plan(db, season_id).rows]
    assert min(starts) >= datetime(2026, 10, 24, 5, 0, tzinfo=UTC)


def test_a_stopped_search_goes_on(factory: sessionmaker[Session], season_id: int) -> None:
    """Stopped at once, the first plan is in force; gone on with, no tier gets worse."""
    first = _plan(factory, season_id, stop=lambda: True)
    told: list[str] = []
    again = planning.go_on(
        factory, season_id, by="Ann", now=AT, seconds=1.0, workers=1,
        report=lambda done, total, note: told.append(note),
    )  # fmt: skip
    before, after = ([t["value"] for t in plan.tiers.values()] for plan in (first, again))
    assert after <= before and again.undone == () and told
    with pytest.raises(Conflict, match="has begun"):
        planning.go_on(factory, season_id, by="Ann", now=START + timedelta(hours=1))


def test_what_slack_would_cost(factory: sessionmaker[Session], season_id: int) -> None:
    """Five points, from whole shifts to three quarters of them; the first is the plan in force."""
    stored = _plan(factory, season_id)
    curve = whatif.slack_of(factory, season_id, seconds=None)
    assert [line.share for line in curve] == [1.0, 0.92, 0.85, 0.8, 0.75]
    assert curve[0].stored_nights == stored.tiers["stored_nights"]["value"]
    assert all(0 <= line.chance <= 1 for line in curve)
    assert curve == whatif.slack_of(factory, season_id, seconds=None)


def test_a_breakdown_keeps_what_can_stay(factory: sessionmaker[Session], season_id: int) -> None:
    """Heron breaks on the last morning: only its lanterns move, each with its reason."""
    _plan(factory, season_id)
    with unit_of_work(factory) as db:
        heron = db.scalar(select(tables.Machine.id).where(tables.Machine.name == "Heron"))
        began = START + timedelta(days=1)
        db.add(tables.Breakdown(machine_id=heron, start_at=began, end_at=None, reason="belt", **BY))
        before = [row for row in planning.published_plan(db, season_id).rows if row.machine_id == heron]
        names = {planning.job_name(row.job) for row in before}
    stored = _plan(factory, season_id, start=START + timedelta(hours=2), published=True)
    assert stored.undone == ()
    assert {step.job for step in stored.moved} == names
    assert {step.why for step in stored.moved} == {"Heron is down or closed then"}
    with reading(factory) as db:
        plans = list(db.scalars(select(tables.Plan).where(tables.Plan.season_id == season_id)))
        assert sorted(plan.state for plan in plans)[0] == "published"
        assert len([plan for plan in plans if plan.state == "published"]) == 1


def test_a_copy_changes_nothing(factory: sessionmaker[Session], season_id: int) -> None:
    """Both machines down: the copy says what that costs, the published plan stays."""
    _plan(factory, season_id)
    with reading(factory) as db:
        problem, live = whatif.live_problem(db, season_id)
    assert len(live) == 6
    copy = whatif.changed(problem, down=[("Heron", None), ("Wren", None)])
    found = whatif.what_if(problem, live, copy, seconds=0.5)
    assert len(found.undone) == 6 and "proven" in found.verdict
    assert "6 not ready" in "\n".join(whatif.compared_lines(found))
    one, both = whatif.how_many_down(problem, 2)
    assert [outage.undone for outage in one] == [0, 0]
    assert both[0].at_least == 6
    with pytest.raises(Refused, match="Ferret"):
        whatif.changed(problem, down=[("Ferret", 2.0)])
    with reading(factory) as db:
        assert len(planning.published_plan(db, season_id).rows) == 6


def test_without_a_plan_there_is_nothing_to_compare(factory: sessionmaker[Session], season_id: int) -> None:
    """A copy stands beside a published plan."""
    with reading(factory) as db, pytest.raises(NotFound, match="no published plan"):
        whatif.live_problem(db, season_id)


def test_run_times_are_learned(factory: sessionmaker[Session], season_id: int) -> None:
    """Heron's runs of 60 min took 90: many of them bring its times near that, Wren's stay."""
    with unit_of_work(factory) as db:
        heron = db.scalar(select(tables.Machine).where(tables.Machine.name == "Heron"))
        assert heron is not None
        for job in db.scalars(select(tables.Job)):
            for n in range(10):
                began = AT + timedelta(hours=2 * n)
                db.add(
                    tables.Run(
                        job_id=job.id, machine_id=heron.id, workpiece_id=job.workpiece_id, started_at=began,
                        ended_at=began + timedelta(minutes=90), outcome=RunOutcome.FINISHED, **BY,
                    )
                )  # fmt: skip
    with reading(factory) as db:
        problem = planning.problem_of(db, season_id, START)
    options = problem["jobs"][0]["steps"][0]["options"]
    minutes = {option["resource"]: option["run_min"] for option in options}
    assert minutes["Wren"] == 60
    assert 85 <= minutes["Heron"] <= 90


def test_a_piece_asks_for_the_fixture_that_holds_it(factory: sessionmaker[Session], season_id: int) -> None:
    """Heron stands with a plate for roots: its squashes ask for the ring, and find it once one has begun."""
    with unit_of_work(factory) as db:
        heron = db.scalars(select(tables.Machine).where(tables.Machine.name == "Heron")).one()
        heron.fixture_class, heron.fixtures = "screw plate", ["screw plate", "ring"]
        heron.fixture_kinds = {"screw plate": ["turnip"], "ring": ["squash"]}

    def seen(start: datetime, keep: bool) -> tuple[str, set[str]]:
        with reading(factory) as db:
            problem = planning.problem_of(db, season_id, start, keep=keep)
        stands = next(r["fixture"] for r in problem["resources"] if r["name"] == "Heron")
        options = [o for job in problem["jobs"] for step in job["steps"] for o in step["options"]]
        return stands, {o["fixture"] for o in options if o["resource"] == "Heron"}

    assert seen(START, keep=False) == ("screw plate", {"ring"})
    _plan(factory, season_id)
    with reading(factory) as db:
        rows = planning.published_plan(db, season_id).rows
        began = min(row.start_at for row in rows if row.machine.name == "Heron")
    assert seen(began + timedelta(minutes=1), keep=True)[0] == "ring"


@pytest.mark.parametrize(
    ("start", "night"),
    [
        (datetime(2026, 10, 23, 5, 0, tzinfo=UTC), date(2026, 10, 24)),  # its own, a day ahead
        (datetime(2026, 10, 24, 15, 39, tzinfo=UTC), date(2026, 10, 24)),  # it must stand at 16:40 local time
        (datetime(2026, 10, 24, 15, 41, tzinfo=UTC), date(2026, 10, 25)),  # missed: the next one
        (
            datetime(2026, 10, 25, 17, 0, tzinfo=UTC),
            date(2026, 10, 25),
        ),  # after the last night nothing is ahead
    ],
)
def test_a_lantern_that_missed_its_night_is_wanted_for_the_next(
    factory: sessionmaker[Session], season_id: int, start: datetime, night: date
) -> None:
    """45 minutes before the dusk of 17:25 it must stand; later the next dusk is meant."""
    with reading(factory) as db:
        found = db.get(tables.Season, season_id)
        assert found is not None
        assert next_night(date(2026, 10, 24), found, start) == night
