"""Is a page given again only while nothing was written, and does each browser get its own token?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

import web
from planner.database import tables
from planner.database.session import session_factory, unit_of_work


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
