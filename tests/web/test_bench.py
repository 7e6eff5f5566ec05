"""Does a piece's page offer its next steps, and say before what they make void?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "Ines"}


@pytest.fixture
def store(fill, settings):
    """Six hollow pieces of one lot; piece 4 is scanned, and job 4 prepared for it on Heron."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.add(
            tables.Scan(
                workpiece_id=4, taken_at=NOW - timedelta(hours=1), state="hollow", clamp_number=0,
                tip_radius_mm=1, points=[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]], touches=3, digest="0",
                original="x", **SAID,
            )
        )  # fmt: skip
    yield factory
    factory.kw["bind"].dispose()


def post(client, address, page, **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


def test_what_a_step_voids_is_said_before_and_done_after(client, store):
    """Washing a scanned piece voids scan and program, as the page said; hollowing is not offered twice."""
    steps = {one["kind"]: one for one in client.get("/api/v1/workpieces/4/steps").json}
    assert set(steps) == {"stored", "washed", "thinned", "gauged", "mounted"}
    assert steps["washed"]["voids"] == ["scan", "program of job 4 for Heron"]
    assert steps["gauged"]["voids"] == []
    there = "/workpieces/4"
    assert re.search("Washed makes void: scan,? (and )?program of job 4 for Heron", words(client.get(there)))
    done = post(client, f"{there}/steps", there, kind="washed", place="rack 7")
    assert "no scan counts" in words(done)
    assert "washed , Wed 21 Oct" in words(done) or "rack 7; made void" in words(done)
    with unit_of_work(store) as db:
        assert db.get(tables.Job, 4).state == "chosen"
        assert db.get(tables.Workpiece, 4).store_place == "rack 7"


def test_every_step_that_is_offered_can_be_reported(client, store):
    """For a whole, a hollow, a cut, a placed and a scrapped piece: none of the buttons is refused."""
    token = client.get("/api/v1/me").json["csrf_token"]
    for number, state in enumerate(("whole", "hollow", "cut", "placed", "scrapped"), 1):
        with unit_of_work(store) as db:
            db.get(tables.Workpiece, number).state = state
            db.get(tables.Workpiece, number).hollowed_at = None if state == "whole" else NOW
        tried = set()
        while True:
            left = [one["kind"] for one in client.get(f"/api/v1/workpieces/{number}/steps").json]
            fresh = [kind for kind in left if kind not in tried]
            if not fresh:
                break
            tried.add(fresh[0])
            sent = client.post(
                f"/api/v1/workpieces/{number}/steps", json={"kind": fresh[0]}, headers={"X-CSRFToken": token}
            )
            assert sent.status_code == 200, (state, fresh[0], sent.json)
        assert tried


@pytest.mark.parametrize(
    ("kind", "status", "said"),
    [("eaten", 422, "expected one of received"), ("taken down", 409, "only a cut one is taken down")],
)
def test_a_step_that_cannot_be_is_refused(client, store, kind, status, said):
    """An unknown word, and one out of order: nothing is kept."""
    answer = post(client, "/workpieces/4/steps", "/workpieces/4", kind=kind)
    assert answer.status_code == status
    assert said in words(answer)
    assert "No step of it is reported yet" in words(client.get("/workpieces/4"))


@pytest.mark.parametrize(
    ("bad", "soft_rot", "said"),
    [(0, 0, "lot L-201 is taken in"), (1, 0, "lot L-201 is refused"), (7, 0, "expected 0 to 6")],
)
def test_a_lot_is_sampled(client, store, bad, soft_rot, said):
    """Of a lot of six all six are looked at: one bad is 17 %, more than the 10 % of the grade."""
    answer = post(client, "/lots/1/samples", "/workpieces", pieces=6, bad=bad, soft_rot=soft_rot)
    assert said in words(answer).replace("Lot L", "lot L")


def test_rot_raises_an_alarm_on_the_lot(client, store):
    """Two of six rotten where 4 % are expected: 1 - 0.96^6 - 6 * 0.04 * 0.96^5 = 2.2 %, once in 46."""
    with unit_of_work(store) as db:
        for number in ("0105", "0106"):
            db.query(tables.Workpiece).filter_by(number=number).one().state = "scrapped"
            db.add(
                tables.Change(
                    kind="piece", words=f"piece {number} lost: rot", about=f"piece {number}", **SAID
                )
            )
    text = words(client.get("/workpieces"))
    assert "rot alarm" in text and "once in 46" in text


def test_as_many_questions_for_many_steps(client, store, queries_of):
    """Nine steps are shown with as many statements as one."""
    post(client, "/workpieces/5/steps", "/workpieces/5", kind="gauged")
    few = queries_of("/workpieces/5"), queries_of("/workpieces")
    for _ in range(8):
        post(client, "/workpieces/5/steps", "/workpieces/5", kind="gauged")
    assert (queries_of("/workpieces/5"), queries_of("/workpieces")) == few
