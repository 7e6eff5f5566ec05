"""Does the review add up to what was recorded, by a sum of its own?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Refused
from planner.services import review
from planner.services.review import CUTTING, DOWN, PAUSED, SETTING_UP, WAITING, Facts, Rates, RunFact

AT = datetime(2026, 10, 24, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
MIN = 60_000_000


def _minute(minute: float) -> datetime:
    return AT + timedelta(minutes=minute)


@pytest.fixture
def season(db: Session) -> tables.Season:
    """Two stations, one machine, an eight-hour shift, three runs: good, scrapped, still on."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 25), dusk=time(17, 25), **BY,
    )  # fmt: skip
    season.nights = [tables.Night(night=date(2026, 10, day)) for day in (24, 25)]
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=3, received_on=AT.date(), **BY)
    machine = tables.Machine(
        name="Wren", description="{}", digest="0" * 12, max_diameter_mm=320, fixture_class="ring",
        attended=0.5, **BY,
    )  # fmt: skip
    machine.shifts = [tables.MachineShift(start_at=AT, end_at=_minute(480), **BY)]
    machine.breakdowns = [
        tables.Breakdown(start_at=_minute(200), end_at=_minute(260), reason="belt torn", **BY)
    ]
    cutter = tables.Cutter(
        name="6F-01", type_name="6F", description={"name": "6F"}, machine=machine, state="fitted", **BY
    )
    db.add_all([season, machine, cutter])
    ends = {0: (10, 50, "finished"), 1: (60, 90, "scrapped"), 2: (400, None, None)}
    for number, (start, end, outcome) in ends.items():
        station = tables.Station(
            season=season,
            name=f"Gate {number}",
            area="Gate",
            size_class="large",
            kind="through",
            least_rating=7,
        )
        job = tables.Job(
            season=season, station=station, night=date(2026, 10, 24),
            state="cut" if number == 0 else "wanted", **BY,
        )  # fmt: skip
        piece = tables.Workpiece(lot=lot, number=f"01{number}", diameter_mm=284, height_mm=256, **BY)
        job.run_times = [tables.RunTime(machine=machine, eligible=True, run_min=30)]
        run = tables.Run(
            job=job, machine=machine, workpiece=piece, started_at=_minute(start), outcome=outcome,
            ended_at=None if end is None else _minute(end),
            scrap_reason="slipped" if outcome == "scrapped" else None, **BY,
        )  # fmt: skip
        if number == 0:
            run.pauses = [
                tables.Pause(start_at=_minute(20), end_at=_minute(25), reason="cutter change", **BY),
                tables.Pause(start_at=_minute(30), end_at=_minute(33), reason="odd noise", **BY),
            ]
            run.cutter_uses = [tables.CutterUse(cutter=cutter, metres=2.5, minutes=28, wear=0.05, **BY)]
            db.add_all(tables.LitCheck(job=job, rating=rating, **BY) for rating in (7, 8))
        db.add(run)
    db.flush()
    return season


def _review(db: Session, season: tables.Season, rates: Rates | None = None) -> review.Review:
    facts = review.gather(db, season.id, AT, AT + timedelta(days=1), now=_minute(420))
    return review.review_of(facts, rates)


def test_hours_add_up_to_the_shift(db: Session, season: tables.Season) -> None:
    """Until now, minute 420: by hand 60 down, 5 setting up, 3 paused, 82 cutting, the rest waiting."""
    found = _review(db, season)
    minutes = {name: us / MIN for name, us in found.hours["Wren"].items()}
    assert minutes == {DOWN: 60, SETTING_UP: 5, PAUSED: 3, CUTTING: 82, WAITING: 270}
    assert sum(found.hours["Wren"].values()) == found.manned["Wren"] == 420 * MIN


def test_figures_by_hand(db: Session, season: tables.Season) -> None:
    """PBT 420, APT 82, PRI PQ 2 x 30, one of two good: the formulas of ISO 22400-2 on these."""
    found = _review(db, season)
    values = {f.name: f.value for f in found.whole.figures}
    assert values["availability"] == pytest.approx(82 / 420)
    assert values["effectiveness"] == pytest.approx(60 / 82)
    assert values["quality ratio"] == pytest.approx(1 / 2)
    assert values["OEE index"] == pytest.approx(30 * 1 / 420)  # PRI GQ / PBT
    assert values["first pass yield"] == pytest.approx(1 / 2)
    assert values["MTBF"] == pytest.approx((420 - 60) / 2)
    assert values["MTTR"] == pytest.approx(60 / 2)
    assert found.scrap == {"slipped": 1}
    assert [(n.promised, n.lit) for n in found.nights] == []  # dusk has not come yet


def test_sums_of_their_own(db: Session, season: tables.Season) -> None:
    """Counts and cutter minutes are those that plain SQL finds."""
    found = _review(db, season)
    made, lost = db.execute(
        text("SELECT count(*), sum(CASE WHEN outcome = 'scrapped' THEN 1 ELSE 0 END) FROM runs "
             "WHERE ended_at IS NOT NULL")
    ).one()  # fmt: skip
    assert (found.whole.tally.made, found.whole.tally.scrapped) == (made, lost)
    assert sum(group.tally.made for group in found.lots) == made
    assert sum(use.minutes for use in found.cutters) == db.scalar(
        text("SELECT sum(minutes) FROM cutter_uses")
    )


def test_cost_needs_both_prices(db: Session, season: tables.Season) -> None:
    """Half of 40 + 30 + 20 min is a person's at 20 an hour, 0.05 of a cutter at 60; one good lantern."""
    assert _review(db, season).cost.per_lantern is None
    assert _review(db, season, Rates(person_hour=20.0)).cost.per_lantern is None
    cost = _review(db, season, Rates(20.0, 60.0)).cost
    assert cost.per_lantern == pytest.approx(0.5 * 90 / 60 * 20 + 0.05 * 60)
    assert cost.cutter_min_per_lantern == pytest.approx(28)
    assert cost.per_lit_night is None  # no night yet


def test_lit_by_dusk(db: Session, season: tables.Season) -> None:
    """On both nights one of three stations has its lantern, which was cut before dusk."""
    facts = review.gather(db, season.id, AT, AT + timedelta(days=2), now=AT + timedelta(days=3))
    assert [(n.night.day, n.promised, n.lit) for n in facts.nights] == [(24, 3, 1), (25, 3, 1)]


def test_three_sentences(db: Session, season: tables.Season) -> None:
    """They speak of these records: the good one, the waiting, the half that was scrapped and why."""
    well, most, todo = _review(db, season).words
    assert "1 of 2 lanterns came out good" in well
    assert most == "Cost most: nothing reported took 4.5 h of the shifts of Wren."
    assert "1 of 2 were scrapped, 1 by 'slipped'" in todo


def test_a_few_questions_only(db: Session, season: tables.Season, query_counter: Any) -> None:
    """The number of statements does not grow with the runs."""
    with query_counter() as queries:
        _review(db, season)
    assert len(queries) <= 18


def test_nothing_recorded_is_said() -> None:
    """No record, no figure, and words that say so."""
    found = review.review_of(Facts(0, 480 * MIN, {}))
    assert {f.value for f in found.whole.figures} == {None}
    assert "nothing can be said" in found.words[0]


def test_what_runs_outside_of_shifts_is_told() -> None:
    """A run of 60 min, half of it after the shift: both halves are production, one is outside."""
    run = RunFact(1, "Wren", "Fern", "L-1", (450 * MIN, 510 * MIN), outcome="finished", planned_run_min=50)
    found = review.review_of(Facts(0, 1000 * MIN, {"Wren": [(0, 480 * MIN)]}, runs=[run]))
    assert found.whole.tally.production_min == 60
    assert found.outside_min == 30
    assert found.hours["Wren"][CUTTING] == 30 * MIN


def test_shifts_are_told_apart() -> None:
    """A run belongs to the shift in which it ended; its minutes go to each by halves."""
    run = RunFact(1, "Wren", "Fern", "L-1", (450 * MIN, 510 * MIN), outcome="finished", planned_run_min=50)
    shifts = {"Wren": [(0, 480 * MIN), (480 * MIN, 960 * MIN)]}
    late, early = review.review_of(Facts(0, 960 * MIN, shifts, runs=[run])).shifts
    assert (early.tally.made, early.tally.production_min) == (0, 30)
    assert (late.tally.made, late.tally.production_min) == (1, 30)


def test_a_stretch_must_have_a_length(db: Session, season: tables.Season) -> None:
    """The end comes after the begin, 400 days later at most."""
    with pytest.raises(Refused, match="400 days at most"):
        review.gather(db, season.id, AT, AT, now=AT)


def test_estimates_are_judged_on_later_runs() -> None:
    """Six runs of 30 min that take 36: raw they are off by 6 min; three of them teach most of that."""
    runs = [
        RunFact(n, "Wren", "Fern", "L-1", (n * 40 * MIN, (n * 40 + 36) * MIN), outcome="finished",
                planned_run_min=30)
        for n in range(6)
    ]  # fmt: skip
    found = review.review_of(Facts(0, 480 * MIN, {"Wren": [(0, 480 * MIN)]}, runs=runs)).estimates
    assert found is not None and found.runs == 3
    assert found.error_before_min == pytest.approx(6)
    assert found.error_after_min < 3 and found.score_after > found.score_before
