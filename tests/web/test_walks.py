"""Does a walker report a lantern in one tap, without script, and take it back?"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
OPENING = date(2026, 10, 24)


@pytest.fixture
def standing(fill, settings):
    """Six stations, of which the lanterns of the first two stand in their places."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for number in (1, 2):
            db.get(tables.Job, number).state = "placed"
    yield factory
    factory.kw["bind"].dispose()


def post(client, address, **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/walk").text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


def test_the_walk_lists_stations_with_three_buttons_each(client, standing):
    """Two lanterns stand: each has its three buttons and a note; the others say that nothing stands there."""
    page = client.get("/walk")
    assert "0 of 2 lanterns walked past on Sat 24 Oct" in words(page)
    for verdict in ("tonight", "tomorrow", "ok"):
        assert page.text.count(f'name="verdict" value="{verdict}"') == 2
    assert page.text.count("Nothing is reported in its place.") == 4
    assert re.findall(r'id="station-(\d)"', page.text) == list("123456")


def test_told_in_one_tap_and_taken_back(client, standing):
    """What was said stands in the first sentence; taken back it is void, kept, and asked for again."""
    answer = post(client, "/walk/1", verdict="tonight", fault="mould", words="low on the left", then="2")
    assert "1 of 2 lanterns walked past on Sat 24 Oct; replace tonight: Orangery 1." in words(answer)
    assert "mould; low on the left" in words(answer)
    assert answer.request.path == "/walk"
    back = post(client, "/walk/back/1")
    assert "0 of 2 lanterns walked past" in words(back)
    with unit_of_work(standing) as db:
        query = db.query(tables.NightWalk).execution_options(with_void=True)
        row = query.one()
        assert (row.verdict, row.night, row.void_reason) == ("tonight", OPENING, "taken back")
    assert post(client, "/walk/back/1").status_code in (404, 409)


@pytest.mark.parametrize(
    ("address", "fields", "status", "said"),
    [
        ("/walk/1", {"verdict": "perhaps"}, 422, "expected one of ok, tomorrow, tonight"),
        ("/walk/3", {"verdict": "ok"}, 409, "only a lantern in its place is walked past"),
        ("/walk/1", {"verdict": "ok", "night": "2026-12-24"}, 422, "expected one from 2026-10-24"),
        ("/walk/99", {"verdict": "ok"}, 404, "there is no job 99"),
    ],
)
def test_what_cannot_be_is_refused(client, standing, address, fields, status, said):
    """An unknown word, a lantern that is not out, a night of no season: refused in words, nothing kept."""
    answer = post(client, address, **fields)
    assert answer.status_code == status
    assert said in words(answer).replace("There is", "there is")
    with unit_of_work(standing) as db:
        assert db.query(tables.NightWalk).count() == 0


def test_a_program_walks_too(client, standing):
    """A sag of more than 5 % of the stem is never ok (common practice): the answer says tomorrow."""
    token = client.get("/api/v1/me").json["csrf_token"]
    sent = client.post(
        "/api/v1/jobs/2/walk", json={"verdict": "ok", "sag": 0.06}, headers={"X-CSRFToken": token}
    )
    assert sent.json["words"] == "walk 1: job 2 is tomorrow"
    rows = client.get("/api/v1/walk?night=2026-10-24").json
    assert [row["verdict"] for row in rows] == ["", "tomorrow", "", "", "", ""]


def test_as_many_questions_for_many_stations_as_for_few(fill, queries_of, settings):
    """Forty stations are read with as many statements as six."""
    fill(40)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for job in db.query(tables.Job):
            job.state = "placed"
    many = queries_of("/walk")
    with unit_of_work(factory) as db:
        for job in db.query(tables.Job).filter(tables.Job.id > 6):
            job.state = "cut"
    factory.kw["bind"].dispose()
    assert queries_of("/walk") == many <= 12
