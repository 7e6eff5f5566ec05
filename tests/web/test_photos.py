"""Are pictures of lit lanterns kept, shown with those taken alike, and served as what they are?"""

from __future__ import annotations

import io
import re
from base64 import b64encode
from datetime import UTC, datetime

import pytest
from PIL import Image

from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def rated(fill, settings):
    """Three cut jobs, each with one rating."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for job in (1, 2, 3):
            db.add(tables.LitCheck(id=job, job_id=job, rating=8, recorded_by="Ann", recorded_at=NOW))
    yield factory
    factory.kw["bind"].dispose()


def picture(kind="JPEG", shade=200):
    kept = io.BytesIO()
    Image.new("RGB", (8, 6), (shade, 120, 20)).save(kept, kind)
    return kept.getvalue()


def send(client, check_id, content, exposure="1/4 s f/4 ISO 400"):
    page = client.get(f"/jobs/{check_id}/lit-check").text
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)[1]
    fields = {"csrf_token": token, "exposure": exposure, "photo": (io.BytesIO(content), "../lit.php")}
    return client.post(f"/ratings/{check_id}/photo", data=fields, content_type="multipart/form-data")


@pytest.mark.parametrize(("kind", "told"), [("JPEG", "image/jpeg"), ("PNG", "image/png")])
def test_a_picture_comes_back_as_it_was(client, rated, kind, told):
    """The same bytes with the type of what is in them, whatever the name said; no browser guesses another."""
    assert send(client, 1, picture(kind)).status_code == 302
    address = re.search(r'src="(/photos/[^"]+)"', client.get("/jobs/1/lit-check").text)[1]
    with client.get(address) as answer:
        assert answer.data == picture(kind) and answer.mimetype == told
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_those_of_one_exposure_stand_together(client, rated, queries_of):
    """Two taken alike and one otherwise: two headings; the page asks as often for one as for three."""
    send(client, 1, picture(shade=10))
    few = queries_of("/photos")
    send(client, 2, picture(shade=20))
    send(client, 3, picture(shade=30), "1/2 s f/4 ISO 400")
    page = client.get("/photos").text
    assert "3 pictures of lit lanterns, taken with 2 exposures" in page
    assert page.index("1/2 s f/4") < page.index("1/4 s f/4") and page.count("<figure") == 3
    assert queries_of("/photos") == few
    assert [one["exposure"] for one in client.get("/api/v1/photos").json] == ["1/2 s f/4 ISO 400"] + [
        "1/4 s f/4 ISO 400"
    ] * 2


@pytest.mark.parametrize("name", ["..%2Fseason.db", "0" * 24 + ".svg", "0" * 24 + ".jpg", "x"])
def test_other_names_give_nothing(client, rated, name):
    """Nothing but pictures, and only those that are there."""
    assert client.get(f"/photos/{name}").status_code == 404


def test_what_is_no_picture_is_refused(client, rated):
    """A drawing, a spoiled picture and no exposure: refused in words, nothing kept."""
    for content, exposure in ((b"<svg/>", "1/4 s"), (picture()[:40], "1/4 s"), (picture(), " ")):
        answer = send(client, 1, content, exposure)
        assert answer.status_code == 422
    assert client.get("/api/v1/photos").json == []


def test_a_program_sends_one_in_base64(client, rated):
    """The same by program; what is no base64 is refused."""
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/jobs/1/lit-check").text)[1]
    said = {"exposure": "1/4 s", "content": b64encode(picture()).decode()}
    head = {"X-CSRFToken": token}
    assert client.post("/api/v1/ratings/1/photo", json=said, headers=head).status_code == 200
    assert (
        client.post("/api/v1/ratings/1/photo", json={**said, "content": "*"}, headers=head).status_code == 422
    )
    assert len(client.get("/api/v1/photos").json) == 1
