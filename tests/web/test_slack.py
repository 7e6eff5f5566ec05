"""Is slack against stored nights a decision on the plan's page, and can a search go on from there?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.queries import WorkResult
from planner.database.session import session_factory, unit_of_work
from planner.services import planning
from planner.worker import next_done
from web.slack import curve_of

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "Ines"}


@pytest.fixture
def factory(settings: Settings):
    made = session_factory(settings.database_url)
    yield made
    made.kw["bind"].dispose()


@pytest.fixture
def season(fill, factory) -> None:
    """Six open jobs for three machines, in a plan from tomorrow on; its search was stopped at once."""
    fill(6, planned=False)
    with unit_of_work(factory) as db:
        for job in db.query(tables.Job):
            job.state, job.run_times = "prepared", []
        db.flush()
        for job in db.query(tables.Job):
            job.run_times = [
                tables.RunTime(machine_id=m, eligible=True, run_min=21, wear={"6F": 0.001}) for m in (1, 2, 3)
            ]
        db.query(tables.Breakdown).delete()
        for machine in (1, 2, 3):
            db.add(
                tables.Cutter(
                    name=f"6F-1{machine}", type_name="6F", description={"name": "6F"}, machine_id=machine,
                    state="fitted", **SAID,
                )
            )  # fmt: skip
    planning.plan_season(
        factory, 1, by="Ines", now=NOW, start=NOW + timedelta(days=1), seconds=0.5, workers=1,
        stop=lambda: True,
    )  # fmt: skip


@pytest.fixture
def work(factory):
    """Let the worker do what waits, in this process."""

    def do() -> int:
        done = 0
        while next_done(Settings, factory, "test", lambda: NOW):  # type: ignore[arg-type]
            done += 1
        return done

    return do


def post(client, address, page="/plan", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(answer.text.split())


def test_slack_is_weighed_by_the_worker_and_shown_twice(client, season, work, factory):
    """Five points or more, as a drawing and as a table; a point becomes a draft with shorter days."""
    assert "Not weighed yet" in words(client.get("/plan"))
    assert "Weighing slack" in words(post(client, "/plan/slack"))
    assert work() == 1
    page = client.get("/plan").text
    drawn = page.split('aria-labelledby="slack-title"')[1].split("</section>")[0]
    rows = drawn.split("<tbody>")[1].count("<tr>")
    assert rows >= 5
    assert drawn.count("<circle") == rows
    assert "shorter" in drawn
    with unit_of_work(factory) as db:
        points = db.get(tables.Work, 1).result["points"]
    assert points[-1]["earlier_h"] == pytest.approx(0.25 * 11, abs=0.3)  # shifts of 11 h; a quarter left free
    asked = post(client, "/drafts", longer=-points[-1]["earlier_h"])
    assert "shorter" in words(asked)


def test_the_drawing_lies_where_its_figures_say():
    """0 % lies at 220, 100 % at 20; the fewest nights at the left end, the most at the right."""
    rows = [
        {"share": s, "stored_nights": n, "undone": 0, "late": 0, "chance": c, "earlier_h": 0.0}
        for s, n, c in ((1.0, 4, 0.0), (0.9, 7, 0.5), (0.8, 10, 1.0))
    ]
    made = WorkResult(1, "done", {}, {"plan_id": 3, "points": rows}, "", NOW)
    curve = curve_of(made)
    assert [(one.x, one.y) for one in curve.points] == [(60.0, 220.0), (320.0, 120.0), (580.0, 20.0)]
    assert curve.safest.stored_nights == 10
    assert curve_of(None) is None


def test_the_search_goes_on_and_can_be_stopped(client, season, work, factory):
    """What waits is ended on the page; asked for again, no tier gets worse, and a better plan is told."""
    asked = words(post(client, "/plan/search-on", seconds=20))
    assert "Stop: searching on" in asked
    stopped = post(client, "/works/1/stop", back="/plan")
    assert stopped.request.path == "/plan"
    assert work() == 0
    post(client, "/plan/search-on", seconds=1)
    assert work() == 1
    with unit_of_work(factory) as db:
        row = db.get(tables.Work, 2)
        assert row.state == "done", row.error
        before, after = (db.get(tables.Plan, row.result[key]) for key in ("before", "plan_id"))
        values = [[tier["value"] for tier in plan.tiers.values()] for plan in (before, after)]
        assert values[1] <= values[0]
        assert after.state == "published"
        told = db.query(tables.Change).filter_by(kind="plan").count()
        assert told == (before.id != after.id)
    if before.id != after.id:
        assert "found by searching on" in words(client.get("/plan"))


def test_a_plan_that_has_begun_is_not_searched_on(client, fill):
    """The page says what to do instead, a form that was open all the while is refused, nothing waits."""
    fill(6)  # its plan began this morning
    assert "This plan has begun" in words(client.get("/plan"))
    refused = post(client, "/plan/search-on", seconds=20)
    assert refused.status_code == 409
    assert "has begun" in words(refused)


def test_the_same_by_program(client, season):
    """Both can be asked for; more time than is given to anybody is refused."""
    head = {"X-CSRFToken": client.get("/api/v1/me").json["csrf_token"]}
    assert client.post("/api/v1/plan/slack", headers=head).json["work_id"] == 1
    assert client.post("/api/v1/plan/search-on", json={"seconds": 5}, headers=head).json["work_id"] == 2
    assert client.post("/api/v1/plan/search-on", json={"seconds": 9999}, headers=head).status_code == 422


def test_the_number_of_questions_does_not_grow(client, season, queries_of, factory):
    """With a curve of 5 or of 50 points, after 1 or 15 works, the page asks the same number of times."""
    point = {"share": 0.9, "stored_nights": 3, "undone": 0, "late": 0, "chance": 0.5, "earlier_h": 1.1}

    def weighed(points, works):
        with unit_of_work(factory) as db:
            db.add_all(
                tables.Work(
                    kind="slack", state="done", arguments={"season_id": 1}, ended_at=NOW,
                    result={"plan_id": 1, "points": [point] * points}, **SAID,
                )
                for _ in range(works)
            )  # fmt: skip

    weighed(5, 1)
    few = queries_of("/plan")
    weighed(50, 15)
    assert queries_of("/plan") == few


def test_the_season_tells_how_likely_all_are_ready(client, season, factory):
    """Of the plan in force as it stands, once that was weighed; another plan's chance is not told."""
    assert "is not weighed for this plan" in words(client.get("/"))
    with unit_of_work(factory) as db:
        plan = db.query(tables.Plan).filter_by(state="published").one().id
        point = {"stored_nights": 9, "undone": 0, "late": 0}
        points = [point | {"share": 0.8, "chance": 0.99, "earlier_h": 2.0},
                  point | {"share": 1.0, "chance": 0.83, "earlier_h": 0.0}]  # fmt: skip
        said = {"kind": "slack", "state": "done", "arguments": {"season_id": 1}, **SAID}
        db.add(tables.Work(id=50, result={"plan_id": plan, "points": points}, **said))
    assert "in time with a chance of 83 %" in words(client.get("/"))
    with unit_of_work(factory) as db:
        db.get(tables.Work, 50).result = {"plan_id": plan + 1, "points": points}
    assert "is not weighed for this plan" in words(client.get("/"))
