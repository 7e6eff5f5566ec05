"""Does the lead see the night at a glance, report trouble in two taps, and see what moves first?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.worker import next_done

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def work(settings: Settings):
    """Let the worker do what waits, in this process."""
    factory = session_factory(settings.database_url)

    def do() -> int:
        done = 0
        while next_done(settings, factory, "test", lambda: NOW):
            done += 1
        return done

    yield do
    factory.kw["bind"].dispose()


@pytest.fixture
def season(fill, settings: Settings) -> None:
    """Twelve jobs, all open, each of which Heron and Otter can take; machine hours up to the last night."""
    fill(12)
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    with unit_of_work(factory) as db:
        for job in db.query(tables.Job):
            job.state = "prepared"
            job.run_times = []
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
                    state="fitted", **said,
                )
            )  # fmt: skip
    factory.kw["bind"].dispose()


def post(client, address, page="/tonight", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(answer.text.split())


def test_the_morning_on_one_page(client, season):
    """Lit of wanted, what is missing, machines, cutters, people, the plan: all in one answer."""
    text = words(client.get("/tonight"))
    assert "11 of 12</span> will be lit at 17:25 on Sat 24 Oct" in text
    assert "no XL piece is hollowed" in text
    for title in (
        "Today's list",
        "Weather and replacements",
        "Machines",
        "Cutters due",
        "People",
        "The plan",
    ):
        assert title in text
    assert "6F-02" in text  # 8 % of its life left


def test_machine_down_in_two_taps_then_what_moved_and_why(client, season, work, settings):
    """The report is kept, a draft is made, each move has its reason; it counts only once it is taken."""
    waiting = post(client, "/trouble/machine", machine=2, hours=26, reason="belt")
    assert "A draft is being made" in words(waiting)
    assert "Heron is reported down for 26 h: belt" in words(waiting)
    assert work() == 1
    draft = client.get("/drafts/waiting/1", follow_redirects=True)
    text = words(draft)
    assert "job moves" in text or "jobs move" in text
    assert "Heron is reported down: belt" in text
    assert "Take this plan" in text
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        assert db.get(tables.Plan, 1).state == "published"
    taken = post(client, "/drafts/2/take", "/drafts/2")
    assert "plan 2 is in force" in words(taken)
    with unit_of_work(factory) as db:
        assert [db.get(tables.Plan, n).state for n in (1, 2)] == ["replaced", "published"]
        on_heron = db.query(tables.PlanRow).filter_by(plan_id=2, machine_id=2)
        ends = NOW + timedelta(hours=26)
        assert all(row.start_at >= ends or row.start_at < NOW for row in on_heron)
        number = db.query(tables.Change).filter_by(kind="plan").one().id
    undone = post(client, f"/changes/{number}/undo")
    assert "taken back" in words(undone)
    with unit_of_work(factory) as db:
        assert [db.get(tables.Plan, n).state for n in (1, 2)] == ["published", "replaced"]
    factory.kw["bind"].dispose()


def test_two_leads_take_a_draft_and_one_is_told(client, season, work):
    """The second draft stood beside a plan that is in force no more: changed meanwhile, nothing kept."""
    for _ in range(2):
        post(client, "/drafts")
    assert work() == 2
    post(client, "/drafts/2/take", "/drafts/2")
    second = post(client, "/drafts/3/take", "/drafts/3")
    assert second.status_code == 409
    assert "hanged meanwhile" in second.text


def test_a_job_is_pinned_and_stays_there(client, season, work, settings):
    """The draft keeps it on the machine and at the minute that were asked for."""
    pinned = post(client, "/pins", "/jobs/10/move", job=10, machine=3, start="2026-10-22T10:00")
    assert "pinned to Otter, Thu 10:00" in words(pinned)
    assert work() == 1
    assert "pinned by Demo lead" in words(client.get("/drafts/2"))
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        row = db.query(tables.PlanRow).filter_by(plan_id=2, job_id=10).one()
        assert (row.machine_id, row.start_at) == (
            3,
            datetime(2026, 10, 22, 9, 0, tzinfo=UTC),
        )  # 10:00 in London
    factory.kw["bind"].dispose()
    assert "pinned no longer" in words(post(client, "/jobs/10/unpin", "/tonight"))


@pytest.mark.parametrize(
    ("kind", "fields", "told"),
    [
        ("cutter", {"cutter": 1, "state": "broken"}, "cutter 6F-01 is broken"),
        ("piece", {"number": "0107", "reason": "rot"}, "piece 0107 is lost (rot), job 7 wants another one"),
        ("person", {"person": "Bea", "hours": 11}, "Bea is away for 11 h"),
    ],
)
def test_the_other_troubles_in_two_taps(client, season, kind, fields, told):
    """Each is told in words and can be taken back on the same page."""
    assert told in words(post(client, f"/trouble/{kind}", **fields))
    assert f'Take back<span class="hidden">: {told}' in words(client.get("/tonight"))


def test_the_forecast_is_made_by_the_worker(client, fill, work):
    """Asked for on the page, done beside it, told on the page; nights without temperatures fail in words."""
    fill(6)
    post(client, "/forecast")
    assert work() == 1
    text = words(client.get("/tonight"))
    assert "replacements expected" in text or "broke off" in text


def test_what_if_changes_nothing_that_is_recorded(client, season, work, settings):
    """A machine that is down only in thought: a draft to compare, no breakdown."""
    post(client, "/drafts", machine=2, hours=26)
    assert work() == 1
    assert "what if Heron is down for 26 h" in words(client.get("/drafts/2"))
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        assert db.query(tables.Breakdown).count() == 0
    factory.kw["bind"].dispose()


def test_long_work_can_be_stopped(client, season, work):
    """What waits is ended at once, and the page says so."""
    post(client, "/drafts")
    post(client, "/works/1/stop")
    assert work() == 0
    assert "Stopped, as asked" in words(client.get("/drafts/waiting/1"))


def test_a_job_without_a_piece_gets_another_one(client, season, settings):
    """After a piece is lost the job's page offers the free scanned ones; an old page is told."""
    post(client, "/trouble/piece", number="0107", reason="rot")
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    with unit_of_work(factory) as db:
        piece = tables.Workpiece(
            id=900, lot_id=1, number="0900", diameter_mm=281, height_mm=233, state="hollow", **said
        )
        piece.scans = [
            tables.Scan(
                taken_at=NOW, state="hollow", clamp_number=0, tip_radius_mm=1, points=[[1.0, 0, 0]] * 3,
                touches=3, digest="0", original="x", **said,
            )
        ]  # fmt: skip
        db.add(piece)
    factory.kw["bind"].dispose()
    page = client.get("/jobs/7").text
    assert "0900, Crown, 281 mm" in page
    revision = re.search(r'name="revision" value="(\d+)"', page)[1]
    old = post(client, "/jobs/7/piece", "/jobs/7", piece=900, revision=int(revision) - 1)
    assert old.status_code == 409
    assert "Changed meanwhile" in old.text
    taken = post(client, "/jobs/7/piece", "/jobs/7", piece=900, revision=revision)
    assert "piece 0900 is chosen" in words(taken)
    assert "Piece 0900: hollow, for" in words(client.get("/workpieces/900"))


def test_lengths_in_inches_on_request(client, season):
    """281 mm are 11.06 in (281 / 25.4); asked for by one device, told on that device alone."""
    assert "280 mm" in client.get("/workpieces").text
    client.get("/units/inch?back=/workpieces")
    text = client.get("/workpieces").text
    assert "11.02 in" in text  # 280 mm
    assert "280 mm" not in text
