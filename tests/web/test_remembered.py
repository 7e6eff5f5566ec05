"""Is a page given again only while nothing was written, and does each browser get its own token?"""

from __future__ import annotations

import re
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import event

import web
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.database.states import Role
from planner.services import people
from web import season


@pytest.fixture
def people_in(app, settings):
    """Give a browser each to hands of these names, signed in."""

    def browsers(*names):
        factory = session_factory(settings.database_url)
        out = []
        for name in names:
            client = app.test_client()
            at = app.extensions["venue"].clock()
            with unit_of_work(factory) as db:
                link = people.invite(db, Role.HAND, by="test", at=at)
                person = people.accept_invitation(db, link, name, "apple ladder seven rain", at=at)
                token = people.open_sign_in(db, person.id, at=at)
            with client.session_transaction() as held:
                held["token"] = token
            out.append(client)
        factory.kw["bind"].dispose()
        return out

    return browsers


def _written(settings, words):
    """Write as the worker does: from a connection of its own."""
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.get(tables.Season, 1).name = words
    factory.kw["bind"].dispose()


@pytest.mark.parametrize("address", ("/", "/tonight", "/jobs", "/jobs/1", "/workpieces", "/venue"))
def test_a_page_is_read_once_while_nothing_is_written(fill, queries_of, address):
    """The second look within seconds asks the database nothing but whether anything was written."""
    fill(6)
    assert queries_of(address) > 0
    assert queries_of(address) == 0


def test_what_somebody_writes_is_on_the_next_page(client, fill, settings):
    """Whoever wrote, from whatever process: the page is made anew."""
    fill(6)
    assert "The Long Dusk" in client.get("/").get_data(as_text=True)
    _written(settings, "The Short Dusk")
    assert "The Short Dusk" in client.get("/").get_data(as_text=True)


def test_a_page_is_not_given_again_for_long(settings, fill):
    """Times are told by the minute; what is ten seconds old is made anew, with the new minute."""
    fill(6)
    at = [datetime(2026, 10, 21, 7, 14, 55, tzinfo=UTC)]
    app = web.create_app(settings, clock=lambda: at[0], demo=True)
    client = app.test_client()
    seen = []
    for later_s in (0.0, 9.9, 0.2):
        at[0] += timedelta(seconds=later_s)
        seen.append(re.search(r"Seen at (\d\d:\d\d)", client.get("/").get_data(as_text=True)).group(1))
    app.extensions["venue"].factory.kw["bind"].dispose()
    assert seen == ["08:14", "08:14", "08:15"]  # British summer time


def test_each_browser_has_its_own_token(app, fill):
    """A page that is given again holds the token of the one who asks, and it is taken."""
    fill(6)
    app.config["WTF_CSRF_ENABLED"] = True
    tokens = []
    for _ in range(2):
        client = app.test_client()
        text = client.get("/tonight").get_data(as_text=True)
        token = re.search(r'name="csrf_token" value="([^"]+)"', text).group(1)
        tokens.append(token)
        answer = client.post("/drafts", data={"csrf_token": token})
        assert answer.status_code == 302
    assert tokens[0] != tokens[1]


def test_what_one_is_told_is_told_to_nobody_else(app, fill):
    """A kept report is confirmed to the one who reported, once."""
    fill(6)
    one, other = app.test_client(), app.test_client()
    app.config["WTF_CSRF_ENABLED"] = False
    one.post("/trouble/machine", data={"machine": 2, "hours": 4, "reason": "belt"})
    assert "Kept</span>" in one.get("/tonight").get_data(as_text=True)
    assert "Kept</span>" not in other.get("/tonight").get_data(as_text=True)
    assert "Kept</span>" not in one.get("/tonight").get_data(as_text=True)


def test_one_page_serves_all_of_a_role(app, settings, fill, people_in):
    """The second of two hands asks the database for nothing of the page, and reads their own name."""
    fill(6)
    tom, ada = people_in("Tom", "Ada <b>")
    assert "Sign out Tom (hand)" in tom.get("/tonight").get_data(as_text=True)
    before = _asked(app, lambda: ada.get("/tonight"))
    assert [one for one in before if "FROM seasons" in one] == []
    text = ada.get("/tonight").get_data(as_text=True)
    assert "Sign out Ada &lt;b&gt; (hand)" in text and "Sign out Tom" not in text


def test_what_pages_tell_alike_is_asked_once(app, fill, client, settings):
    """The venue's page takes the answer of the season's page, until somebody writes."""
    fill(6)
    whole = len(_asked(app, lambda: client.get("/venue?alone")))
    client.get("/?first")
    _written(settings, "The Short Dusk")
    client.get("/")
    assert len(_asked(app, lambda: client.get("/venue"))) < whole - 10
    _written(settings, "The Shorter Dusk")
    assert len(_asked(app, lambda: client.get("/venue"))) == whole


def test_who_gave_a_note_is_not_asked_to_take_it(app, fill, people_in):
    """The note for the next shift differs by person, so it is made for each."""
    fill(6)
    app.config["WTF_CSRF_ENABLED"] = False
    tom, ada = people_in("Tom", "Ada")
    tom.post("/paper/handover", data={"words": "Wren squeals"})
    assert "take over, Tom" not in tom.get("/paper/handover").get_data(as_text=True)
    assert "take over, Ada" in ada.get("/paper/handover").get_data(as_text=True)
    assert "take over" not in tom.get("/paper/handover").get_data(as_text=True)


def test_many_who_ask_at_once_let_one_make_the_page(app, fill, monkeypatch):
    """Six browsers ask in the same moment: the season is read once."""
    fill(6)
    made = []
    real = season.queries.season_overview

    def slowly(*args, **values):
        made.append(threading.get_ident())
        time.sleep(0.2)
        return real(*args, **values)

    monkeypatch.setattr(season.queries, "season_overview", slowly)
    ready = threading.Barrier(6)
    told = []

    def look():
        ready.wait()
        told.append(app.test_client().get("/").status_code)

    browsers = [threading.Thread(target=look) for _ in range(6)]
    for browser in browsers:
        browser.start()
    for browser in browsers:
        browser.join()
    assert told == [200] * 6
    assert len(made) == 1


def _asked(app, look):
    """Return the statements of one look."""
    seen = []
    engine = app.extensions["venue"].factory.kw["bind"]

    def note(_connection, _cursor, statement, *_rest):
        seen.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    assert look().status_code == 200
    event.remove(engine, "before_cursor_execute", note)
    return seen
