"""What a leaning round reaches, and where a cut ends between the nodes, by closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from engine.proof.moves import Samples
from engine.proof.reach import _Stance
from engine.proof.stamp import Cut, beyond_cut
from engine.records import Cutter, CutterForm, Life

_CUTTER = Cutter(
    name="3 mm",
    form=CutterForm.FLAT,
    diameter_mm=3.0,
    teeth=2,
    flute_length_mm=20.0,
    stick_out_mm=30.0,
    holder_diameter_mm=20.0,
    holder_length_mm=30.0,
    centre_cutting=True,
    rpm=12000.0,
    feed_mm_per_min=600.0,
    plunge_mm_per_min=300.0,
    step_down_mm=2.0,
    stepover_mm=0.8,
    life=Life("squash", 0.25, 600.0),
)


def _leaning(lean_deg: float) -> np.ndarray:
    a = np.radians(lean_deg)
    return np.array([np.sin(a), 0.0, np.cos(a)])


@pytest.mark.parametrize("lean_deg", [10.0, 27.0, 36.0])
def test_a_leaning_round_reaches_as_far_as_its_ellipse_on_the_skin(lean_deg: float) -> None:
    """A cylinder of radius r leaning by a cuts a plane in an ellipse of half axes r / cos a and r."""
    radius, direction = 3.0, _leaning(lean_deg)
    places = np.zeros((1, 3))
    stance = _Stance(cKDTree(places), direction[None, :], np.radians(lean_deg))
    middles = np.random.default_rng(1).normal(0, 1e-6, (20, 3))  # as good as one place
    along, across = np.array([[7.0, 0.0, 0.0]]), np.array([[0.0, 7.0, 0.0]])
    found = stance.beyond(cKDTree(middles), middles, np.concatenate([along, across]), radius)
    assert found == pytest.approx([7.0 - radius / np.cos(np.radians(lean_deg)), 7.0 - radius], abs=1e-4)


def test_the_nearest_place_seen_along_the_cutter_is_found_among_many_nearer_ones() -> None:
    """At 36 deg a place 3.6 mm off along the lean lies nearer to the axis than thirty places 3.2 mm aside."""
    direction = _leaning(36.0)
    stance = _Stance(cKDTree(np.zeros((1, 3))), direction[None, :], np.radians(36.0))
    aside = np.stack([np.linspace(-0.2, 0.2, 30), np.full(30, 3.2), np.zeros(30)], axis=1)
    targets = np.concatenate([aside, [[3.6, 0.0, 0.0]]])
    found = stance.across(cKDTree(targets), targets, np.zeros((1, 3)))
    assert found == pytest.approx([3.6 * np.cos(np.radians(36.0))], abs=1e-9)


@pytest.mark.parametrize(
    ("form", "height_mm", "beyond_mm"),
    [
        (CutterForm.FLAT, 2.0, 4.0 - 1.5),
        (CutterForm.BALL, 2.0, 4.0 - 1.5),
        (CutterForm.BALL, 0.0, np.hypot(4.0, 1.5) - 1.5),
        (CutterForm.BALL, -1.0, np.hypot(4.0, 2.5) - 1.5),
    ],
)
def test_a_point_beside_a_cutter_is_as_far_off_as_pythagoras_says(
    form: CutterForm, height_mm: float, beyond_mm: float
) -> None:
    """A point 4 mm from the axis, at a height above the tip, beside an upright cutter of 3 mm."""
    cutter = replace(_CUTTER, form=form)
    tip = np.array([[0.0, 0.0, 90.0]])
    up = np.array([[0.0, 0.0, 1.0]])
    samples = Samples(tip=tip, direction=up, row=np.zeros(1, np.int64))
    unused = np.zeros((1, 1))
    cut = Cut(unused, unused, unused, samples, up, np.array([10.0]), np.zeros(1, bool), np.zeros(1, np.int64))
    point = np.array([[4.0, 0.0, 90.0 + height_mm]])
    (found,) = beyond_cut(cut, (cutter,), [point], np.array([[0.0, 0.0, 100.0]]))
    assert found == pytest.approx([beyond_mm])
