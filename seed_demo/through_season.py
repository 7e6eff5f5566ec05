"""How does the demo's season end? The replay on the demo's own folder, and what its records say then."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta

import click
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, session_factory
from planner.services import insights, ledger_stock, quality, review
from planner.services.forecast import season_forecast
from planner.services.planning import plan_season
from seed_demo import scenario
from seed_demo.replay import BY, Replay, Told

SEED = 1


def go_through(settings: Settings, seconds: float, seed: int = SEED) -> str:
    """Let the season go by and return how it went, in lines.

    Parameters
    ----------
    settings : Settings
        Of the demo's folder [-].
    seconds : float
        Time for each plan [s].
    seed : int
        Of what chance brings [-].
    """
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        season_id = db.scalar(select(tables.Season.id).where(tables.Season.name == scenario.SEASON))
        if season_id is None or db.scalar(select(tables.Run.id).limit(1)) is not None:
            return "the season has gone by already in this folder; --fresh begins anew"
        expected = season_forecast(db, season_id)

    def plan(at: datetime) -> None:
        plan_season(
            factory, season_id, by=BY, now=at, start=at, seconds=seconds, published=True, most_moved=None
        )

    replay = Replay(factory, season_id, plan, scenario.HAPPENINGS, seed)
    told = replay.run(scenario.CARVE_FROM.date(), _show)
    ahead = f"{expected.mean:.0f} expected before the opening ({expected.low} to {expected.high})"
    return "\n".join(
        [*lines(factory, season_id, told), f"replacements: {sum(told.replaced.values())}, {ahead}"]
    )


def _show(done: int, total: int, note: str) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{done}/{total} {note:<30}", nl=done == total, err=True)
    else:
        click.echo(f"{done}/{total} {note}", err=True)


def facts_of(factory: sessionmaker[Session], season_id: int) -> review.Facts:
    """Return what was recorded of a whole season.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    """
    with reading(factory) as db:
        season = db.get(tables.Season, season_id)
        first = db.scalar(
            select(tables.MachineShift.start_at).order_by(tables.MachineShift.start_at).limit(1)
        )
        assert season is not None and first is not None
        end = season.dusk_at(season.last_night) + timedelta(days=1)
        return review.gather(db, season_id, first, end, now=end)


def lines(factory: sessionmaker[Session], season_id: int, told: Told) -> list[str]:
    """Return how a season went, from its records.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    told : Told
        What the replay told the services [-].
    """
    facts = facts_of(factory, season_id)
    found = review.review_of(facts)
    out = [*told.happened, *found.words]
    for night in found.nights:
        asked = told.replaced.get(night.night, 0)
        out.append(f"{night.night:%a %d %b}: {night.lit} of {night.promised} lit, {asked} carved anew for it")
    if found.estimates is not None:
        out.append(
            f"estimates of the later {found.estimates.runs} runs: off by "
            f"{found.estimates.error_before_min:.1f} min, by what was learned "
            f"{found.estimates.error_after_min:.1f} min"
        )
    with reading(factory) as db:
        season = db.get(tables.Season, season_id)
        assert season is not None
        refitted = quality.refit_life(db, season_id)
        due = ledger_stock.reorder_points(db, now=season.dusk_at(season.last_night))
    out += [insight.words for insight in insights.insights(facts)]
    if refitted is not None:
        middle, low, high = refitted.overall
        out.append(
            f"lives by {refitted.lanterns} lanterns' walks: {middle:.2f} of the model's "
            f"({low:.2f} to {high:.2f}), shape {refitted.shape:.1f}"
        )
    out.append("to order: " + (", ".join(one.type_name for one in due if one.due) or "no cutter"))
    return out
