"""How do the pages come together? One factory: settings in, a Flask application out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from flask import Flask, request

from planner.config import Settings
from planner.database.session import session_factory
from planner.services import skins
from web import (
    access,
    addresses,
    api,
    api_decide,
    api_document,
    api_enter,
    api_floor,
    api_plan,
    api_read,
    api_shop,
    api_tables,
    api_venue,
    benches,
    changes,
    choosing,
    drafts,
    enter,
    errors,
    filters,
    fleet,
    floor,
    headers,
    jobs,
    lasting,
    machine_checks,
    maker,
    paper,
    people,
    photos,
    plan,
    produce,
    remembered,
    review,
    season,
    tonight,
    venue,
    walks,
    wall,
    words,
)
from web.session import Venue, begin_anew, now

Clock = Callable[[], datetime]


def _wall_clock() -> datetime:
    return datetime.now(UTC)


_LARGEST_BODY = 22_000_000  # a design of 20 MB and its form


def create_app(settings: Settings, *, clock: Clock = _wall_clock, demo: bool = False) -> Flask:
    """Return the pages on a database and a folder of job packages.

    Parameters
    ----------
    settings : Settings
        Database, folder and the time zone where no season says otherwise [-].
    clock : callable
        Returns the present instant, with a zone [-].
    demo : bool
        Whether a browser on this computer is signed in by itself as a demo lead [-].
    """
    app = Flask("web", static_url_path="/static")
    app.extensions["venue"] = Venue(settings, session_factory(settings.database_url), clock)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY
    skins.keep_in(settings.folder / "skins")
    app.before_request(begin_anew)
    app.teardown_request(begin_anew)
    access.register(app, settings.folder, demo=demo)
    for part in (
        season,
        tonight,
        drafts,
        floor,
        maker,
        jobs,
        produce,
        fleet,
        machine_checks,
        lasting,
        plan,
        choosing,
        benches,
        enter,
        paper,
        review,
        venue,
        wall,
        walks,
        photos,
        people,
        api,
    ):
        app.register_blueprint(part.pages)
    for beside in (
        api_read, api_decide, api_floor, api_tables, api_document, api_enter, api_plan, api_shop, api_venue,
    ):  # fmt: skip
        assert beside.pages is api.pages  # their operations stand beside the others
    app.register_blueprint(api_tables.tables_page)
    app.url_defaults(_stay_in_season)
    app.context_processor(lambda: {"now": now(), "caution": words.CAUTION, "who": access.who()})
    app.jinja_env.globals.update(main_pages=words.MAIN_PAGES, more_pages=words.MORE_PAGES)
    addresses.register(app)
    changes.register(app)
    remembered.register(app)
    filters.register(app)
    headers.register(app)
    errors.register(app)
    return app


def _stay_in_season(endpoint: str, values: dict[str, object]) -> None:
    """Keep the season that was asked for in every link of the page."""
    if endpoint != "static" and request and "season" in request.args:
        values.setdefault("season", request.args["season"])
