"""Does each page tell who changed what about the thing it shows, and can it be taken back there?"""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.services.changes import note

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def season(fill, settings: Settings) -> None:
    """Six jobs; a note about each of job, piece, cutter and machine."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for about in ("job 4", "piece 0104", "cutter 6F-01", "machine Heron"):
            note(db, "told", f"something about {about}", by="Ines", at=NOW, about=about)
    factory.kw["bind"].dispose()


def post(client, address, page="/tonight", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def lately(client, address):
    """Return what the page says under Changed lately."""
    text = " ".join(client.get(address).text.split())
    return text.split("Changed lately</h2>")[1].split("</section>")[0]


@pytest.mark.parametrize(
    ("address", "about"),
    [
        ("/jobs/4", "job 4"),
        ("/workpieces/4", "piece 0104"),
        ("/cutters", "cutter 6F-01"),
        ("/machines", "machine Heron"),
        ("/floor/2", "machine Heron"),
    ],
)
def test_each_page_tells_what_was_changed_about_its_own(client, season, address, about):
    """What, who and when stand there, and nothing about anything else."""
    told = lately(client, address)
    assert f"Ines: something about {about}" in told
    assert told.count("something about") == 1
    assert "08:15" in told  # 07:15 UTC in London's summer


def test_a_page_without_changes_says_so(client, season):
    """Nothing is left to guess."""
    assert "Nobody has changed anything about job 5 yet" in lately(client, "/jobs/5")


def test_what_can_be_taken_back_is_taken_back_on_the_page(client, season):
    """Heron is reported down and a cutter dull: each is undone where it stands, and one comes back there."""
    post(client, "/trouble/machine", machine=2, hours=4, reason="belt")
    post(client, "/trouble/cutter", cutter=1, state="dull")
    told = lately(client, "/floor/2")
    assert "Heron is reported down for 4 h: belt" in told
    assert "dull" not in told
    assert "cutter 6F-01 is dull" in lately(client, "/cutters")
    number = re.search(r"/changes/(\d+)/undo", told)[1]
    after = post(client, f"/changes/{number}/undo", "/floor/2", back="/floor/2")
    assert after.request.path == "/floor/2"
    assert "taken back</span> by Demo lead" in lately(client, "/floor/2")
    elsewhere = post(client, f"/changes/{number}/undo", "/tonight", back="//elsewhere.example")
    assert elsewhere.status_code == 409  # taken back already


def test_the_way_back_never_leads_elsewhere(client, season):
    """A forged way back ends on a page of ours."""
    post(client, "/trouble/machine", machine=2, hours=4, reason="belt")
    number = re.search(r"/changes/(\d+)/undo", lately(client, "/machines"))[1]
    assert post(client, f"/changes/{number}/undo", back="//elsewhere.example").request.path == "/"


def test_pins_and_plans_are_told_by_what_takes_them_back(client, season, settings):
    """A pin holds its job's number, a plan its own: old entries without a word of their own are found too."""
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        note(db, "pin", "Gate 3 pinned", by="Ines", at=NOW, undo={"job": 3, "step": 0})
        note(db, "plan", "plan 7 is in force", by="Ines", at=NOW, undo={"plan": 7, "before": 1})
    factory.kw["bind"].dispose()
    assert "Gate 3 pinned" in lately(client, "/jobs/3")
    assert "Gate 3 pinned" not in lately(client, "/jobs/4")
    assert "plan 7 is in force" in lately(client, "/plan")
    assert "plan 7 is in force" in client.get("/changes?about=plan+7").text
    assert "plan 7 is in force" not in client.get("/changes?about=plan+1").text


def test_changes_about_one_thing(client, season):
    """The list, its heading and the interface give those alone; an unknown thing is told as empty."""
    text = " ".join(client.get("/changes?about=piece+0104").text.split())
    assert "1 change about piece 0104" in text
    assert "job 4" not in text
    assert "Nothing was changed about piece 9999 yet" in client.get("/changes?about=piece+9999").text
    given = client.get("/api/v1/changes?about=cutter+6F-01").json
    assert [one["words"] for one in given] == ["something about cutter 6F-01"]


@pytest.mark.parametrize("address", ["/jobs/4", "/changes?about=job+4", "/machines"])
def test_the_number_of_questions_does_not_grow(client, season, queries_of, settings, address):
    """With 1 or 101 changes about a thing a page asks the same number of times."""
    few = queries_of(address)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.add_all(
            tables.Change(kind="told", words=f"{n}", about=a, recorded_by="Ines", recorded_at=NOW)
            for n in range(100)
            for a in ("job 4", "machine Heron")
        )
    factory.kw["bind"].dispose()
    assert queries_of(address) == few
