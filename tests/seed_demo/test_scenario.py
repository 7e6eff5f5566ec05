"""The season's calendar: 120 stations, ten nights, and minutes that stay right when the clocks go back."""

from collections import Counter
from datetime import date, time

from seed_demo import scenario
from seed_demo.drawings import designs
from seed_demo.produce import lot


def test_stations_by_area():
    """44, 16, 36, 14 and 10 stations, 120 in all, every name once."""
    stations = scenario.stations()
    assert len({s.name for s in stations}) == 120
    assert Counter(s.area for s in stations) == {
        "Lime Walk": 44, "Orangery": 16, "Root Row": 36, "Pergola": 14, "Gate": 10
    }  # fmt: skip


def test_stations_show_designs_meant_for_their_area():
    """A station's design is one that may stand there, of the area's kind of produce."""
    known = {d.name: d for d in designs()}
    kinds = {a.name: a.kind for a in scenario.AREAS}
    for station in scenario.stations():
        assert station.area in known[station.design].areas
        assert known[station.design].kind == kinds[station.area]
    assert {s.design for s in scenario.stations()} == set(known) - {"Bad Badge"}


def test_areas_draw_on_lots_of_their_kind():
    """Every lot an area uses exists, is not refused and grew the right produce."""
    for area in scenario.AREAS:
        for name in area.lots:
            assert lot(name).kind == area.kind and not lot(name).rejected


def test_nights():
    """Ten nights from opening to the last, with the trade's temperatures; the sixth is the warm one."""
    nights = scenario.nights()
    assert (nights[0][0], nights[-1][0]) == (date(2026, 10, 24), date(2026, 11, 2))
    assert max(nights, key=lambda night: night[1]) == (date(2026, 10, 29), 17.0)


def test_carve_window():
    """Three days of eleven hours and a morning of six, counted from 06:00 on 21 October."""
    assert scenario.carve_window() == [(0, 660), (1440, 2100), (2880, 3540), (4320, 4680)]


def test_the_clocks_go_back():
    """From 06:00 on the 24th to 06:00 on the 25th there are 25 hours (BST ends 25 October 2026, 02:00)."""
    before = scenario.minutes_from_start(date(2026, 10, 24), time(6))
    after = scenario.minutes_from_start(date(2026, 10, 25), time(6))
    assert after - before == 25 * 60


def test_people():
    """Six people from 06:00 to 17:00 and two walkers."""
    day = [p for p in scenario.PEOPLE if (p.from_time, p.to_time) == (time(6), time(17))]
    assert len(day) == 6
    assert sum(p.role == "walker" for p in scenario.PEOPLE) == 2
