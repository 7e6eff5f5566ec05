"""Workshop formulas by worked figures; all recomputed from the closed forms named beside them."""

import pytest

from engine.cutting import (
    STEEL_GPA,
    bending_mm,
    bending_of_mm,
    chip_load_mm,
    chord_on_arc,
    effective_diameter_mm,
    groove_depth_mm,
    skin_speed_mm_per_min,
)
from engine.errors import BadInput
from engine.files import read_cutters
from seed_demo.fleet import cutters_file


def test_chip_load():
    """600 mm/min at 10000 rpm on two teeth: 0.03 mm."""
    assert chip_load_mm(600, 10000, 2) == pytest.approx(0.03, abs=1e-12)
    with pytest.raises(BadInput, match="0 rpm and 2 teeth"):
        chip_load_mm(600, 0, 2)


def test_a_cutter_bends_as_a_cantilever():
    """20 N, 30 mm, 3 mm across: I = 3.976078 mm4; carbide 0.0754512, steel 0.2155749 mm (F L3 / 3 E I)."""
    assert bending_mm(20, 30, 3) == pytest.approx(0.0754512, abs=1e-6)
    assert bending_mm(20, 30, 3, STEEL_GPA) == pytest.approx(0.2155749, abs=1e-6)
    assert 20 * 30**3 / (3 * 600e3 * bending_mm(20, 30, 3)) == pytest.approx(3.976078, abs=1e-5)


def test_half_as_thick_bends_sixteen_times_as_much():
    """And twice as long eight times."""
    assert bending_mm(20, 30, 1.5) == pytest.approx(16 * bending_mm(20, 30, 3))
    assert bending_mm(20, 60, 3) == pytest.approx(8 * bending_mm(20, 30, 3))


def test_the_season_s_cutters_bend_little():
    """Sharp, every one of them stays within half the outline's tolerance of 0.3 mm."""
    for cutter in read_cutters(cutters_file(), "cutters"):
        assert bending_of_mm(cutter) < 0.15, cutter.name


def test_a_ball_s_effective_diameter():
    """A ball of 6 mm at 0.5 mm: 3.3166248 mm; from its middle on the whole diameter."""
    assert effective_diameter_mm(6, 0.5) == pytest.approx(3.3166248, abs=1e-7)
    assert effective_diameter_mm(6, 3) == effective_diameter_mm(6, 20) == 6


def test_a_groove_s_depth():
    """A cone of 60 deg and a groove of 0.4 mm: 0.3464102 mm."""
    assert groove_depth_mm(0.4, 60) == pytest.approx(0.3464102, abs=1e-7)
    with pytest.raises(BadInput, match="between 0 and 180"):
        groove_depth_mm(0.4, 180)


def test_chords_on_an_arc():
    """R = 80 mm within 0.05 mm: chords of 5.655970297 mm, 4.051634 deg, 89 in a turn."""
    chord, angle, count = chord_on_arc(80, 0.05)
    assert chord == pytest.approx(5.655970297, abs=1e-6)
    assert angle == pytest.approx(4.051634, abs=1e-6)
    assert count == 89
    with pytest.raises(BadInput, match="less was expected"):
        chord_on_arc(80, 80)


def test_the_skin_s_speed():
    """R = 80 mm at 10 turns a minute: 5026.548 mm/min."""
    assert skin_speed_mm_per_min(80, 10) == pytest.approx(5026.548, abs=1e-3)
