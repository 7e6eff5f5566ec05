"""Are benches, plates and hands entered on a page, and does it say what nobody can do?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, time

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "Ines"}


@pytest.fixture
def factory(settings: Settings):
    made = session_factory(settings.database_url)
    yield made
    made.kw["bind"].dispose()


def post(client, address, page="/benches", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(answer.text.split())


def test_bench_plates_and_hand_are_entered(client, fill, factory):
    """Each stands in its list with its times and hours, in the database, and among the changes."""
    fill(3)
    assert "No bench and no hand is entered yet." in words(client.get("/benches"))
    bench = {"name": "Trough", "places": 2, "step": ["hollow", "gauge"], "minutes hollow": "12"}
    assert "bench Trough: the next plan knows of it" in words(post(client, "/benches", **bench))
    post(client, "/benches/carriers", name="Plates", count=14)
    hand = {"name": "Bea", "skill": ["hollow"], "from": "06:00", "to": "14:30"}
    text = words(post(client, "/benches/hands", **hand))
    assert "hollow 12 min, gauge 2 min as usual" in text  # 2 min is the usual time
    assert "14 plates" in text
    assert "06:00 to 14:30" in text
    assert "Nobody can gauge and run a machine." in text
    assert "Demo lead: hand Bea entered" in text
    with unit_of_work(factory) as db:
        row = db.query(tables.Bench).filter_by(name="Trough").one()
        assert (row.steps, row.places, row.minutes) == (["hollow", "gauge"], 2, {"hollow": 12.0})
        kept = db.query(tables.Hand).one()
        assert (kept.skills, kept.from_time, kept.to_time) == (["hollow"], time(6, 0), time(14, 30))
    post(client, "/benches/hands", name="Wil", skill=["any"])
    assert "every step has somebody who can do it" in words(client.get("/benches"))


def test_changed_retired_and_taken_back(client, fill, factory):
    """A bench gets a place more and is taken out of use; a hand learns; each is taken back on the page."""
    fill(3)
    post(client, "/benches", name="Trough", places=2, step=["hollow"])
    post(client, "/benches/hands", name="Bea", skill=["hollow"])
    text = words(
        post(client, "/benches/1", places=3, steps="1", step=["hollow", "thin"], **{"minutes thin": "6"})
    )
    assert "bench Trough changed: the next plan knows of it" in text and "thin 6 min" in text
    assert "hand Bea changed" in words(
        post(client, "/benches/hands/1", skill=["any"], **{"from": "07:00", "to": "12:00"})
    )
    assert "out of use" in words(post(client, "/benches/1", active=0))
    assert "here no more" in words(post(client, "/benches/hands/1", active=0))
    assert post(client, "/benches/1", places=0).status_code == 422
    assert post(client, "/benches/hands/1").status_code == 422
    for change in (6, 5, 4, 3):
        assert post(client, f"/changes/{change}/undo").status_code == 200
    with unit_of_work(factory) as db:
        row, hand = db.get(tables.Bench, 1), db.get(tables.Hand, 1)
        assert (row.places, row.steps, row.minutes, row.active) == (2, ["hollow"], {}, True)
        assert (hand.skills, hand.from_time, hand.active) == (["hollow"], None, True)
    post(client, "/changes/2/undo")
    post(client, "/changes/1/undo")
    assert "No bench and no hand is entered yet." in words(client.get("/benches"))


def test_a_bench_of_a_plan_is_not_taken_back(client, fill, factory):
    """What a plan stands on can only be taken out of use."""
    fill(3)
    post(client, "/benches", name="Trough", step=["hollow"])
    with unit_of_work(factory) as db:
        when = {"start_at": NOW, "end_at": NOW.replace(hour=9)}
        db.add(tables.BenchRow(plan_id=1, job_id=1, step="hollow", bench_id=1, **when))
    answer = post(client, "/changes/1/undo")
    assert answer.status_code == 409 and "take it out of use instead" in words(answer)


@pytest.mark.parametrize(
    ("address", "fields", "told"),
    [
        ("/benches", {"name": "Trough"}, "at least one step"),
        ("/benches", {"name": "Heron", "step": ["thin"]}, "Heron"),  # a machine's name
        ("/benches/carriers", {"name": "Plates", "count": 0}, "expected 1 or more"),
        ("/benches/hands", {"name": "Bea", "skill": ["thin"], "from": "06:00"}, "beginning and an end"),
        ("/benches/hands", {"name": "Bea", "skill": ["thin"], "from": "15:00", "to": "06:00"}, "end after"),
        ("/benches/hands", {"name": "Bea"}, "at least one skill"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_kept(client, fill, factory, address, fields, told):
    """In words, and neither a row nor a change is left."""
    fill(3)
    answer = post(client, address, **fields)
    assert answer.status_code in (409, 422)
    assert told in words(answer)
    with unit_of_work(factory) as db:
        assert [db.query(t).count() for t in (tables.Bench, tables.Hand, tables.Change)] == [0, 0, 0]


def test_the_same_by_program(client, fill):
    """All three in one call, given back; a text where a list is meant is refused."""
    fill(3)
    head = {"X-CSRFToken": client.get("/api/v1/me").json["csrf_token"]}
    source = {
        "benches": [{"name": "Trough", "steps": ["hollow"], "places": 2}],
        "carriers": [{"name": "Plates", "count": 14}],
        "hands": [{"name": "Bea", "skills": ["any"], "from": "06:00", "to": "14:00"}],
    }
    assert client.post("/api/v1/benches", json=source, headers=head).status_code == 200
    assert [one["places"] for one in client.get("/api/v1/benches").json] == [2, 14]
    assert client.get("/api/v1/hands").json[0]["from_time"] == "06:00:00"
    assert client.post("/api/v1/benches/1", json={"active": False}, headers=head).status_code == 200
    later = {"skills": ["thin"], "from": "07:00", "to": "09:00"}
    assert client.post("/api/v1/hands/1", json=later, headers=head).status_code == 200
    assert client.get("/api/v1/benches").json[0]["active"] is False
    assert client.get("/api/v1/hands").json[0]["skills"] == ["thin"]
    assert client.post("/api/v1/benches/1", json={"active": 1}, headers=head).status_code == 422
    wrong = {"hands": [{"name": "Tom", "skills": "any"}]}
    assert client.post("/api/v1/benches", json=wrong, headers=head).status_code == 422


def test_the_number_of_questions_does_not_grow(client, fill, queries_of, factory):
    """With 1 or 40 benches and hands the page asks the same number of times."""
    fill(3)

    def entered(numbers):
        with unit_of_work(factory) as db:
            for n in numbers:
                db.add(tables.Bench(name=f"B{n}", kind="bench", steps=["thin"], **SAID))
                db.add(tables.Hand(name=f"H{n}", skills=["any"], **SAID))

    entered(range(1))
    few = queries_of("/benches")
    entered(range(1, 40))
    assert queries_of("/benches") == few
