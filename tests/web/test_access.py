"""Does everybody get what their role allows, and nothing more? Every route is tried with every role."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

import web
from planner.database.session import session_factory, unit_of_work
from planner.database.states import Role
from planner.services import people
from web.access import MACHINE, OPEN, least_role, local_path

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
PASSWORD = "apple ladder seven rain"
RANKS = ["nobody", *Role]


@pytest.fixture
def guarded(settings):
    """The pages as a venue runs them: nobody is signed in by itself."""
    made = web.create_app(settings, clock=lambda: NOW)
    made.config["WTF_CSRF_ENABLED"] = False
    yield made
    made.extensions["venue"].factory.kw["bind"].dispose()


@pytest.fixture
def as_role(guarded, settings):
    """Give a browser that is signed in with a role."""
    factory = session_factory(settings.database_url)

    def browser(role):
        client = guarded.test_client()
        if role != "nobody":
            with unit_of_work(factory) as db:
                token = people.invite(db, role, by="test", at=NOW)
            answer = client.post(f"/welcome/{token}", data={"name": f"A {role}", "password": PASSWORD})
            assert answer.status_code == 302
        return client

    yield browser
    factory.kw["bind"].dispose()


def _address(rule):
    """Return an address of a route, with 1 for each number and a word for each text."""
    return re.sub(r"<(int:)?[a-z_]+>", lambda m: "1" if m[1] else "word", re.sub("<path:", "<", str(rule)))


def test_every_route_says_who_may(guarded):
    """No route is left without a least role."""
    unsaid = [
        rule.endpoint
        for rule in guarded.url_map.iter_rules()
        if rule.endpoint != "static" and least_role(guarded, rule.endpoint) is None
    ]
    assert unsaid == []


def test_no_change_for_viewers(guarded):
    """What changes something asks for a hand at least, or is about signing in, or is the machines' way."""
    open_ones = {"people.take_sign_in", "people.sign_out", "people.accept"}
    open_ones |= {"people.take_password", "api.own_password"}  # one's own
    for rule in guarded.url_map.iter_rules():
        if {"POST", "PUT", "PATCH", "DELETE"} & (rule.methods or set()):
            needed = least_role(guarded, rule.endpoint)
            assert needed in (Role.HAND, Role.LEAD, Role.KEEPER, MACHINE) or rule.endpoint in open_ones


@pytest.mark.parametrize("role", RANKS)
def test_every_route_with_every_role(guarded, as_role, fill, role):
    """Below the least role it is 401, 403 or the way to the sign-in; from it on never one of these."""
    fill(3)
    client = as_role(role)
    for rule in guarded.url_map.iter_rules():
        needed = least_role(guarded, rule.endpoint)
        if rule.endpoint == "static" or needed in (OPEN, MACHINE):
            continue
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"}):
            answer = client.open(_address(rule), method=method)
            sent_away = answer.status_code in (401, 403) or "/sign-in" in answer.headers.get("Location", "")
            answer.close()
            allowed = RANKS.index(role) >= RANKS.index(needed)
            assert sent_away != allowed, (rule.endpoint, method, answer.status_code)


def test_a_sheet_says_who_enters_it(as_role):
    """A hand enters lots and no machine, by the page and by the API; the page says who does."""
    client = as_role("hand")
    assert "A lead enters machines" in client.get("/enter/machines").text
    refused = client.post("/enter/machines", data={"largest_mm": "300"})
    assert refused.status_code == 403 and "A lead may enter machines" in refused.text
    assert client.post("/api/v1/sheets/machines", json={"rows": [{}]}).status_code == 403
    lot = {"name": "A-1", "variety": "Amber", "kind": "squash", "pieces": "3", "received_on": "2026-10-01"}
    assert client.post("/enter/lots", data=lot).status_code == 302


def test_signing_in_with_the_right_and_a_wrong_password(guarded, as_role, settings):
    """A wrong one says so and keeps nothing; the right one leads to where one wanted to go."""
    as_role("lead").post("/sign-out")
    client = guarded.test_client()
    there = client.get("/jobs?q=fox")
    assert there.headers["Location"] == "/sign-in?next=/jobs?q%3Dfox"
    wrong = client.post("/sign-in", data={"name": "A lead", "password": "not this one at all"})
    assert wrong.status_code == 422
    assert "do not belong together" in wrong.text
    right = client.post("/sign-in", data={"name": "A lead", "password": PASSWORD, "next": "/jobs?q=fox"})
    assert right.headers["Location"] == "/jobs?q=fox"
    assert client.get("/jobs").status_code == 200
    client.post("/sign-out")
    assert client.get("/jobs").status_code == 302


def test_too_many_wrong_passwords_close_the_door(guarded, as_role):
    """After five wrong ones even the right one is refused, until 15 minutes are over."""
    as_role("lead")
    client = guarded.test_client()
    for _ in range(5):
        assert client.post("/sign-in", data={"name": "A lead", "password": "x"}).status_code == 422
    said = {"name": "A lead", "password": PASSWORD}
    assert client.post("/sign-in", data=said).status_code == 429
    guarded.extensions["venue"] = type(guarded.extensions["venue"])(
        guarded.extensions["venue"].settings,
        guarded.extensions["venue"].factory,
        lambda: NOW + timedelta(minutes=16),
    )
    assert client.post("/sign-in", data=said).status_code == 302


def test_a_sign_in_gets_a_fresh_token(guarded, as_role):
    """What a browser held before signing in stands for nobody afterwards (session fixation)."""
    as_role("lead")
    client = guarded.test_client()
    with client.session_transaction() as held:
        held["token"] = "planted"
    client.post("/sign-in", data={"name": "A lead", "password": PASSWORD})
    with client.session_transaction() as held:
        assert held["token"] != "planted"
        assert len(held["token"]) >= 40


def test_an_invitation_works_once(guarded, settings):
    """The second use, an unknown one, and one older than two days are not there."""
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        token = people.first_invitation(db, at=NOW)
        old = people.invite(db, Role.HAND, by="test", at=NOW - timedelta(hours=49))
    factory.kw["bind"].dispose()
    said = {"name": "Ines", "password": PASSWORD}
    assert guarded.test_client().get(f"/welcome/{token}").status_code == 200
    assert guarded.test_client().post(f"/welcome/{token}", data=said).status_code == 302
    for late in (token, old, "unknown"):
        assert guarded.test_client().post(f"/welcome/{late}", data=said | {"name": "Tom"}).status_code == 404


def test_forms_need_their_token(settings):
    """A form sent from elsewhere has no token of ours and changes nothing."""
    made = web.create_app(settings, clock=lambda: NOW, demo=True)
    for rule in made.url_map.iter_rules():
        if "POST" in (rule.methods or set()) and least_role(made, rule.endpoint) != MACHINE:
            answer = made.test_client().post(_address(rule))
            assert answer.status_code == 400, rule.endpoint
    made.extensions["venue"].factory.kw["bind"].dispose()


def test_the_demo_lead_is_of_this_computer_alone(app):
    """Neither another computer nor a page that points its own name here is signed in by itself."""
    client = app.test_client()
    assert client.get("/jobs").status_code == 200
    assert client.get("/jobs", environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code == 302
    assert client.get("/jobs", headers={"Host": "evil.example"}).status_code == 302


@pytest.mark.parametrize(
    "elsewhere", ["//evil.example", "https://evil.example/", "/\\evil.example", "jobs", "", None, "/a\nb"]
)
def test_no_way_to_elsewhere_after_signing_in(elsewhere):
    """Only a path of these pages is followed."""
    assert local_path(elsewhere) == "/"
    assert local_path("/jobs?page=2") == "/jobs?page=2"


def test_the_secret_is_for_its_owner_alone(app, settings):
    """The key that signs cookies can be read by nobody else, and is another one in each folder."""
    kept = settings.folder / "secret"
    assert kept.stat().st_mode & 0o077 == 0
    assert len(kept.read_bytes()) == 32
