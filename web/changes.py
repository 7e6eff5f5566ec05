"""What was changed lately about what this page shows? A short list that any page can ask for."""

from __future__ import annotations

from flask import Flask

from planner.database import queries
from web.session import reading_db

_SHOWN = 5  # the newest; all of them stand on the page of changes


def lately(about: str) -> tuple[queries.ChangeLine, ...]:
    """Return the newest changes about something, in one question.

    Parameters
    ----------
    about : str
        As `queries.about.concerns` reads it, e.g. `job 12` [-].
    """
    with reading_db() as db:
        return queries.changes(db, limit=_SHOWN, about=about)


def register(app: Flask) -> None:
    """Let the templates of an application ask what was changed lately.

    Parameters
    ----------
    app : Flask
        The application [-].
    """
    app.jinja_env.globals["changed_lately"] = lately
