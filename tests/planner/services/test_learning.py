"""Are rates told with the bounds of the textbook?"""

from __future__ import annotations

import pytest
from scipy import stats

from planner.services.learning import rate


@pytest.mark.parametrize(("count", "of"), [(0, 10), (1, 10), (6, 100), (10, 10)])
def test_bounds_are_exact(count: int, of: int) -> None:
    """The bounds are those of scipy's exact binomial interval, 90 %."""
    theirs = stats.binomtest(count, of).proportion_ci(0.9, "exact")
    found = rate("scrapped on Wren", count, of)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high))
    assert found.share == count / of


def test_nothing_made_has_no_rate() -> None:
    """Of nothing no share is told, and the chance may be anything."""
    found = rate("scrapped on Wren", 0, 0)
    assert (found.share, found.low, found.high) == (None, 0.0, 1.0)
