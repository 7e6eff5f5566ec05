"""Does every reader withstand the largest, smallest and most hostile inputs, in little time and memory?"""

from __future__ import annotations

import pytest

from tests.bench.extremes import NAMES_OF_READERS, tried


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES_OF_READERS)
def test_extreme_inputs_are_refused_in_one_line_or_read(name: str) -> None:
    """Bombs, a million of everything, NaN, names that lead elsewhere: 10 s and 512 MB each."""
    found = tried(name)
    assert found.wrong == []
    assert found.refused >= 10
