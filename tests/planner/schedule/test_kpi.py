"""Are the key figures those of the standard, and do the hours add up?"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.schedule import kpi
from planner.schedule.kpi import Tally

# A shift of 480 min less 60 min of breaks, 47 min of stops, 1.0 s planned a piece, 19271 made, 423 rejected:
# a worked example on pranavwrite.medium.com, where OEE is 18848 s / 25200 s.
WORKED = Tally(
    planned_busy_min=420, production_min=373, planned_run_min=19271 / 60, made=19271, good=18848, scrapped=423
)
FIGURES = [
    "availability", "effectiveness", "quality ratio", "OEE index", "utilisation efficiency", "set-up ratio",
    "throughput rate", "scrap ratio", "first pass yield", "MTBF", "MTTR",
]  # fmt: skip


def test_worked_example():
    """The published parts and their product."""
    assert kpi.availability(WORKED) == pytest.approx(0.8880952, abs=1e-7)
    assert kpi.effectiveness(WORKED) == pytest.approx(0.8610813, abs=1e-7)
    assert kpi.quality_ratio(WORKED) == pytest.approx(0.9780499, abs=1e-7)
    assert kpi.oee_index(WORKED) == pytest.approx(0.7479365, abs=1e-7)


def test_second_worked_example():
    """420 of 480 min, 1 min a piece, 400 made, 380 good: .875 x .952381 x .95 = .791667."""
    found = kpi.oee_index(
        Tally(planned_busy_min=480, production_min=420, planned_run_min=400, made=400, good=380)
    )
    assert found == pytest.approx(0.791667, abs=1e-6)


@given(st.floats(1, 1e4), st.floats(1, 1e4), st.integers(1, 500), st.integers(0, 500), st.floats(0.1, 100))
def test_stops_fall_out_of_the_index(busy_min, production_min, made, good, planned_min):
    """OEE = PRI GQ / PBT whatever the stops: APT and PQ fall out of the product."""
    good = min(good, made)
    tally = Tally(
        planned_busy_min=busy_min, production_min=production_min, planned_run_min=planned_min * made,
        made=made, good=good,
    )  # fmt: skip
    assert kpi.oee_index(tally) == pytest.approx(planned_min * good / busy_min, rel=1e-12)


def test_nothing_is_not_perfect():
    """Where nothing was planned, made or looked at, every figure says so."""
    assert [f.name for f in kpi.figures(Tally())] == FIGURES
    assert [f.value for f in kpi.figures(Tally())] == [None] * len(FIGURES)


def test_small_figures_by_hand():
    """Two shifts' worth by the formulas: ISO 22400-2 as quoted beside each figure."""
    tally = Tally(
        planned_busy_min=600, production_min=240, set_up_min=60, delay_min=100, down_min=90,
        planned_run_min=200, made=10, good=8, scrapped=1, inspected=9, good_at_first=6, failures=2,
    )  # fmt: skip
    found = {f.name: f.value for f in kpi.figures(tally)}
    assert found["utilisation efficiency"] == pytest.approx(240 / 400)
    assert found["set-up ratio"] == pytest.approx(60 / 300)
    assert found["throughput rate"] == pytest.approx(10 / (400 / 60))
    assert found["scrap ratio"] == pytest.approx(0.1)
    assert found["first pass yield"] == pytest.approx(6 / 9)
    assert found["MTBF"] == pytest.approx(510 / 3)
    assert found["MTTR"] == pytest.approx(30)


def test_tallies_add_up():
    """Two halves are a whole."""
    assert Tally(made=2, delay_min=1.5) + Tally(made=3, good=1) == Tally(made=5, good=1, delay_min=1.5)


spans = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 60)).map(lambda s: (min(s), max(s))), max_size=6
)


@given(spans, spans, spans)
def test_hours_add_up_minute_by_minute(shifts, down, cutting):
    """Against a count of single minutes: the parts are right and add up to the shifts exactly."""
    found = kpi.hours_went(shifts, {"down": down, "cutting": cutting}, "waiting")
    expected = {"down": 0, "cutting": 0, "waiting": 0}
    for minute in range(60):
        if any(start <= minute < end for start, end in shifts):
            where = ["down" for s, e in down if s <= minute < e] + [
                "cutting" for s, e in cutting if s <= minute < e
            ]
            expected[where[0] if where else "waiting"] += 1
    assert found == expected
    assert sum(found.values()) == kpi.length(kpi.merged(shifts))
