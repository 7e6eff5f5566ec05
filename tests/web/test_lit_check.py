"""Do two raters, and a third where they differ, decide whether a lantern may be shown?"""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def rated(fill, settings):
    """Six jobs, three of them cut (station wants 6); give ratings of other people to job 1."""
    fill(6)
    factory = session_factory(settings.database_url)

    def give(*ratings, job=1):
        with unit_of_work(factory) as db:
            for number, rating in enumerate(ratings):
                by = f"Rater {number + 1}"
                db.add(tables.LitCheck(job_id=job, rating=rating, recorded_by=by, recorded_at=NOW))

    yield give
    factory.kw["bind"].dispose()


def post(client, address, page, **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


@pytest.mark.parametrize(
    ("ratings", "said"),
    [
        ((), "look, lit?"),
        ((8,), "one more rating is wanted"),
        ((8, 7), "it may be shown (mean 7.5)"),
        ((9, 5), "they differ by more than 2, so a third looks"),
        ((9, 5, 6), "a far station can have it (mean 5.5)"),  # the third stands with the nearer one
        ((3, 4), "it is cut again (mean 3.5)"),
    ],
)
def test_the_card_says_what_the_ratings_come_to(client, rated, ratings, said):
    """By the trade's card: two raters, a third where they differ by more than 2, the station's least is 6."""
    rated(*ratings)
    assert said in words(client.get("/jobs/1/lit-check"))


def test_the_floor_lists_what_waits_for_a_rater(client, rated):
    """Job 1 is done with, job 2 wants a third, job 3 has nobody yet."""
    rated(8, 8)
    rated(9, 4, job=2)
    text = words(client.get("/floor"))
    assert "Lit checks to do: 2" in text
    assert "a third rater , Rater 1, Rater 2 differ" in text or "Rater 1 and Rater 2 differ" in text
    listed = client.get("/api/v1/lit-checks").json
    assert [(one["job_id"], one["told"]["verdict"]) for one in listed] == [
        (2, "third rater"),
        (3, "another rater"),
    ]


def test_a_rating_is_put_right_by_a_new_one(client, rated, settings):
    """The earlier one stays, void, with the reason; the card shows the right one alone."""
    rated(8)
    answer = post(client, "/ratings/1", "/jobs/1/lit-check", rating=6, reason="wrong lantern")
    assert "6 of 10; one more rating is wanted" in words(answer)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        rows = db.query(tables.LitCheck).execution_options(with_void=True).order_by(tables.LitCheck.id)
        assert [(row.rating, row.void_reason) for row in rows] == [(8, "wrong lantern"), (6, None)]
    factory.kw["bind"].dispose()


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        ({"rating": 11, "reason": "slip"}, 422, "expected 1 to 10"),
        ({"rating": 6, "reason": ""}, 422, "expected 1 to 400 printable characters"),
    ],
)
def test_a_wrong_correction_is_refused(client, rated, fields, status, said):
    """A number off the card, or no reason: nothing is kept."""
    rated(8)
    answer = post(client, "/ratings/1", "/jobs/1/lit-check", **fields)
    assert answer.status_code == status
    assert said in words(answer)
    assert "8 of 10" in words(client.get("/jobs/1/lit-check"))


def test_as_many_questions_for_many_ratings(client, rated, queries_of):
    """The card and the floor ask no more for nine ratings than for one."""
    rated(8)
    few = [queries_of("/jobs/1/lit-check"), queries_of("/floor")]
    rated(*range(1, 9))
    assert [queries_of("/jobs/1/lit-check"), queries_of("/floor")] == few
