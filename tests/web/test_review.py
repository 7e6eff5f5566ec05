"""Does the review's page say how days went, and 'n/a' where nothing can be said?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest


@pytest.mark.parametrize("address", ["/review", "/review/paper", "/review/paper?paper=letter"])
def test_page_and_paper(client: Any, fill: Callable[..., None], address: str) -> None:
    """Without runs every figure is n/a, and the first sentence says that nothing can be said."""
    fill()
    page = client.get(address)
    assert page.status_code == 200
    text = page.get_data(as_text=True)
    assert "nothing can be said" in text
    assert "availability × effectiveness × quality ratio" in text and "n/a" in text
    assert "None" not in text


@pytest.mark.parametrize("address", ["/review", "/review/paper"])
def test_no_season(client: Any, address: str) -> None:
    """Before the first season the page says so."""
    assert client.get(address).status_code == 200


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("from=2026-10-21&to=2026-10-20", "the last day is before the first"),
        ("from=yesterday", "expected a day such as"),
        ("person_hour=-1", "expected a price"),
        ("person_hour=nan", "expected a price"),
        ("from=2020-01-01&to=2026-01-01", "400 days at most"),
    ],
)
def test_refusals(client: Any, fill: Callable[..., None], asked: str, words: str) -> None:
    """What cannot be meant is refused with what was expected."""
    fill()
    page = client.get(f"/review?{asked}")
    assert page.status_code == 422
    assert words in page.get_data(as_text=True)
