"""Can a hand report a job from its tag to its place, and does every list go on paper?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.services.floor import CHECKS
from planner.services.preparing import inputs_of
from web.paper import KINDS, code_of

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def ready(fill, settings: Settings) -> int:
    """A season whose job 4 nothing stops on Heron: scanned an hour ago, marked, with a fitted cutter."""
    fill(6, packages=True)
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    with unit_of_work(factory) as db:
        db.add(
            tables.Scan(
                workpiece_id=4, taken_at=NOW - timedelta(hours=1), state="hollow", clamp_number=0,
                tip_radius_mm=1, points=[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]], touches=3, digest="0",
                original="x", **said,
            )
        )  # fmt: skip
        db.flush()
        preparation = db.get(tables.Preparation, 4)
        preparation.inputs_digest = inputs_of(db, 4).digest("Heron")
    factory.kw["bind"].dispose()
    return 4


def token_in(text: str) -> str:
    return re.search(r'name="csrf_token" value="([^"]+)"', text)[1]


def post(client, address, page, **fields):
    """Send a form as a browser does, with the token of the page it stands on."""
    token = token_in(client.get(page).text)
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def test_the_floor_page_shows_the_next_job_of_its_machine(client, ready):
    """Picture, piece, where it lies, cutters, first move, and what comes after the tag."""
    text = client.get("/floor/2").text
    assert "0104" in text  # job 4 is the next of Heron that is not cut
    assert "rack 3" in text
    assert "opening 1 outline" in text
    assert "After the tag come the six checks" in text


def test_a_wrong_tag_stops_the_job_in_words(client, ready):
    """The piece in the hand is named, and the one to fetch."""
    text = client.get("/floor/2?tag=0199").text
    assert "Do not start: the tag says 0199, this job is for piece 0104" in text
    assert "fetch 0104 from rack 3" in text
    assert "I start it now" not in text


def test_from_the_tag_to_its_place(client, ready, settings):
    """Six checks, start, pause, on, finished, rated, in place: each in one or two taps."""
    page = "/floor/2?job=4&tag=0104"
    text = client.get(page).text
    assert all(check in text for check in CHECKS)
    revision = re.search(r'name="revision" value="(\d+)"', text)[1]
    said = {"job": 4, "tag": "0104", "check": list(CHECKS), "revision": revision}
    short = post(client, "/floor/2/start", page, **(said | {"check": list(CHECKS)[1:]}))
    assert short.status_code == 422
    assert "not ticked yet: Piece number and carrier" in short.text.replace("Not ticked", "not ticked")
    started = post(client, "/floor/2/start", page, **said)
    assert "is being cut on Heron" in started.text
    paused = post(client, "/floor/runs/1/pause", "/floor/2", reason="slug to push")
    assert "is paused on Heron" in paused.text
    assert "slug to push" in paused.text
    post(client, "/floor/runs/1/resume", "/floor/2")
    finished = post(client, "/floor/runs/1/finish", "/floor/2")
    assert "How does Gate" in finished.text or "How does " in finished.text
    rated = post(client, "/jobs/4/lit-check", "/jobs/4/lit-check", rating=8, fault=["too dim"])
    assert "8 of 10" in rated.text
    placed = post(client, "/jobs/4/place", "/jobs/4/lit-check")
    assert "in place" in placed.text


def test_an_old_page_is_told(client, ready, settings):
    """Somebody changed the job since the page was loaded: 409, in words, and nothing is kept."""
    page = "/floor/2?job=4&tag=0104"
    old = post(client, "/floor/2/start", page, job=4, tag="0104", check=list(CHECKS), revision=0)
    assert old.status_code == 409
    assert "hanged in the meantime" in old.text
    assert "Nothing of yours was kept" in old.text


def test_scrapped_needs_one_tap_and_tells_what_follows(client, ready):
    """The reason is the button."""
    text = client.get("/floor/2?job=4&tag=0104").text
    revision = re.search(r'name="revision" value="(\d+)"', text)[1]
    said = {"job": 4, "tag": "0104", "check": list(CHECKS), "revision": revision}
    post(client, "/floor/2/start", "/floor/2?job=4&tag=0104", **said)
    gone = post(client, "/floor/runs/1/scrap", "/floor/2", reason="broke through")
    assert "another piece is wanted" in gone.text
    assert "broke through" in client.get("/jobs/4").text


def test_the_sheet_has_what_the_machine_needs(client, ready):
    """Piece, clamp number, cutters with stick-out, six checks, cautions, the design's name, and the code."""
    text = client.get("/jobs/4/sheet").text
    for words in ("0104", "Clamp number", "Carrier plate", "Running Fox", "Stick-out", *CHECKS, "solate"):
        assert words in text
    assert "<svg" in text.split('class="code"')[1].split("</div>")[0]
    assert ".svg" not in text.split("<h1>")[1].split("</h1>")[0]


def test_the_code_is_a_drawing_without_style():
    """The strict policy lets no style attribute through."""
    drawn = code_of("http://localhost/tag/0104")
    assert drawn.startswith("<svg")
    assert "style=" not in drawn


@pytest.mark.parametrize("kind", KINDS)
def test_every_list_goes_on_paper(client, ready, kind):
    """Each has its title, the caution, and no word smaller than 12 pt in its style."""
    for size in ("a4", "letter"):
        answer = client.get(f"/paper/{kind}?paper={size}")
        assert answer.status_code == 200
        assert f"<h1>{KINDS[kind][0]}" in answer.text or kind == "season"
        assert "does not guard, stop or supervise a machine" in answer.text
        assert f"{size}.css" in answer.text


def test_paper_is_large_enough():
    """12 pt and more, as a wet sleeve asks for."""
    import web

    style = (__import__("pathlib").Path(web.__file__).parent / "static" / "paper.css").read_text()
    sizes = [float(size) for size in re.findall(r"(?:font|font-size): ?(?:bold )?([\d.]+)pt", style)]
    assert sizes
    assert min(sizes) >= 12


def test_the_hand_over_note_is_signed_by_both(client, ready, app):
    """The one who gives it cannot take it."""
    given = post(client, "/paper/handover", "/paper/handover", words="Wren hums at 9000")
    assert "Wren hums at 9000" in given.text
    assert "Not taken yet" in given.text
    own = post(client, "/paper/handover/1/take", "/paper/handover")
    assert own.status_code == 409


def test_a_tag_leads_to_its_machine(client, ready):
    """What the code on the sheet says opens the job on the machine it is planned on."""
    answer = client.get("/tag/0104")
    assert answer.headers["Location"] == "/floor/2?job=4&tag=0104"
    assert client.get("/tag/9999").status_code == 404
