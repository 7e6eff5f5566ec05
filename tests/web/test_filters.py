"""Are times, lengths and angles told as people say them?"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from flask import g, session

from web import filters

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture(autouse=True)
def page(app):
    with app.test_request_context("/"):
        g.now = NOW
        yield


@pytest.mark.parametrize(
    ("minutes", "told"),
    [
        (0, "0 min"),
        (59.4, "59 min"),
        (59.6, "1 h 00"),
        (125, "2 h 05"),
        (2879, "47 h 59"),
        (4560, "3 days 4 h"),
        (2880, "2 days"),
    ],
)
def test_lengths_of_time(minutes, told):
    """Minutes below an hour, hours below two days, then days."""
    assert filters.span(minutes) == told
    assert filters.span(timedelta(minutes=minutes)) == told


def test_how_far_away():
    """Ahead, behind, and now."""
    assert filters.away(NOW + timedelta(minutes=125)) == "in 2 h 05"
    assert filters.away(NOW - timedelta(minutes=4)) == "4 min ago"
    assert filters.away(NOW + timedelta(seconds=20)) == "now"
    assert filters.away(None) == ""


def test_times_are_local_across_the_change_of_clocks():
    """16:40 UTC is 17:40 in London on 24 October 2026, 16:40 the day after: summer time ends then."""
    assert filters.clock(datetime(2026, 10, 24, 16, 40, tzinfo=UTC)) == "17:40"
    assert filters.clock(datetime(2026, 10, 25, 16, 40, tzinfo=UTC)) == "16:40"
    assert filters.when(datetime(2026, 10, 24, 23, 30, tzinfo=UTC)) == "00:30 on Sun 25 Oct"
    assert filters.when(NOW) == "08:15 today"


def test_days_of_another_year_say_so():
    """Nobody takes last year's night for this year's."""
    assert filters.day(date(2026, 10, 24)) == "Sat 24 Oct"
    assert filters.day(date(2025, 10, 24)) == "Fri 24 Oct 2025"


def test_units_and_sides():
    """Every number has its unit; an angle has its side."""
    assert filters.mm(17.24, 1) == "17.2 mm"
    assert filters.mm(None) == "not known"
    assert filters.percent(0.0097, 1) == "1.0 %"
    assert filters.turn(-12.0, "right", "left") == "12° left"
    assert filters.turn(0.0, "right", "left") == "0°"
    assert filters.listed(["Wren", "Heron", "Otter"]) == "Wren, Heron and Otter"
    assert filters.listed([1, 2, 3, 4], 2) == "1, 2 and 2 more"
    assert filters.amount(0, "job") == "no jobs"


def test_findings_are_told_in_inches_to_who_reads_inches(app):
    """25.4 mm are an inch: sentences and figures alike; what is no length stays."""
    told = "the bridge is 1.2 mm wide, expected 6 mm on 40 mm2 at 1400 mm/min; cutter 6F"
    with app.test_request_context():
        assert filters.lengths(told) == told
        assert filters.measure(1.25, "mm") == "1.25 mm"
        session["units"] = "inch"
        assert filters.lengths(told) == (
            "the bridge is 0.047 in wide, expected 0.24 in on 40 mm2 at 55.12 in/min; cutter 6F"
        )
        assert filters.measure(1.25, "mm") == "0.0492 in"
        assert filters.measure(3.5, "deg") == "3.5 deg"


def test_a_jobs_findings_follow_the_units_of_the_reader(client, fill):
    """On the page of a job: 17.2 mm thin, 0.677 in for who asked for inches."""
    fill(6, packages=True)
    assert "thinnest 17.2 mm" in client.get("/jobs/4").text
    client.get("/units/inch")
    assert "thinnest 0.677 in" in client.get("/jobs/4").text
    assert "thinnest 0.677 in" in client.get("/jobs/4/sheet").text
