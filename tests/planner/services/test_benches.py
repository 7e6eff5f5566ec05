"""Are benches, hands and carriers planned with the machines, and only where they are entered?"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, PieceStepKind
from planner.errors import Conflict, Refused
from planner.optimizer import read_problem
from planner.services import benches, planning, season

AT = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)
START = datetime(2026, 10, 23, 5, 0, tzinfo=UTC)  # 06:00 in London
BY = {"recorded_at": AT, "recorded_by": "Ann"}
ALL = ["hollow", "thin", "gauge", "mount", "finish", "lit check"]


@pytest.fixture
def season_id(factory: sessionmaker[Session]) -> int:
    """Four whole pieces for the 24th, two machines open on the 23rd and the morning of the 24th."""
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
        for n in range(4):
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


def _enter(factory: sessionmaker[Session]) -> None:
    with unit_of_work(factory) as db:
        benches.add_bench(db, "hollowing", ["hollow", "thin", "gauge"], places=2, by="Ann", at=AT)
        benches.add_bench(db, "finishing", ["mount", "finish", "lit check"], by="Ann", at=AT)
        benches.add_carriers(db, "carrier plates", 2, by="Ann", at=AT)
        benches.add_hand(db, "Wil", ["hollow", "thin", "gauge"], by="Ann", at=AT)
        benches.add_hand(db, "Tom", ["machine", "mount", "lit check"], by="Ann", at=AT)
        benches.add_hand(db, "Joss", ["finish", "lit check"], hours=(time(6), time(17)), by="Ann", at=AT)


def _plan(factory: sessionmaker[Session], season_id: int, **more: object) -> planning.StoredPlan:
    options = {"by": "Ann", "now": AT, "start": START, "seconds": 2.0, "workers": 1} | more
    return planning.plan_season(factory, season_id, **options)  # type: ignore[arg-type]


def test_without_benches_a_job_is_one_step(factory: sessionmaker[Session], season_id: int) -> None:
    """Nothing entered: the problem knows of machines and a number of people alone."""
    with reading(factory) as db:
        problem = planning.problem_of(db, season_id, START, benches=True)
    assert {len(job["steps"]) for job in problem["jobs"]} == {1}
    assert [group["skill"] for group in problem["people"]] == ["any"]


def test_a_whole_piece_goes_through_all_steps(factory: sessionmaker[Session], season_id: int) -> None:
    """From hollowing to the lit check, with skills, a carrier from mounting on, and a limit to the cut."""
    _enter(factory)
    with reading(factory) as db:
        problem = planning.problem_of(db, season_id, START, benches=True)
    job = problem["jobs"][0]
    assert [step["name"] for step in job["steps"]] == [*ALL[:4], benches.CUT, *ALL[4:]]
    assert job["holds"] == [{"resource": "carrier plates", "from_step": 3, "to_step": 6}]
    assert job["within_min"] == [{"from_step": 0, "to_step": 4, "most_min": 240}]
    assert {o["skill"] for o in job["steps"][4]["options"]} == {"machine"}
    assert job["steps"][6]["options"][0]["people"] == 2
    assert {r.get("most_waiting") for r in problem["resources"] if r["kind"] == "machine"} == {3}
    read = read_problem(problem)
    assert sum(group.count for group in read.people or ()) == 3


def test_benches_are_planned_and_stored(factory: sessionmaker[Session], season_id: int) -> None:
    """Every piece passes every step in its order, on a carrier; machines keep rows of their own."""
    _enter(factory)
    stored = _plan(factory, season_id)
    assert (stored.undone, stored.rows) == ((), 4)
    with reading(factory) as db:
        rows = benches_by_job(db, stored.plan_id)
        plan = planning.published_plan(db, season_id)
        cuts = {row.job_id: (row.start_at, row.end_at) for row in plan.rows}
    assert all([step for step, _, _ in mine] == ALL for mine in rows.values())
    for job, mine in rows.items():
        (_, _, hollowed), (_, mounted_from, mounted), (_, finish_from, _) = mine[0], mine[3], mine[4]
        assert mounted <= cuts[job][0] and cuts[job][1] <= finish_from
        assert cuts[job][0] - hollowed <= timedelta(minutes=240)
        assert mounted_from < mounted
    held = [(mine[3][1], mine[5][2]) for mine in rows.values()]
    assert all(sum(a <= at < b for a, b in held) <= 2 for at, _ in held)


def benches_by_job(db: Session, plan_id: int) -> dict[int, list[tuple[str, datetime, datetime]]]:
    """Step, start and end at benches of a plan by job, in the order of time."""
    found: dict[int, list[tuple[str, datetime, datetime]]] = {}
    for row in planning.bench_rows_of(db, plan_id):
        found.setdefault(row.job_id, []).append((row.step, row.start_at, row.end_at))
    return found


def test_what_was_said_to_be_done_is_not_planned_again(
    factory: sessionmaker[Session], season_id: int
) -> None:
    """A piece that is hollowed and thinned is gauged next."""
    _enter(factory)
    with unit_of_work(factory) as db:
        piece = db.scalars(select(tables.Workpiece)).first()
        assert piece is not None
        for kind in (PieceStepKind.HOLLOWED, PieceStepKind.THINNED):
            db.add(tables.PieceStep(workpiece_id=piece.id, step=kind, happened_at=AT, **BY))
    with reading(factory) as db:
        problem = planning.problem_of(db, season_id, START, benches=True)
    assert [step["name"] for step in problem["jobs"][0]["steps"]][:2] == ["gauge", "mount"]
    assert "within_min" not in problem["jobs"][0]


def test_planned_again_what_has_begun_stays(factory: sessionmaker[Session], season_id: int) -> None:
    """An hour into the plan: what has begun is carried over, what is left follows it, nothing is lost."""
    _enter(factory)
    first = _plan(factory, season_id)
    with reading(factory) as db:
        before = {(row.job_id, row.step): row.start_at for row in planning.bench_rows_of(db, first.plan_id)}
    later = sorted(before.values())[2] + timedelta(minutes=1)
    again = _plan(factory, season_id, now=later, start=later, published=True)
    with reading(factory) as db:
        rows = benches_by_job(db, again.plan_id)
    assert again.undone == ()
    assert all([step for step, _, _ in mine] == ALL for mine in rows.values())
    after = {(job, step): start for job, mine in rows.items() for step, start, _ in mine}
    assert all(after[key] == start for key, start in before.items() if start < later)


def test_an_absence_is_left_out(factory: sessionmaker[Session], season_id: int) -> None:
    """Wil is away until eight: two hours of his day are missing."""
    _enter(factory)
    with unit_of_work(factory) as db:
        db.add(tables.Absence(person="Wil", start_at=START, end_at=START + timedelta(hours=2), **BY))
    with reading(factory) as db:
        people = planning.problem_of(db, season_id, START, benches=True)["people"]
    assert next(g["open"][0] for g in people if "hollow" in g["skill"]) == [120, 660]


def test_nonsense_is_refused(factory: sessionmaker[Session], season_id: int) -> None:
    """A bench that does nothing, an unknown step, a name that is taken, hours the wrong way round."""
    with unit_of_work(factory) as db:
        with pytest.raises(Refused, match="at least one step"):
            benches.add_bench(db, "empty", [], by="Ann", at=AT)
        with pytest.raises(Refused, match="step"):
            benches.add_bench(db, "odd", ["polish"], by="Ann", at=AT)
        with pytest.raises(Refused, match="0 places"):
            benches.add_carriers(db, "plates", 0, by="Ann", at=AT)
        with pytest.raises(Conflict, match="Heron"):
            benches.add_bench(db, "Heron", ["hollow"], by="Ann", at=AT)
        with pytest.raises(Refused, match="end after the start"):
            benches.add_hand(db, "Bea", ["any"], hours=(time(9), time(8)), by="Ann", at=AT)


def test_the_command_enters_a_file(tmp_path: Path) -> None:
    """Benches, plates and hands of one file; a misspelt key is refused by name and nothing is kept."""
    from planner.cli import main
    from planner.database.migrate import upgrade
    from planner.database.session import session_factory

    url = f"sqlite:///{tmp_path / 'lanternwright.db'}"
    upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        season.add_season(
            db, "Dusk", "Garden", "Europe/London", date(2026, 10, 24), date(2026, 10, 25), time(17, 25),
            by="Ann", at=AT,
        )  # fmt: skip
    file = tmp_path / "crew.json"
    crew = {
        "benches": [
            {"name": "hollowing", "steps": ["hollow", "thin"], "places": 2, "minutes": {"hollow": 9}}
        ],
        "carriers": [{"name": "carrier plates", "count": 24}],
        "hands": [{"name": "Wil", "skills": ["hollow"], "from": "06:00", "to": "17:00"}],
    }
    file.write_text(json.dumps(crew | {"hands": [{"name": "Wil", "skils": ["hollow"]}]}))
    asked = ["benches", "--file", str(file), "--folder", str(tmp_path)]
    refused = CliRunner().invoke(main, asked)
    assert refused.exit_code == 2 and "'skils'" in refused.output
    file.write_text(json.dumps(crew))
    told = CliRunner().invoke(main, asked)
    assert told.exit_code == 0 and "2 benches and sets of carriers, 1 hands entered" in told.output
    with reading(factory) as db:
        known = benches.crew_of(db)
        assert [bench.minutes for bench in known.benches] == [{"hollow": 9.0}]
        assert [(c.name, c.places) for c in known.carriers] == [("carrier plates", 24)]
        assert [(hand.name, hand.from_time) for hand in known.hands] == [("Wil", time(6))]
