"""Whatever the opening: a short slug leaves nothing, a long one hangs, no edge goes beyond the outline."""

import numpy as np
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from engine.files import read_cutters
from engine.flatten import lay_flat
from engine.offset import offset_flat
from engine.records import Rules
from engine.skin_metric import metric_of
from engine.slugs import runs_of, slugs_mm, tab_length_mm
from seed_demo.fleet import cutters_file

PLAIN = metric_of(-100.0, -100.0, 4.0, np.ones((3, 60, 60)) * np.array([1.0, 0, 1])[:, None, None])
CUTTER = next(c for c in read_cutters(cutters_file(), "cutters") if c.name.startswith("6 mm flat"))
RULES = Rules()
some = settings(max_examples=25, deadline=None)


@st.composite
def openings(draw, smallest, largest):
    """Draw a star-shaped outline of five to nine corners, softened like a drawing's."""
    corners = draw(st.integers(5, 9))
    away = np.array(draw(st.lists(st.floats(0.55, 1.0), min_size=corners, max_size=corners)))
    size = draw(st.floats(smallest, largest))
    angle = 2 * np.pi * np.arange(corners) / corners + draw(st.floats(0, 1))
    shape = Polygon(size * away[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    return shape.buffer(-1).buffer(2).buffer(-1)


def laid(shape):
    flat = lay_flat(shape, PLAIN)
    offset = offset_flat(flat, CUTTER.radius_mm)
    return flat, offset, runs_of(flat, offset, CUTTER, RULES)


@some
@given(openings(9.0, 16.0))
def test_a_short_slug_leaves_nothing(shape):
    """What the outline's run reaches, the rings reach all of; the cutter's edge keeps inside the opening."""
    flat, offset, runs = laid(shape)
    assume(len(offset.contours) == 1 and not offset.centre_lines)
    lengths = slugs_mm(flat, offset, CUTTER)
    assume(lengths and max(lengths) <= RULES.slug_mm)
    assert {run.kind for run in runs} == {"pocket"}
    swept = shapely.union_all([LineString(run.line[:, :2]).buffer(3, quad_segs=32) for run in runs])
    reached = shape.buffer(-3, quad_segs=32).buffer(3, quad_segs=32)
    assert reached.difference(swept.buffer(0.03)).area < 1e-3
    assert swept.difference(shape.buffer(0.05)).area < 1e-6


@some
@given(openings(22.0, 45.0))
def test_a_long_slug_hangs_and_the_outline_stays_as_it_was(shape):
    """A tab or more a long slug, raised over its whole length, none over another; the line is the same."""
    flat, offset, runs = laid(shape)
    assume(len(offset.contours) == 1)
    lengths = slugs_mm(flat, offset, CUTTER)
    thick = not shape.buffer(-6 - 1.6).is_empty  # a sliver is cut away, however long
    assume(lengths and max(lengths) > RULES.slug_mm and thick and Polygon(offset.contours[0]).length > 90)
    (run,) = [r for r in runs if r.kind == "outline"]
    assert 1 <= len(run.tabs) <= 3 * len(lengths)
    own, ring = Polygon(offset.contours[0]), Polygon(run.line[:, :2])
    assert own.symmetric_difference(ring).area < 0.01 * own.length
    middle = run.tabs[:, run.tabs.shape[1] // 2, :2]
    apart = [np.linalg.norm(a - b) for i, a in enumerate(middle) for b in middle[:i]]
    assert min(apart, default=99.0) > 0.8 * CUTTER.diameter_mm
    # raised vertices lie within half a tab's length of a middle, along the line and so across as well
    up = run.line[run.line[:, 2] == 1][:, :2]
    away = np.linalg.norm(up[:, None] - middle, axis=2).min(axis=1)
    assert away.max() <= tab_length_mm(CUTTER, RULES) / 2 + 0.01
