"""What does a page say when it cannot answer? What was wrong, what was kept, what to do."""

from __future__ import annotations

from urllib.parse import urlsplit

from flask import Flask, Response, current_app, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.exc import OperationalError, ProgrammingError
from werkzeug.exceptions import HTTPException

from planner.errors import PlannerError
from web.access import local_path

_WORDS = {
    400: ("This form was too old", "Nothing was kept. Go back, load the page again, then send it once more."),
    401: ("Somebody must sign in first", "Nothing was kept."),
    403: ("Your role does not allow this", "Nothing was kept."),
    413: ("This file is too large", "Nothing of it was kept. 20 MB are taken at most."),
    429: ("Too often", "Nothing was kept. Wait a little, then try again."),
    404: ("This is not here", "The address may be old, or the job was given up. Nothing was changed."),
    405: ("This page can only be looked at", "Nothing was changed."),
    409: ("Changed meanwhile", "Nothing of yours was kept. Go back, look again, then decide."),
    422: ("This was not taken", "Nothing of it was kept. Correct it and try again."),
    500: (
        "This page broke",
        "The fault is the program's, not yours. Nothing was changed; the log has the cause.",
    ),
    503: (
        "The database does not answer",
        "Nothing was changed. It may not have its tables yet, or it is locked; the log has the cause.",
    ),
}
_OTHER = ("This could not be answered", "Nothing was changed.")


def register(app: Flask) -> None:
    """Let every error of an application end in words, or in JSON where JSON was asked for.

    Parameters
    ----------
    app : Flask
        The application [-].
    """
    app.register_error_handler(PlannerError, _refused)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(OperationalError, _no_database)
    app.register_error_handler(ProgrammingError, _no_database)
    app.register_error_handler(Exception, _broken)


def _refused(error: PlannerError) -> ResponseReturnValue:
    return _answer(error.status, str(error))


def _http(error: HTTPException) -> ResponseReturnValue:
    if error.code is None or error.code < 400:
        return error.get_response()
    return _answer(error.code, "" if error.code in _WORDS else (error.description or ""))


def _no_database(error: Exception) -> ResponseReturnValue:
    current_app.logger.error("%s: %s", request.path, error)
    return _answer(503, "")


def _broken(error: Exception) -> ResponseReturnValue:
    current_app.logger.exception("%s", request.path, exc_info=error)
    return _answer(500, "")


def _answer(status: int, detail: str) -> tuple[Response | str, int]:
    title, advice = _WORDS.get(status, _OTHER)
    if request.path.endswith(".json") or request.path.startswith("/api/"):
        return jsonify(error=detail or title, status=status), status
    page = render_template(
        "error.html", status=status, title=title, detail=detail, advice=advice, back=_page_before()
    )
    return page, status


def _page_before() -> str:
    """Return the page of ours from which a form was sent; empty where it came from elsewhere."""
    if request.method == "GET" or not request.referrer:
        return ""
    said = urlsplit(request.referrer)
    return local_path(f"{said.path}?{said.query}".rstrip("?")) if said.netloc == request.host else ""
