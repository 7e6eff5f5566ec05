"""Which rows of a long list are shown? Counted from one, as people do."""

from __future__ import annotations

from dataclasses import dataclass

from flask import request

_MOST = 1_000_000


def page_number() -> int:
    """Return the page that was asked for; the first where nothing sensible was."""
    return min(max(request.args.get("page", 1, type=int), 1), _MOST)


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a list."""

    number: int
    size: int
    total: int

    @property
    def first(self) -> int:
        """Number of its first row."""
        return (self.number - 1) * self.size + 1

    @property
    def last(self) -> int:
        """Number of its last row."""
        return min(self.number * self.size, self.total)

    @property
    def pages(self) -> int:
        """How many pages there are."""
        return max(1, -(-self.total // self.size))
