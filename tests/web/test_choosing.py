"""Are pieces suggested on a page with reasons, taken one by one or all, and does a person's choice stay?"""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.worker import next_done

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "Ines"}


@pytest.fixture
def factory(settings: Settings):
    made = session_factory(settings.database_url)
    yield made
    made.kw["bind"].dispose()


@pytest.fixture
def season(fill, factory) -> None:
    """Six lanterns: three are cut, three want a piece; four free pieces lie in an accepted lot."""
    fill(6)
    with unit_of_work(factory) as db:
        for job in db.query(tables.Job).filter(tables.Job.id > 3):
            job.state, job.workpiece_id = "wanted", None
        lot = tables.Lot(
            name="L-300", variety="Globe", kind="squash", quantity=4, state="accepted",
            received_on=datetime(2026, 10, 12, tzinfo=UTC).date(), **SAID,
        )  # fmt: skip
        db.add_all(
            tables.Workpiece(
                lot=lot, number=f"030{n}", diameter_mm=284, height_mm=250, ribs=10, rib_mm=2.0,
                wall_default_mm=22.0, state="whole", store_place=f"rack {n}", **SAID,
            )
            for n in range(4)
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


def post(client, address, page="/choosing", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(answer.text.split())


def test_pieces_are_suggested_with_reasons_and_taken(client, season, work, factory):
    """Three lanterns without a piece get one each; one is taken, then the rest; each change is told."""
    assert "No piece is suggested yet" in words(client.get("/choosing"))
    assert "3 of 3 lanterns without a piece" in words(client.get("/choosing"))
    post(client, "/choosing", night="2026-10-24")
    assert work() == 1
    text = words(client.get("/choosing"))
    assert "3 pieces are suggested for Sat 24 Oct" in text
    assert "11 d in store" in text  # the three that were given back came in on the 10th
    with unit_of_work(factory) as db:
        assert {job.workpiece_id for job in db.query(tables.Job).filter(tables.Job.id > 3)} == {None}
    assert "1 piece is chosen as suggested" in words(post(client, "/choosing/1/take", job=4))
    assert "2 pieces are suggested" in words(client.get("/choosing"))
    assert "2 pieces are chosen as suggested" in words(post(client, "/choosing/1/take"))
    assert "Every lantern of Sat 24 Oct has its piece" in words(client.get("/choosing"))
    assert "as suggested" in words(client.get("/jobs/5"))
    with unit_of_work(factory) as db:
        held = [job.workpiece_id for job in db.query(tables.Job).filter(tables.Job.id > 3)]
        assert None not in held and len(set(held)) == 3


def test_a_suggestion_that_was_taken_is_taken_back(client, season, work, factory):
    """The lantern has no piece again, and the piece is free; a job with another piece by now stays."""
    post(client, "/choosing", night="2026-10-24")
    work()
    post(client, "/choosing/1/take")
    with unit_of_work(factory) as db:
        taken = {row.about: row.id for row in db.query(tables.Change).filter_by(kind="choose")}
        db.get(tables.Job, 5).workpiece_id = None
    assert post(client, f"/changes/{taken['job 4']}/undo").status_code == 200
    assert post(client, f"/changes/{taken['job 5']}/undo").status_code == 409
    with unit_of_work(factory) as db:
        assert db.get(tables.Job, 4).workpiece_id is None
        assert db.get(tables.Job, 4).state == "wanted"
        assert db.get(tables.Job, 6).workpiece_id is not None


def test_a_persons_choice_wins(client, season, work, factory):
    """Somebody gives job 5 a piece by hand meanwhile: its suggestion is refused, the others are taken."""
    post(client, "/choosing", night="2026-10-24")
    assert work() == 1
    with unit_of_work(factory) as db:
        free = db.query(tables.Workpiece).filter_by(number="0101").one()
        db.query(tables.Job).filter_by(workpiece_id=free.id).one().workpiece_id = None
        db.flush()
        db.get(tables.Job, 5).workpiece_id = free.id
    assert "has 0101 now" in words(client.get("/choosing"))
    refused = post(client, "/choosing/1/take", job=5)
    assert refused.status_code == 409
    assert "a person" in words(refused)
    assert "2 pieces are chosen as suggested" in words(post(client, "/choosing/1/take"))
    with unit_of_work(factory) as db:
        assert db.get(tables.Job, 5).workpiece.number == "0101"


def test_what_cannot_be_asked_for_is_refused_in_words(client, season):
    """A word that is no night, a night without lanterns, a work of another kind, an unknown piece."""
    assert "xpected such as 2026-10-24" in words(post(client, "/choosing", night="tomorrow"))
    assert "o lantern of 2027-01-01 waits" in words(post(client, "/choosing", night="2027-01-01"))
    post(client, "/forecast", "/tonight")
    assert post(client, "/choosing/1/take").status_code == 404
    assert "here is no piece" in words(post(client, "/choosing/skin", number="9999"))


def test_what_was_seen_of_a_skin_is_kept(client, season, factory):
    """Ribs and blemishes stand with the piece and are told on its page."""
    fields = {"number": "0300", "rib_mm": "4", "longitude_1": "90", "width_1": "30"}
    assert "the skin of piece 0300: 1 blemish" in words(post(client, "/choosing/skin", **fields))
    with unit_of_work(factory) as db:
        piece = db.query(tables.Workpiece).filter_by(number="0300").one()
        assert piece.rib_mm == 4.0
        assert piece.blemishes == [{"longitude_deg": 90.0, "width_mm": 30.0}]
        number = piece.id
    assert "ribs 4 mm" in words(client.get(f"/workpieces/{number}"))


def test_the_same_by_program(client, season, work):
    """Asked for, found in the work's result, taken; a blemish without a width is refused."""
    token = client.get("/api/v1/me").json["csrf_token"]
    head = {"X-CSRFToken": token}
    asked = client.post("/api/v1/choosing", json={"night": "2026-10-24"}, headers=head).json
    assert work() == 1
    found = client.get(f"/api/v1/works/{asked['work_id']}").json["result"]["suggestions"]
    assert {one["job_id"] for one in found} == {4, 5, 6}
    taken = client.post(f"/api/v1/choosing/{asked['work_id']}/take", json={"jobs": [4, 6]}, headers=head)
    assert taken.json["words"] == "2 pieces are chosen as suggested"
    bad = {"number": "0300", "blemishes": [{"longitude_deg": 3}]}
    refused = client.post("/api/v1/pieces/skin", json=bad, headers=head)
    assert refused.status_code == 422


def test_the_number_of_questions_does_not_grow(client, season, work, queries_of, factory):
    """With 3 or 1 suggestions the page asks the same number of times."""
    post(client, "/choosing", night="2026-10-24")
    assert work() == 1
    many = queries_of("/choosing")
    with unit_of_work(factory) as db:
        row = db.get(tables.Work, 1)
        row.result = {"suggestions": row.result["suggestions"][:1]}
    assert queries_of("/choosing") == many
