"""Letters and fine slots against the trade's sizes, just inside and just outside."""

import numpy as np
import pytest
import shapely

from engine.chart import own_mercator
from engine.files import uniform_wall
from engine.records import Layers, Placement, Region, Rules, Severity, Treatment
from engine.regions import judge_regions
from engine.surface import surface_of

BALL = surface_of(lambda d: np.full(d.shape[:-1], 140.0))


def judged(*shapes, treatment=Treatment.OPENING, letters=True, latitude_deg=0.0, **rules):
    regions = tuple(Region(f"{treatment} {n}", treatment, s, letters) for n, s in enumerate(shapes, 1))
    chart = own_mercator(BALL, Placement(0.0, np.radians(latitude_deg)))
    layers = Layers("t", regions, None, 100, 40, "0")
    found = judge_regions(layers, chart, BALL, uniform_wall(20.0), (), Rules(**rules))
    return [f for f in found if f.rule.startswith("letter") or f.rule == "fine slot"]


def bar(height, width=9.0, x=0.0):
    return shapely.box(x - width / 2, -height / 2, x + width / 2, height / 2)


@pytest.mark.parametrize(
    ("treatment", "distance", "needed"),
    [
        (Treatment.OPENING, 3.0, 30.0),
        (Treatment.OPENING, 5.0, 40.0),
        (Treatment.RELIEF, 1.0, 20.0),
        (Treatment.RELIEF, 4.0, 32.0),
    ],
)
def test_capitals_are_high_enough(treatment, distance, needed):
    """8 mm for each metre, at least 30 cut through and 20 as a relief (common practice)."""
    more = {"treatment": treatment, "viewing_m": distance}
    assert judged(bar(needed * 1.01), **more) == []
    (low,) = judged(bar(needed * 0.98), **more)
    assert (low.rule, low.severity, low.allowed) == ("letter height", Severity.WARN, needed)
    assert low.measured == pytest.approx(needed * 0.98, rel=0.01)
    assert low.place and low.fix and low.unit == "mm"


def test_the_highest_letter_of_a_word_counts():
    """Small letters beside a capital are as the writing has it."""
    assert judged(bar(34), bar(20, x=20), bar(20, x=40)) == []


@pytest.mark.parametrize(("stroke", "told"), [(8.1, False), (7.8, True)])
def test_strokes_are_wide_enough(stroke, told):
    """8 mm cut through (common practice); of a relief nothing is asked."""
    found = judged(bar(40, stroke))
    assert [f.rule for f in found] == (["letter stroke"] if told else [])
    if told:
        assert found[0].measured == pytest.approx(stroke, abs=0.1)
    assert judged(bar(40, stroke), treatment=Treatment.RELIEF) == []


@pytest.mark.parametrize(("count", "told"), [(12, False), (13, True)])
def test_no_more_letters_than_are_read(count, told):
    """Twelve go round (common practice)."""
    found = judged(*(bar(40, 9, x=20.0 * k - 130) for k in range(count)))
    assert [f.rule for f in found] == (["letter count"] if told else [])


def test_what_is_no_letter_is_not_judged_as_one():
    """The same shapes without the word in the drawing."""
    assert judged(bar(10, 5), bar(10, 5, x=20), letters=False) == []


@pytest.mark.parametrize(("width", "told"), [(3.1, False), (2.9, True)])
def test_slots_that_are_too_fine_to_be_seen(width, told):
    """From 5 m 3 mm are seen (common practice): nowhere wider is noted."""
    found = judged(bar(40, width), letters=False)
    assert [f.rule for f in found] == (["fine slot"] if told else [])
    if told:
        assert found[0].severity is Severity.NOTE
        assert found[0].measured == pytest.approx(width, abs=0.1)
