"""Is what ratings go with named, and is what may be chance told as such?"""

from __future__ import annotations

import numpy as np
import pytest

from planner.services.insights import insights, rank_correlation
from planner.services.review import Facts, RunFact

MIN = 60_000_000


def _run(n: int, machine: str, rating: float | None, **more: float) -> RunFact:
    return RunFact(n, machine, "Fern", "L-1", (n * MIN, (n + 1) * MIN), (), "finished", rating=rating, **more)


def test_the_lowest_machine_is_named() -> None:
    """Heron's lanterns are rated two lower; of one design there is nothing to compare, of walls nothing."""
    runs = [_run(n, "Heron" if n % 2 else "Wren", 8 - 2 * (n % 2)) for n in range(12)]
    by_machine, by_design, by_wall, _ = insights(
        Facts(0, 20 * MIN, {}, runs=[*runs, _run(12, "Otter", None)])
    )
    assert by_machine.groups == (("Heron", 6, 6.0), ("Wren", 6, 8.0))
    assert by_machine.words == "lowest by machine: Heron with 6.0 of 6"
    assert "nothing to compare" in by_design.words and "too few" in by_wall.words


def test_ratings_that_fall_with_the_walls_uncertainty() -> None:
    """Ten lanterns, each step of uncertainty a mark lower: the rank correlation is -1 and no chance."""
    runs = [_run(n, "Wren", 10 - n, wall_sigma_mm=0.5 + 0.1 * n, wear=0.01 * (n % 2)) for n in range(10)]
    _, _, by_wall, by_wear = insights(Facts(0, 20 * MIN, {}, runs=runs))
    assert by_wall.words.startswith(
        "ratings fall with wall uncertainty, mm (rank correlation -1.00 of 10, once"
    )
    assert "may well be chance" in by_wear.words


@pytest.mark.filterwarnings("default")
def test_rank_correlation_is_that_of_scipy() -> None:
    """With ties: `scipy.stats.spearmanr` is the checker, for the correlation and for its chance."""
    from scipy import stats

    rng = np.random.default_rng(3)
    one = rng.integers(0, 5, 40).astype(float)
    other = one + rng.integers(0, 6, 40)
    theirs = stats.spearmanr(one, other)
    assert rank_correlation(one, other) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9)
