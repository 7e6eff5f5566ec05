"""What does a chart make of a design on this piece? Sizes along the skin, distortion, and a picture of it."""

from __future__ import annotations

import math
from pathlib import Path

import click

_FILE = click.Path(path_type=Path)
_PROJECTIONS = (
    "own-mercator",
    "mercator",
    "equirectangular",
    "equal-area",
    "stereographic",
    "equal-area-about",
    "equidistant-about",
    "gnomonic",
)


@click.command()
@click.option("--artwork", type=_FILE, required=True, help="SVG, PNG, JPEG or TIFF.")
@click.option("--touches", type=_FILE, required=True, help="Probe file, CSV.")
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the file does not say [mm].")
@click.option("--width-mm", type=float, help="Width of the design [mm]; a drawing knows its own.")
@click.option("--longitude", type=float, default=0.0, show_default=True, help="Middle of the design [deg].")
@click.option(
    "--latitude", type=click.FloatRange(-80, 80), default=5.0, show_default=True, help="Its middle [deg]."
)
@click.option("--turn", type=float, default=0.0, show_default=True, help="Counter-clockwise [deg].")
@click.option("--projection", type=click.Choice(_PROJECTIONS), default="own-mercator", show_default=True)
@click.option(
    "--as-drawn", type=click.Choice(["width", "height", "area"]), help="Say at which width it comes out so."
)
@click.option("--picture", type=_FILE, help="Where a picture of the distortion goes, SVG.")
def chart(
    artwork: Path,
    touches: Path,
    tip_radius_mm: float | None,
    width_mm: float | None,
    longitude: float,
    latitude: float,
    turn: float,
    projection: str,
    as_drawn: str | None,
    picture: Path | None,
) -> None:
    """Say how large a design comes out along the skin, and how much a chart stretches and skews it."""
    from engine.artwork import read_artwork
    from engine.chart import Projection, chart_of
    from engine.distortion import as_big_as_drawn, distortion_svg, size_on_skin
    from engine.errors import EngineError
    from engine.files import read_touches, text_of
    from engine.records import Placement
    from engine.surface import fit_surface
    from planner.commands.touching import refused

    try:
        layers = read_artwork(artwork.read_bytes(), artwork.name, width_mm=width_mm)
        scan = read_touches(text_of(touches.read_bytes(), touches.name), touches.name, tip_radius_mm)
        surface, _ = fit_surface(scan)
        place = Placement(math.radians(longitude), math.radians(latitude), math.radians(turn))
        laid = chart_of(surface, place, Projection(projection))
        box = layers.width_mm, layers.height_mm
        found = size_on_skin(surface, laid, *box)
        factor = as_big_as_drawn(surface, laid, *box, as_drawn) if as_drawn else None
        if picture:
            picture.write_text(distortion_svg(surface, laid, *box, artwork.name), encoding="utf-8")
    except (EngineError, OSError) as error:
        refused(error, picture or artwork)
    click.echo(
        f"{projection}: {box[0]:.1f} x {box[1]:.1f} mm drawn are "
        f"{found.across_mm:.1f} x {found.up_mm:.1f} mm along the skin, "
        f"{100 * found.area_share:.0f} % of the area; parts come out at "
        f"{found.smallest_scale:.2f} to {found.largest_scale:.2f} of their size, "
        f"angles off by up to {found.angle_deg:.1f} deg"
    )
    if factor is not None:
        click.echo(f"--width-mm {factor * box[0]:.1f} makes its {as_drawn} as drawn")
