"""Is the life of the walks shown before and after, and taken over by a lead's button?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.services import quality

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def walked(fill, settings):
    """Six lanterns that were cut four days ago, sound after two of them and done after three."""
    fill(6)
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Tom"}
    with unit_of_work(factory) as db:
        for number in range(1, 7):
            cut = NOW - timedelta(days=4)
            db.get(tables.Job, number).state = "placed"
            db.add(tables.Run(job_id=number, machine_id=2, workpiece_id=number, outcome="finished",
                              started_at=cut - timedelta(hours=1), ended_at=cut, **said))  # fmt: skip
            db.flush()
            for days, verdict in ((2, "ok"), (3, "tonight")):
                at = cut + timedelta(days=days)
                quality.walk(db, number, at.date(), verdict, by="Bea", at=at)
    factory.kw["bind"].dispose()


def send(client, address):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/lasting").text)[1]
    return client.post(address, data={"csrf_token": token}, follow_redirects=True)


def test_before_and_after_and_back(client, walked):
    """The first heading tells both; taken over, they are the same; taken back, six days are in force."""
    page = client.get("/lasting").text
    days = re.search(r"lasts ([0-9.]+) days at 15 °C; forecasts reckon with 6.0", page)[1]
    assert float(days) < 6
    page = send(client, "/lasting").text
    assert f"lasts {days} days at 15 °C; forecasts reckon with {days}" in page
    assert "Taken over from the walks of 6 lanterns" in page
    assert client.get("/api/v1/lasting").json["in_force"]["days_at_reference"] < 6
    page = send(client, "/lasting/1/back").text
    assert "forecasts reckon with 6.0" in page and "Nothing was taken over yet" in page


def test_too_few(client, fill):
    """Without walks nothing is offered, and the page says what is reckoned with."""
    fill(6)
    page = client.get("/lasting").text
    assert "Forecasts reckon with 6.0 days at 15 °C; too few" in page
    assert client.get("/api/v1/lasting").json["offered"] is None
