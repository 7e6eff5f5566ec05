"""A piece clamped again is found where it lies: true shapes in closed form, moved by known turns and shifts.

Limits 0.6 and 1.2 mm RMS are the trade's common practice. Touches are made on the true body, so the fitted
skin's own error is part of what is tested.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from engine.errors import BadInput
from engine.frames import normalised, unit_of
from engine.reclamp import Pose, Verdict, moved_placement, moved_scan, moved_surface, refit
from engine.records import Placement, ProbeScan
from engine.surface import fit_surface, normals_at, radius_at, surface_of

MIDDLE = np.array([3.0, -4.0, 130.0])
TIP = 1.5


def body(unit):
    """A squash of ten ribs, a little egg-shaped and leaning, so that its turn can be told."""
    x, y, z = np.moveaxis(unit, -1, 0)
    flat2 = 1 - z**2
    ribs = 4 * np.cos(10 * np.arctan2(y, x)) * flat2**2
    return 120 - 14 * z**2 + 5 * x * flat2 + 3 * x * y - 2 * z * y + ribs


TRUE = surface_of(body, 1.0)


def tips(unit):
    """Return tip centres that touch the true body in directions of contact."""
    return MIDDLE + radius_at(TRUE, unit)[:, None] * unit + TIP * normals_at(TRUE, unit)


def scan_of(centres, numbers=None):
    n = len(centres)
    return ProbeScan(centres, TIP, np.arange(n) if numbers is None else numbers, np.arange(n) + 2, "0")


@pytest.fixture(scope="module")
def known():
    i = np.arange(360) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(-0.8 + 1.65 * i / 360))
    rng = np.random.default_rng(0)
    scan = scan_of(tips(unit) + 0.05 * rng.standard_normal((360, 1)) * unit)
    return scan, fit_surface(scan)[0]


def again(turn_deg, shift, seed=1, count=9):
    """Touches of the piece after it turned about the seat's axes through its middle and shifted."""
    lon = np.linspace(0, 360, count, endpoint=False) + 7.0 * np.arange(count)
    unit = unit_of(np.radians(lon), np.radians(np.resize([-25.0, 5.0, 35.0], count)))
    rng = np.random.default_rng(seed)
    there = tips(unit) + 0.05 * rng.standard_normal((count, 1)) * unit
    turn = Rotation.from_euler("zyx", turn_deg, degrees=True).as_matrix()
    return scan_of((there - MIDDLE) @ turn.T + MIDDLE + shift), Pose(turn, MIDDLE + shift - turn @ MIDDLE)


def test_a_piece_that_did_not_move_is_accepted(known):
    """Its touches lie on the skin as it was; nothing is moved."""
    touches, _ = again((0, 0, 0), np.zeros(3))
    found = refit(known[1], touches)
    assert found.verdict is Verdict.ACCEPT
    assert found.rms_as_placed_mm < 0.25
    assert found.pose.turned_deg == 0


@pytest.mark.parametrize(
    ("turn", "shift"), [((1.8, 0, 0), (0.3, -0.2, 0.4)), ((-0.6, 0.3, 0.4), (0.8, 0.5, -0.3))]
)
def test_a_piece_that_moved_a_little_gets_its_new_pose(known, turn, shift):
    """A turn of 1.8 deg, or a tilt and a shift: found so that the skin lies right to 0.3 mm everywhere."""
    touches, true = again(turn, np.array(shift))
    found = refit(known[1], touches)
    assert found.verdict is Verdict.REFIT, found.why
    assert 0.6 <= found.rms_as_placed_mm <= 1.2
    assert found.rms_fitted_mm < 0.2
    i = np.arange(500) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(-0.7 + 1.4 * i / 500))
    skin = MIDDLE + body(unit)[:, None] * unit
    normal = normals_at(TRUE, unit) @ true.turn.T
    # along the skin a ribbed body may slip a little unseen; off the skin it may not
    off = np.sum((found.pose.apply(skin) - true.apply(skin)) * normal, axis=1)
    assert np.abs(off).max() < 0.3
    along = np.linalg.norm(found.pose.apply(skin) - true.apply(skin), axis=1)
    assert along.max() < 4 * found.place_known_mm
    assert found.place_known_mm < 1.0


def test_a_piece_that_moved_far_is_probed_afresh(known):
    """Three millimetres and five degrees: beyond 1.2 mm RMS."""
    touches, _ = again((5, 1, -1), np.array([3.0, 1.0, 0.5]))
    found = refit(known[1], touches)
    assert found.verdict is Verdict.RESCAN
    assert found.rms_as_placed_mm > 1.2


def test_a_piece_that_changed_its_shape_is_probed_afresh(known):
    """Dented by 0.9 mm here and there: what is left by the three touches to spare is above 0.6 mm."""
    touches, _ = again((0, 0, 0), np.zeros(3))
    dents = np.resize([0.9, -0.9, 0.9, 0.9, -0.9, -0.9, 0.9, -0.9, 0.9], 9)[:, None]
    dented = scan_of(touches.centres_seat_mm + dents * normalised(touches.centres_seat_mm - MIDDLE))
    found = refit(known[1], dented)
    assert found.verdict is Verdict.RESCAN
    assert "shape changed" in found.why


def test_the_turn_of_a_ball_is_not_known():
    """A smooth ball shifted by 1.5 mm: its place is found and its turn is not, which is said."""
    ball = surface_of(lambda u: np.full(u.shape[:-1], 80.0))
    unit = unit_of(np.linspace(0, 6, 9), np.resize([-0.5, 0.1, 0.6], 9))
    touches = ProbeScan(81.5 * unit + np.array([1.5, 0, 0]), 1.5, np.arange(9), np.arange(9), "0")
    found = refit(ball, touches)
    assert found.verdict is Verdict.RESCAN
    assert "turn" in found.why
    np.testing.assert_allclose(found.pose.apply(np.zeros((1, 3)))[0], [1.5, 0, 0], atol=0.05)


def test_limits_can_be_set(known):
    """A careful house accepts less, another refits further."""
    touches, _ = again((1.8, 0, 0), np.array([0.3, -0.2, 0.4]))
    assert refit(known[1], touches, accept_mm=1.1, rescan_mm=1.3).verdict is Verdict.ACCEPT
    assert refit(known[1], touches, rescan_mm=0.65).verdict is Verdict.RESCAN
    with pytest.raises(BadInput, match="limits 2 and 1 mm"):
        refit(known[1], touches, accept_mm=2, rescan_mm=1)


def test_too_few_touches_are_refused(known):
    """Five touches cannot tell six motions."""
    touches, _ = again((0, 0, 0), np.zeros(3), count=5)
    with pytest.raises(BadInput, match="5 touches, expected 6 or more"):
        refit(known[1], touches)


def test_the_new_pose_is_carried_on(known):
    """Touches, skin and design moved by one pose agree: the design stays on the same spot of the piece."""
    scan, surface = known
    pose = again((6, 2, -3), np.array([2.0, -1.0, 1.5]))[1]
    moved, _ = fit_surface(moved_scan(scan, pose))
    resampled = moved_surface(surface, pose)
    np.testing.assert_allclose(
        resampled.origin_seat_mm, pose.apply(surface.origin_seat_mm[None])[0], atol=1e-12
    )
    unit = unit_of(np.radians(np.arange(0, 360, 10.0)), np.radians(np.resize([-30, 0, 20, 40], 36)))
    seat = moved.origin_seat_mm + radius_at(moved, unit)[:, None] * unit
    back = (seat - resampled.origin_seat_mm) / np.linalg.norm(seat - resampled.origin_seat_mm, axis=1)[
        :, None
    ]
    size = np.linalg.norm(seat - resampled.origin_seat_mm, axis=1)
    np.testing.assert_allclose(radius_at(resampled, back), size, atol=0.15)

    place = Placement(0.4, 0.2, 0.3)
    there = moved_placement(place, pose)
    spot = pose.turn @ unit_of(place.longitude_rad, place.latitude_rad)
    np.testing.assert_allclose(unit_of(there.longitude_rad, there.latitude_rad), spot, atol=1e-12)

    def up(p):
        """The direction of the design's y on the piece, by a small step counter-clockwise from north."""
        out = unit_of(p.longitude_rad, p.latitude_rad)
        east = np.array([-np.sin(p.longitude_rad), np.cos(p.longitude_rad), 0])
        return np.cos(p.turn_rad) * np.cross(out, east) - np.sin(p.turn_rad) * east

    np.testing.assert_allclose(up(there), pose.turn @ up(place), atol=1e-12)
