"""Does each bar stand where its time is?"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from planner.database.lines import ChartRow, Lane, SeasonChart, Span
from web.chart import NAME, WIDTH, days_of, short_label

LONDON = ZoneInfo("Europe/London")
SIX = datetime(2026, 10, 21, 5, 0, tzinfo=UTC)  # 06:00 local


def a_row(start_at, minutes, label="Lime Walk 7"):
    ends = start_at + timedelta(minutes=minutes)
    due = datetime(2026, 10, 24, 15, 40, tzinfo=UTC)
    return ChartRow(
        1, 0, label, date(2026, 10, 24), "Fox", "0101", "prepared", 1, "", start_at, ends, due, ()
    )


def a_chart(rows, shifts=(), breakdowns=(), dusks=()):
    lane = Lane(1, "Heron", True, tuple(shifts), tuple(breakdowns), tuple(rows))
    return SeasonChart(
        1, "S", "Europe/London", 1, "published", 1, SIX, "Ines", SIX, {}, (), (lane,), tuple(dusks)
    )


def test_a_bar_stands_by_linear_time():
    """A shift of 12 hours fills the strip: one hour is a twelfth of it."""
    shift = Span(SIX, SIX + timedelta(hours=12))
    (day,) = days_of(a_chart([a_row(SIX + timedelta(hours=3), 60)], [shift]), LONDON, SIX, None)
    hour = (WIDTH - NAME) / 12
    (bar,) = day.lanes[0].bars
    assert bar.x == pytest.approx(NAME + 3 * hour)
    assert bar.width == pytest.approx(hour, abs=2)
    assert [line.words for line in day.hours][:2] == ["06", "07"]
    assert len(day.hours) == 12


def test_a_day_with_25_hours_keeps_its_scale():
    """On 25 October 2026 London has hour 01 twice."""
    midnight = datetime(2026, 10, 24, 23, 0, tzinfo=UTC)
    night = Span(midnight, midnight + timedelta(hours=25))
    (day,) = days_of(a_chart([a_row(midnight + timedelta(hours=1), 50)], [night]), LONDON, SIX, None)
    assert [line.words for line in day.hours][:4] == ["00", "01", "01", "02"]
    assert len(day.hours) == 25


def test_a_job_over_midnight_is_on_both_days():
    """Neither day loses its part of the bar."""
    late = datetime(2026, 10, 21, 22, 45, tzinfo=UTC)  # 23:45 local
    days = days_of(a_chart([a_row(late, 40)]), LONDON, SIX, None)
    assert [day.day.day for day in days] == [21, 22]
    assert all(len(day.lanes[0].bars) == 1 for day in days)


def test_a_breakdown_without_end_lasts_to_the_end_of_the_strip():
    """Until further notice means all that is shown."""
    down = Span(SIX + timedelta(hours=1), None, "belt")
    (day,) = days_of(
        a_chart([a_row(SIX, 30)], [Span(SIX, SIX + timedelta(hours=4))], [down]), LONDON, SIX, None
    )
    (stretch,) = day.lanes[0].breakdowns
    assert stretch.x + stretch.width == pytest.approx(WIDTH)


def test_frozen_part_and_lines():
    """The frozen part runs from the plan's start; dusk and now are lines on their day only."""
    dusk = datetime(2026, 10, 21, 16, 25, tzinfo=UTC)
    chart = a_chart([a_row(SIX, 30)], [Span(SIX, SIX + timedelta(hours=11))], dusks=[dusk])
    now = SIX + timedelta(hours=2)
    (day,) = days_of(chart, LONDON, now, SIX + timedelta(hours=1))
    assert day.today
    assert day.frozen is not None
    assert day.frozen.x == pytest.approx(NAME)
    assert day.frozen.width == pytest.approx((WIDTH - NAME) / 12)  # 06 to 18: dusk at 17:25 is shown
    assert [line.words for line in day.lines] == ["dusk 17:25", "now 08:00"]


def test_a_plan_without_rows_has_no_days():
    """Nothing to draw is nothing drawn."""
    assert days_of(a_chart([]), LONDON, SIX, None) == ()


@pytest.mark.parametrize(
    ("label", "short"), [("Lime Walk 7", "LW7"), ("Gate 10", "G10"), ("Spare 3", "S3"), ("Pond", "P")]
)
def test_short_labels(label, short):
    """Initials and the number: enough to find the station."""
    assert short_label(label) == short
