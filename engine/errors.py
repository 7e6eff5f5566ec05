"""What the engine raises: bad input, and jobs that cannot be done as asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from engine.records import Finding


_LONGEST = 500


def one_line(text: str) -> str:
    """Return a message as one line: what cannot be shown becomes a question mark, the end is cut off.

    Parameters
    ----------
    text : str
        May hold what stood in a file [-].
    """
    shown = "".join(sign if sign.isprintable() else "?" for sign in text)
    return shown if len(shown) <= _LONGEST else f"{shown[: _LONGEST - 3]}..."


class EngineError(Exception):
    """Anything the engine refuses; the text has the thing, the value, the limit and the way out.

    Parameters
    ----------
    text : str
        One line; what a terminal or a page could not show, out of a file say, becomes a question mark [-].
    """

    def __init__(self, text: str = "") -> None:
        super().__init__(one_line(text))


class BadInput(EngineError):
    """An input that makes no sense: file, line, value and what was expected."""


class CannotBeDone(EngineError):
    """A sensible input, but the job cannot be done as asked; `findings` say why and what would help.

    Parameters
    ----------
    text : str
        One sentence for a person.
    findings : tuple of Finding
        The records that refuse the job [-].
    picture : str
        An SVG that shows where on the piece, where that helps [-].
    """

    def __init__(self, text: str, findings: tuple[Finding, ...] = (), picture: str = "") -> None:
        super().__init__(text)
        self.findings = findings
        self.picture = picture


class Stopped(EngineError):
    """The `stop` callable asked for an end before the work was done; nothing was written."""
