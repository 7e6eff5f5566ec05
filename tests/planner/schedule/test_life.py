"""Does a lantern last as long as the model's formula says?"""

from __future__ import annotations

import numpy as np
import pytest

from planner.schedule.life import LifeModel, days_of_life, life_used, multiplier


@pytest.mark.parametrize(
    ("temperature_c", "days"),
    [(5, 12), (8, 9.7), (12, 7.4), (15, 6), (18, 4.9), (22, 3.7), (25, 3), (28, 2.4)],
)
def test_days_follow_the_formula(temperature_c, days):
    """6 d x 2^((15-T)/10), worked out by hand to one digit."""
    assert days_of_life(LifeModel(), temperature_c) == pytest.approx(days, abs=0.05)


@pytest.mark.parametrize(
    ("temperature_c", "factor"), [(0, 0.5), (5, 0.7071), (15, 1.4142), (20, 2), (25, 2.8284)]
)
def test_rate_doubles_every_ten_degrees(temperature_c, factor):
    """Q10 = 2: the rate at a temperature over that at 10 degrees (closed form 2^((T-10)/10))."""
    model = LifeModel()
    rate = life_used(model, temperature_c) / life_used(model, 10.0)
    assert rate == pytest.approx(factor, abs=1e-4)


def test_frost_kills():
    """Below the limit a lantern has no life left."""
    assert days_of_life(LifeModel(), -1.6) == 0
    assert np.isinf(life_used(LifeModel(), -1.6))
    assert days_of_life(LifeModel(), -1.5) > 0


def test_multipliers_are_settings():
    """Each circumstance multiplies by its own setting, and 45 % open is not yet wide open."""
    model = LifeModel(relief=0.6, wide_open=0.9, candle=0.5, dipped=1.2)
    assert multiplier(model) == 1
    assert multiplier(model, relief=True, candle=True) == pytest.approx(0.3)
    assert multiplier(model, open_share=0.45) == 1
    assert multiplier(model, open_share=0.46, dip=True) == pytest.approx(1.08)


def test_settings_without_sense_are_refused():
    """A life of no days is no setting."""
    with pytest.raises(ValueError, match="days_at_reference"):
        LifeModel(days_at_reference=0)
