"""What may a browser do with our pages? Nothing from elsewhere, nothing inline, no frame."""

from __future__ import annotations

from flask import Flask, Response, current_app

STRICT = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
# a job package's own pages carry their style and pictures inside; no script may run in them
PACKAGE = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-modals"
)


def register(app: Flask) -> None:
    """Put the headers on every answer of an application.

    Parameters
    ----------
    app : Flask
        The application [-].
    """
    app.after_request(_harden)


def _harden(answer: Response) -> Response:
    answer.headers.setdefault("Content-Security-Policy", STRICT)
    answer.headers.setdefault("X-Content-Type-Options", "nosniff")
    answer.headers.setdefault("X-Frame-Options", "DENY")
    answer.headers.setdefault("Referrer-Policy", "same-origin")
    answer.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
    answer.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
    answer.headers.setdefault("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
    if current_app.config.get("SESSION_COOKIE_SECURE"):
        answer.headers.setdefault("Strict-Transport-Security", "max-age=15724800; includeSubDomains")
    if answer.mimetype == "application/json":  # opened as it is, it is no page
        answer.headers.setdefault("Content-Disposition", 'attachment; filename="api.json"')
    if "Cache-Control" not in answer.headers:
        answer.headers["Cache-Control"] = "no-store"
    return answer
