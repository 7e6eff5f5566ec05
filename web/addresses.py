"""Where does a link lead? Addresses worked out once, for pages that hold hundreds of them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from flask import Flask, current_app, request

_KNOWN = 20_000


def register(app: Flask) -> None:
    """Give a quick `url_for` to an application's templates; what it returns is what Flask's returns.

    Parameters
    ----------
    app : Flask
        The application [-].
    """

    @lru_cache(maxsize=_KNOWN)
    def built(root: str, season: str | None, endpoint: str, values: tuple[tuple[str, Any], ...]) -> str:
        # the season and the root are read by Flask from the request; here they only tell addresses apart
        return current_app.url_for(endpoint, **dict(values))

    def url_for(endpoint: str, **values: Any) -> str:
        if "_external" in values or endpoint.startswith("."):
            return current_app.url_for(endpoint, **values)
        # as a list: `get` of a key that is missing costs an exception, and there are hundreds of links
        season = next(iter(request.args.getlist("season")), None)
        return built(request.script_root, season, endpoint, tuple(values.items()))

    app.jinja_env.globals["url_for"] = url_for
