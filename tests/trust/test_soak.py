"""Does everything hold while everybody is at work at once? Twelve seconds here, half an hour by command."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.soak import soak


@pytest.mark.slow
@pytest.mark.solver
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_short_season_at_many_times_its_speed(tmp_path: Path) -> None:
    """Pages, worker, controllers and two leads: no answer fails, runs are kept, and every rule holds."""
    season, _, _, broken = soak(tmp_path, 12.0, 600.0, 24, begin_h=47.0)  # when the first are due
    assert season.failed == []
    assert broken == ()
    assert season.told["report 200"] > 3
    assert season.told["runs finished"] > 0
