"""What does the season still need? Forecast, choice of pieces, benches and hands on the command line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from planner.commands.common import (
    BAD_INPUT,
    json_in,
    latest_season,
    now,
    refuse,
)
from planner.config import settings_in


@click.command()
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--down", multiple=True, help="A machine that is taken to be down all season; may be repeated.")
@click.option(
    "--life-days", type=click.FloatRange(0.1, 365), help="At 15 °C; as taken over from the walks, else 6."
)
@click.option("--relief-life", type=click.FloatRange(0.01, 10), help="Factor; as taken over, else 0.7.")
@click.option("--rack-c", type=float, help="Where carved lanterns wait [°C]; as the first night if absent.")
@click.option(
    "--running", type=click.FloatRange(0.05, 1), default=0.75, show_default=True, help="Share of hours."
)
@click.option("--seasons", type=click.IntRange(10, 100_000), default=5000, show_default=True, help="Drawn.")
@click.option("--seed", type=int, default=0, show_default=True)
def forecast(
    folder: Path | None,
    down: tuple[str, ...],
    life_days: float | None,
    relief_life: float | None,
    rack_c: float | None,
    running: float,
    seasons: int,
    seed: int,
) -> None:
    """Say what the season still needs: replacements, produce, hours, the first night that would be dark."""
    from planner.database.session import reading
    from planner.errors import PlannerError
    from planner.services.forecast import ForecastSettings, forecast_lines, season_forecast, with_life
    from planner.services.lasting import model_of

    life = {"days_at_reference": life_days, "relief": relief_life}
    said = {name: value for name, value in life.items() if value is not None}
    try:
        factory, season = latest_season(settings_in(folder))
        with reading(factory) as session:
            model = model_of(session, season.id)
            settings = ForecastSettings(model, rack_c=rack_c, running=running, seasons=seasons, seed=seed)
            found = season_forecast(session, season.id, with_life(settings, **said), down=down)
        for line in forecast_lines(found):
            click.echo(line)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@click.command()
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--night", "nights", type=click.DateTime(["%Y-%m-%d"]), multiple=True, help="First lit then.")
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), help="Day to which ages are counted; today if absent."
)
@click.option("--accept", is_flag=True, help="Write the suggestions into their jobs.")
@click.option("--by", default="command line", show_default=True, help="Who accepts them.")
def choose(
    folder: Path | None, nights: tuple[datetime, ...], on: datetime | None, accept: bool, by: str
) -> None:
    """Suggest a piece for every lantern of the nights, with reasons; what a person chose stays."""
    from planner.database.session import unit_of_work
    from planner.errors import PlannerError
    from planner.services import choosing

    try:
        factory, season = latest_season(settings_in(folder))
        today = on.date() if on else now().astimezone(season.zone).date()
        with unit_of_work(factory) as session:
            found = choosing.suggest(session, season.id, today=today, nights=[n.date() for n in nights])
            for one in found:
                click.echo(one.words)
            if accept:
                taken = choosing.accept(session, season.id, found, by=by, at=now())
                click.echo(f"{len(taken)} pieces chosen as suggested")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@click.command()
@click.option("--file", "source", type=click.Path(path_type=Path), required=True, help="JSON, see the guide.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--by", default="command line", show_default=True, help="Who enters them.")
def benches(source: Path, folder: Path | None, by: str) -> None:
    """Enter benches, carrier plates and hands with their skills; plans know of them from then on."""
    from planner.database.session import unit_of_work
    from planner.errors import PlannerError
    from planner.services.benches import enter

    try:
        factory, _ = latest_season(settings_in(folder))
        with unit_of_work(factory) as session:
            places, hands = enter(session, json_in(source), by=by, at=now())
        click.echo(f"{places} benches and sets of carriers, {hands} hands entered")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)
