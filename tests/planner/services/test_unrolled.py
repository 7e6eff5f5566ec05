"""Does a piece laid flat show touches and picture where closed forms say they are?"""

from __future__ import annotations

import math

import pytest

from planner.services import skins
from planner.services.preparing import JobInputs
from planner.services.trying import SPHERE_MM, sphere_touches
from planner.services.unrolled import PieceTexts, unrolled

SQUARE = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'
    b'<path class="opening" d="M0 0 H100 V100 H0 Z"/></svg>'
)


def _job(longitude_deg: float) -> JobInputs:
    return JobInputs(
        job_id=1, label="square", workpiece="foam", kind="foam", touches=sphere_touches(), tip_radius_mm=0.0,
        walls="", artwork=SQUARE, artwork_name="square.svg", treatment=None, width_mm=100.0,
        longitude_deg=longitude_deg, latitude_deg=0.0, turn_deg=0.0, mirror=False, cutters="", machines=(),
    )  # fmt: skip


def _laid(longitude_deg: float = 0.0):
    return unrolled(PieceTexts("foam", sphere_touches(), 0.0, ((0.0, 0.0, 25.0),), _job(longitude_deg)))


def test_a_square_on_a_sphere_lies_where_mercator_has_it():
    """On a sphere the chart is Mercator's: x = R lon, y = R asinh(tan lat) (Snyder 1987, eqs. 7-1, 7-2)."""
    shown = _laid()
    ((treatment, rings),) = shown.regions
    across, up = [p[0] for p in rings[0]], [p[1] for p in rings[0]]
    half = 50 / (SPHERE_MM / 2)
    east, north = math.degrees(half), math.degrees(math.atan(math.sinh(half)))
    assert treatment == "opening"
    assert (min(across), max(across)) == pytest.approx((-east, east), abs=0.1)
    assert (min(up), max(up)) == pytest.approx((-north, north), abs=0.1)


def test_touches_lie_where_they_were_taken():
    """Rings from -70 to 70 degrees, 24 meridians of 15 degrees; the sphere's own middle is found."""
    shown = _laid()
    assert {round(lat) for _, lat in shown.touches} == {-70, -50, -30, -10, 10, 30, 50, 70}
    assert {round(lon) % 15 for lon, _ in shown.touches} == {0}
    assert shown.rms_error_mm < 0.1
    assert shown.walls == ((0.0, 0.0, 25.0),)


def test_a_picture_over_the_back_is_seen_at_both_edges():
    """At 180 degrees half of it stands at the right edge and half at the left one."""
    shown = _laid(180.0)
    middles = sorted(sum(p[0] for p in rings[0]) / len(rings[0]) for _, rings in shown.regions)
    assert middles == pytest.approx([-180, 180], abs=1)


def test_a_skin_that_was_kept_is_the_one_that_was_fitted(tmp_path):
    """Read back from its file it is equal to the last bit; a damaged file is fitted anew."""
    folder = tmp_path / "skins"
    skins.keep_in(folder)
    try:
        skins.fitted.cache_clear()
        first, said = skins.fitted(sphere_touches(), 0.0)
        skins.fitted.cache_clear()
        again, said_again = skins.fitted(sphere_touches(), 0.0)
        assert (again.radius_mm == first.radius_mm).all()
        assert (again.coefficients == first.coefficients).all()
        assert (again.noise_mm, said_again) == (first.noise_mm, said)
        (kept,) = folder.glob("*.npz")
        kept.write_bytes(kept.read_bytes()[:1000])
        skins.fitted.cache_clear()
        third, _ = skins.fitted(sphere_touches(), 0.0)
        assert (third.radius_mm == first.radius_mm).all()
    finally:
        skins.fitted.cache_clear()
        skins._folders.clear()
