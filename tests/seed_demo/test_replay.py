"""Does a replayed season leave records that add up, summed here by plain SQL and not by the program?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import text

from planner.database import migrate, tables
from planner.database.session import reading, session_factory, unit_of_work
from planner.schedule import kpi
from planner.services import learning, quality, review
from planner.services.planning import plan_season
from seed_demo.replay import Replay
from seed_demo.scenario import Happening
from seed_demo.through_season import facts_of, lines

ZONE = ZoneInfo("Europe/London")
OPENING, NIGHTS, STATIONS = date(2026, 10, 24), 5, 16
AT = datetime(2026, 10, 23, 6, 0, tzinfo=ZONE)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "demo"}
HAPPENINGS = (
    Happening(datetime(2026, 10, 23, 8, 10, tzinfo=ZONE), "Wren", "rewired: its proof mark is mirrored", 50),
    Happening(datetime(2026, 10, 24, 9, 30, tzinfo=ZONE), "all machines", "power cut", 20),
    Happening(datetime(2026, 10, 24, 10, 20, tzinfo=ZONE), "Heron", "drive belt torn; down", 120),
    Happening(datetime(2026, 10, 25, 9, 0, tzinfo=ZONE), "L-2", "4 of 25 bad: the lot is refused"),
    Happening(datetime(2026, 10, 26, 6, 0, tzinfo=ZONE), "Lime Walk", "squirrels ate two lanterns"),
)  # fmt: skip


def _write(url: str) -> int:
    """Write a small season: two machines, sixteen stations, warm nights so that much is replaced."""
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        season = tables.Season(
            name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=OPENING,
            last_night=OPENING + timedelta(days=NIGHTS - 1), dusk=time(17, 25), **BY,
        )  # fmt: skip
        season.nights = [
            tables.Night(night=OPENING + timedelta(days=n), temperature_c=26) for n in range(NIGHTS)
        ]
        lots = [
            tables.Lot(name=name, variety="Crown", kind="squash", quantity=90, received_on=day, **BY)
            for name, day in (("L-1", date(2026, 10, 10)), ("L-2", date(2026, 10, 25)))
        ]
        version = tables.DesignVersion(
            design=tables.Design(name="Fern", **BY), version=1, artwork=b"<svg/>", file_name="a.svg",
            digest="0", width_mm=210, height_mm=180, **BY,
        )  # fmt: skip
        machines = [
            tables.Machine(
                name=name, description="{}", digest="0", max_diameter_mm=360, fixture_class="ring", **BY
            )
            for name in ("Wren", "Heron")
        ]
        cutters = [
            tables.Cutter(name=f"6F-{n}", type_name="6F", description={"stick_out_mm": 50}, **BY)
            for n in range(4)
        ]
        db.add_all([season, *lots, version, *machines, *cutters])
        db.flush()
        for n in range(STATIONS):
            area = "Lime Walk" if n < 6 else "Gate"
            station = tables.Station(
                season=season,
                name=f"{area} {n}",
                area=area,
                size_class="large",
                kind="through",
                least_rating=6,
            )
            piece = tables.Workpiece(
                lot=lots[0],
                number=f"01{n:02d}",
                diameter_mm=284,
                height_mm=256,
                state="hollow",
                hollowed_at=AT,
                **BY,
            )
            job = tables.Job(
                season=season, station=station, night=OPENING, workpiece=piece, design_version=version,
                state="prepared", **BY,
            )  # fmt: skip
            job.run_times = [
                tables.RunTime(machine=m, eligible=True, run_min=20 + 2 * (n % 5), wear={"6F": 0.13})
                for m in machines
            ]
            db.add(job)
        for machine in machines:
            for day in range(NIGHTS + 1):
                start = datetime.combine(AT.date() + timedelta(days=day), time(6, 0), ZONE)
                db.add(
                    tables.MachineShift(
                        machine=machine, start_at=start, end_at=start + timedelta(hours=10.5), **BY
                    )
                )
        db.flush()
        number = season.id
    plan_season(factory, number, by="demo", now=AT, start=AT, seconds=0.5, workers=1)
    factory.kw["bind"].dispose()
    return number


@pytest.fixture(scope="module")
def gone(tmp_path_factory: pytest.TempPathFactory):
    """The season gone by: its database, number and what was told."""
    url = f"sqlite:///{tmp_path_factory.mktemp('season') / 'season.db'}"
    season_id = _write(url)
    factory = session_factory(url)

    def plan(at: datetime) -> None:
        plan_season(
            factory,
            season_id,
            by="demo",
            now=at,
            start=at,
            seconds=0.3,
            workers=1,
            published=True,
            most_moved=None,
        )

    told = Replay(factory, season_id, plan, HAPPENINGS, 3).run(AT.date())
    yield factory, season_id, told
    factory.kw["bind"].dispose()


def _judged(factory: Any, season_id: int) -> review.Review:
    return review.review_of(facts_of(factory, season_id))


def _sql(factory: Any, words: str) -> Any:
    with reading(factory) as db:
        return db.execute(text(words)).one()


@pytest.mark.solver
def test_counts_add_up_three_ways(gone):
    """What was told, what plain SQL finds in the tables, and what the review says are the same numbers."""
    factory, season_id, told = gone
    found = _judged(factory, season_id).whole.tally
    made, lost = _sql(
        factory, "SELECT sum(outcome IN ('finished', 'scrapped')), sum(outcome = 'scrapped') FROM runs "
        "WHERE voided_at IS NULL",
    )  # fmt: skip
    assert told.finished + sum(told.scrapped.values()) == made == found.made >= 25
    assert sum(told.scrapped.values()) == lost == found.scrapped
    assert (
        _sql(factory, "SELECT count(*) FROM runs WHERE outcome IN ('stopped', 'unknown')")[0]
        == told.broken_off
    )
    assert told.broken_off >= 1
    with reading(factory) as db:
        lost_by_machine = [r for r in learning.rates(db, season_id) if r.name.startswith("scrapped")]
    assert sum(r.count for r in lost_by_machine) == lost and sum(r.of for r in lost_by_machine) == made
    assert all(r.low <= r.count / r.of <= r.high for r in lost_by_machine)


@pytest.mark.solver
def test_minutes_add_up_three_ways(gone):
    """Minutes of runs less their pauses: told, by julian days in SQL, and in the review."""
    factory, season_id, told = gone
    (run_min,) = _sql(factory, "SELECT sum(julianday(ended_at) - julianday(started_at)) * 1440 FROM runs "
                      "WHERE voided_at IS NULL")  # fmt: skip
    (pause_min,) = _sql(factory, "SELECT coalesce(sum(julianday(end_at) - julianday(start_at)), 0) * 1440 "
                        "FROM pauses WHERE voided_at IS NULL")  # fmt: skip
    found = _judged(factory, season_id)
    assert run_min - pause_min == pytest.approx(told.machine_min, abs=0.1)
    assert pause_min == pytest.approx(told.pauses_min, abs=0.1)
    assert found.whole.tally.production_min == pytest.approx(told.machine_min, abs=0.5)
    assert sum(sum(parts.values()) for parts in found.hours.values()) == sum(found.manned.values())


@pytest.mark.solver
def test_ratings_walks_and_lights_add_up(gone):
    """Ratings, walks, lanterns asked for anew and lit stations: told, in the tables and in the review."""
    factory, season_id, told = gone
    assert _sql(factory, "SELECT count(*), sum(rating) FROM lit_checks") == (
        len(told.ratings),
        sum(told.ratings),
    )
    assert _sql(factory, "SELECT count(*) FROM night_walks")[0] == told.walked
    asked = _sql(factory, f"SELECT count(*) FROM jobs WHERE night > '{OPENING}'")[0]
    assert asked == sum(told.replaced.values()) >= 10
    assert {night.night: night.lit for night in _judged(factory, season_id).nights} == told.lit
    assert told.lit[OPENING] >= STATIONS - 2


@pytest.mark.solver
def test_cutters_gave_what_runs_took(gone):
    """Life left, what runs took and what was sharpened off: the four lives there were, one more each time.

    No cutter was driven beyond its life: each was changed before a job that it would not have lasted.
    """
    factory, _, told = gone
    left, used = _sql(
        factory, "SELECT (SELECT sum(life_left) FROM cutters), (SELECT sum(wear) FROM cutter_uses)"
    )
    sharpened = _sql(factory, "SELECT count(*) FROM cutter_entries WHERE kind = 'sharpened'")[0]
    assert sharpened == len(told.sharpened)
    assert left + used + sum(told.sharpened) == pytest.approx(4.0 + sharpened)
    assert used > 0.3
    ran = (
        "SELECT count(*) FROM runs WHERE outcome = 'finished' AND id NOT IN (SELECT run_id FROM cutter_uses)"
    )
    assert _sql(factory, ran)[0] == 0


@pytest.mark.solver
def test_what_was_learned_halves_the_error(gone):
    """Estimates of the second half of the runs: by what the first taught off by half at most."""
    factory, season_id, _ = gone
    estimates = _judged(factory, season_id).estimates
    assert estimates is not None and estimates.runs >= 10
    assert estimates.error_after_min <= 0.5 * estimates.error_before_min
    assert estimates.score_after > estimates.score_before


@pytest.mark.solver
def test_littles_law(gone):
    """L = lambda W: jobs open, sampled every five minutes, against rate times mean stay from the records."""
    _, _, told = gone
    begin = min(asked for asked, _ in told.waiting)
    end = max(cut for _, cut in told.waiting)
    sampled, at = [], begin + timedelta(minutes=2.5)
    while at < end:
        sampled.append(sum(asked <= at < cut for asked, cut in told.waiting))
        at += timedelta(minutes=5)
    found = kpi.little([(a.timestamp() / 60, c.timestamp() / 60) for a, c in told.waiting])
    assert found.number == pytest.approx(sum(sampled) / len(sampled), rel=0.01)
    assert found.number == pytest.approx(found.rate_per_min * found.stay_min)


def test_littles_law_by_hand():
    """12 jobs a day that stay a day and a half: 18 at a time (Little 1961), for a hundred days."""
    stays = [(n * 120.0, n * 120.0 + 2160.0) for n in range(12 * 100)]
    found = kpi.little(stays)
    assert found.stay_min == 2160 and found.number == pytest.approx(18, rel=0.02)


@pytest.mark.solver
def test_everything_happened(gone):
    """Each thing that was to happen is told with what came of it, and the walks give the life back."""
    factory, season_id, told = gone
    assert len(told.happened) == len(HAPPENINGS)
    assert any("lot rejected" in line for line in told.happened)
    assert any("2 eaten" in line for line in told.happened)
    with reading(factory) as db:
        refitted = quality.refit_life(db, season_id)
        assert db.get(tables.Lot, 2).state == "rejected"
        assert "eaten" in str([walk.faults for walk in db.query(tables.NightWalk).all()])
    assert refitted is not None and refitted.overall[1] * 0.9 < 0.93 < refitted.overall[2] * 1.1
    assert any("lit" in line for line in lines(factory, season_id, told))


def test_utc_is_kept():
    """The clocks go back in the night to 25 October: instants, not faces, are told."""
    assert datetime(2026, 10, 24, 6, tzinfo=ZONE).astimezone(UTC).hour == 5
    assert datetime(2026, 10, 25, 6, tzinfo=ZONE).astimezone(UTC).hour == 6
