"""Taylor's tool life and Miner's sum against published and recomputed numbers."""

import numpy as np
import pytest

from engine.errors import BadInput
from engine.records import Cutter, CutterForm, Life, RunEstimate
from engine.wear import (
    life_min,
    miner_sum,
    speed_of_least_cost,
    speed_of_most_output,
    surface_speed,
    taylor_from_points,
    wear_fractions,
    worn_out,
)


def a_cutter(name, diameter_mm, rpm, life):
    return Cutter(
        name, CutterForm.FLAT, diameter_mm, 2, 42, 50, 30, 60, True, rpm, 1400, 400, 5, 1.5, life
    )  # fmt: skip


def test_two_points():
    """Groover's turning example, (160, 5) and (100, 41): n = 0.223, C = 229 (from memory, recomputed)."""
    life = taylor_from_points([160, 100], [5, 41], "steel")
    assert life.exponent == pytest.approx(0.2233715, abs=1e-7)
    assert life.constant_m_per_min == pytest.approx(229.2187, abs=1e-4)
    assert life.material == "steel"
    assert life_min(life, 130) == pytest.approx(12.667, abs=1e-3)
    assert life_min(life, 80) == pytest.approx(111.34, abs=1e-2)


def test_three_points_by_least_squares():
    """Groover's points with (130, 12), and his problem (160, 5.75), (130, 14.25), (100, 47)."""
    textbook = taylor_from_points([160, 130, 100], [5, 12, 41])
    assert textbook.exponent == pytest.approx(0.222735, abs=1e-6)
    assert textbook.constant_m_per_min == pytest.approx(227.919, abs=1e-3)
    problem = taylor_from_points([160, 130, 100], [5.75, 14.25, 47])
    assert problem.exponent == pytest.approx(0.223513, abs=1e-6)
    assert problem.constant_m_per_min == pytest.approx(236.136, abs=1e-3)
    assert life_min(problem, 80) == pytest.approx(126.80, abs=1e-2)


def test_first_two_points_of_the_problem():
    """The published solution from the first two points: n = 0.2288, C = 238.7."""
    life = taylor_from_points([160, 130], [5.75, 14.25])
    assert life.exponent == pytest.approx(0.228789, abs=1e-6)
    assert life.constant_m_per_min == pytest.approx(238.739, abs=1e-3)


def test_lives_at_the_best_speeds():
    """Groover's economics example, n = 0.125, C = 70, Tt = 2: 14 min at 50.33 m/min; with 0.50 a minute and
    3.00 a cutter 56 min at 42.32 m/min (the book rounds to 50 and 42; from memory, recomputed).
    """
    life = Life("steel", 0.125, 70)
    assert speed_of_most_output(life, 2) == pytest.approx(50.3306, abs=1e-3)
    assert speed_of_least_cost(life, 2, 0.5, 3) == pytest.approx(42.3228, abs=1e-3)
    with pytest.raises(BadInput, match="cutter change of 0 min"):
        speed_of_most_output(life, 0)
    assert life_min(life, 50.3306) == pytest.approx(14, rel=1e-4)
    assert life_min(life, 42.3228) == pytest.approx(56, rel=1e-4)


def test_miner():
    """20 min of 41 and 2 min of 5 (Miner 1945): 0.8878049 used; at 130 m/min 1.4212 min are left."""
    used = miner_sum([20, 2], [41, 5])
    assert used == pytest.approx(0.8878049, abs=1e-7)
    at_130 = life_min(taylor_from_points([160, 100], [5, 41]), 130)
    assert (1 - used) * at_130 == pytest.approx(1.4212, abs=1e-4)


@pytest.mark.parametrize(("even", "worst", "out"), [(0.29, 0.49, False), (0.3, 0.3, True), (0.2, 0.5, True)])
def test_a_worn_flank(even, worst, out):
    """ISO 8688-2:1989: 0.3 mm averaged over the teeth, or 0.5 mm on any of them (numbers from memory).

    ISO 3685:1993 asks the same 0.3 mm of a regular land on a turning tool, and 0.6 mm of an irregular one.
    """
    assert worn_out(even, worst) is out


def test_surface_speed():
    """3 mm at 10000 rev/min is 94.2478 m/min."""
    assert surface_speed(3, 10000) == pytest.approx(94.2478, abs=1e-4)


def test_wear_of_a_run():
    """At v = C a cutter lasts one minute (T = 1); at half of it 2^(1/n) = 16 minutes with n = 1/4."""
    speed = np.pi * 6 * 12000 / 1000
    full = a_cutter("full", 6, 12000, Life("squash", 0.25, speed))
    half = a_cutter("half", 3, 12000, Life("squash", 0.25, speed))
    idle = a_cutter("idle", 3, 12000, Life("squash", 0.25, speed))
    run = RunEstimate(126.0, 10.0, 0.0, 1.0, 1.0, (30.0, 96.0, 0.0), (1.0, 1.0, 0.0))
    assert wear_fractions(run, [full, half, idle]) == pytest.approx((0.5, 0.1, 0.0))


@pytest.mark.parametrize(
    "speeds, lives, text",
    [
        ([100], [5], "two or more"),
        ([100, 90], [5, 0], "above 0"),
        ([100, 90], [5, 5], "equal"),
        ([100, 90], [9, 5], "longer at higher speed"),
        ([100, np.nan], [9, 5], "above 0"),
    ],
)
def test_points_that_make_no_life(speeds, lives, text):
    """Points from which no life follows are refused with the reason."""
    with pytest.raises(BadInput, match=text):
        taylor_from_points(speeds, lives)


def test_a_still_cutter_has_no_life():
    """Surface speed must be above 0."""
    with pytest.raises(BadInput, match="surface speed 0"):
        life_min(Life("squash", 0.25, 600), 0.0)


@pytest.mark.parametrize(
    ("speeds", "lives", "exponent", "constant", "life_at_80"),
    [
        ([160, 100], [5.75, 47], 0.223710, 236.628, 127.44),
        ([160, 130, 100], [5.75, 14.25, 47], 0.223513, 236.136, 126.80),
        ([160, 130], [5.75, 14.25], 0.228789, 238.739, 118.97),
    ],
    ids=["ends", "least squares of the logs", "first two"],
)
def test_three_points_of_a_textbook(speeds, lives, exponent, constant, life_at_80):
    """(160, 5.75), (130, 14.25), (100, 47): the textbook's problem on tool life, recomputed each way."""
    life = taylor_from_points(speeds, lives)
    assert life.exponent == pytest.approx(exponent, abs=1e-6)
    assert life.constant_m_per_min == pytest.approx(constant, abs=1e-3)
    assert life_min(life, 80) == pytest.approx(life_at_80, abs=0.01)
