"""Which designs does the season show? Their drawings, sizes, places and cutters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from seed_demo import bands, pictures, reliefs
from seed_demo.outlines import svg_text
from seed_demo.pictures import Shapes

_CIRCUMFERENCE_MM = {"squash": 892.0, "gourd": 502.0}


@dataclass(frozen=True, slots=True)
class DemoDesign:
    """A design of the season: what it is cut from, how large, where on the piece and with what."""

    name: str
    kind: str  # squash, turnip (swedes too) or gourd
    treatment: str  # "opening" or "relief"
    width_mm: float | None  # None = all the way round
    height_mm: float
    latitude_deg: float  # of the middle
    cutters: tuple[str, ...]  # types allowed, the first is meant
    areas: tuple[str, ...]  # station areas that show it
    openings: int
    bridge_mm: (
        float  # thinnest bridge on the skin of a piece of the usual size; of a relief, its thinnest wall
    )
    wall_mm: float  # to which the wall is thinned for it
    tones: int = 0

    @property
    def all_round(self) -> bool:
        """Whether the design closes round the piece."""
        return self.width_mm is None

    @property
    def file_name(self) -> str:
        """Return the name of its artwork file."""
        return self.name.lower().replace(" ", "-") + (".png" if self.treatment == "relief" else ".svg")


_FLAT6, _FLAT4, _FLAT3 = "6 mm flat", "4 mm flat", "3 mm flat"
_BALLS = ("6 mm ball", "3 mm ball")
_LIME, _GATE, _ORANGERY, _ROOT, _PERGOLA = "Lime Walk", "Gate", "Orangery", "Root Row", "Pergola"

_DESIGNS = (
    DemoDesign("Fern Spiral", "squash", "opening", 181, 193, 0, (_FLAT6,), (_LIME,), 30, 8.5, 20),
    DemoDesign("Moon over Reeds", "squash", "opening", 197, 173, 0, (_FLAT6,), (_LIME,), 11, 10.0, 22),
    DemoDesign("Nine Waves", "squash", "opening", None, 110, 0, (_FLAT6,), (_GATE, _LIME), 18, 12, 22),
    DemoDesign("Leaf Fall", "squash", "opening", 222, 174, 0, (_FLAT6,), (_LIME,), 27, 8.0, 20),
    DemoDesign("Honeycomb Drift", "squash", "opening", 233, 169, 0, (_FLAT6,), (_LIME,), 58, 8.0, 20),
    DemoDesign("Star Chart North", "squash", "opening", None, 146, 0, (_FLAT4,), (_LIME,), 72, 9.0, 22),
    DemoDesign("Running Fox", "squash", "opening", 209, 126, 5, (_FLAT6,), (_GATE, _LIME), 7, 10.5, 22),
    DemoDesign("Moth Pair", "squash", "opening", 203, 116, 5, (_FLAT4, _FLAT3), (_LIME,), 16, 6.0, 16),
    DemoDesign("Knot Border", "squash", "opening", None, 84, 0, (_FLAT6,), (_GATE, _LIME), 47, 8.5, 22),
    DemoDesign("Root Rune", "turnip", "opening", 68, 64, 5, (_FLAT3,), (_ROOT,), 6, 6.0, 13),
    DemoDesign("Gourd Lace", "gourd", "opening", None, 116, 0, (_FLAT3,), (_PERGOLA,), 96, 4.0, 6),
    DemoDesign("Owl in Mist", "squash", "relief", 150, 170, 5, _BALLS, (_ORANGERY,), 0, 5, 16, tones=5),
    DemoDesign("Fox Asleep", "squash", "relief", 190, 130, 5, _BALLS, (_ORANGERY,), 0, 5, 16, tones=6),
    DemoDesign("Full Moon", "squash", "relief", 140, 140, 5, _BALLS, (_ORANGERY,), 0, 4, 16, tones=7),
    DemoDesign("Bad Badge", "squash", "opening", 80, 95, 68, (_FLAT6,), (), 3, 3, 22),
)

_PICTURES: dict[str, Callable[[], Shapes]] = {
    "Fern Spiral": pictures.fern_spiral,
    "Moon over Reeds": pictures.moon_over_reeds,
    "Leaf Fall": pictures.leaf_fall,
    "Honeycomb Drift": pictures.honeycomb_drift,
    "Running Fox": pictures.running_fox,
    "Moth Pair": pictures.moth_pair,
    "Root Rune": pictures.root_rune,
    "Bad Badge": pictures.bad_badge,
}
_BANDS: dict[str, Callable[[float], Shapes]] = {
    "Nine Waves": bands.nine_waves,
    "Star Chart North": bands.star_chart_north,
    "Knot Border": bands.knot_border,
    "Gourd Lace": bands.gourd_lace,
}
_RELIEFS: dict[str, Callable[[], bytes]] = {
    "Owl in Mist": reliefs.owl_in_mist,
    "Fox Asleep": reliefs.fox_asleep,
    "Full Moon": reliefs.full_moon,
}


def designs() -> tuple[DemoDesign, ...]:
    """Return the season's designs; Bad Badge, the last, is wrong on purpose and shown nowhere."""
    return _DESIGNS


def design(name: str) -> DemoDesign:
    """Return one design by its name."""
    return next(found for found in _DESIGNS if found.name == name)


@cache
def openings(name: str, circumference_mm: float | None = None) -> Shapes:
    """Return a through design's openings, x right, y up, its middle at the origin [mm].

    Parameters
    ----------
    name : str
        A design cut through.
    circumference_mm : float, optional
        Way round the piece at the middle of the design, for a design that goes all round; a usual piece's
        if absent [mm].
    """
    if name in _BANDS:
        return _BANDS[name](circumference_mm or _CIRCUMFERENCE_MM[design(name).kind])
    return _PICTURES[name]()


def drawing(name: str, circumference_mm: float | None = None) -> str | bytes:
    """Return a design's artwork: SVG text of its openings, or a relief's PNG bytes.

    Parameters
    ----------
    name : str
        One of `designs()`.
    circumference_mm : float, optional
        As for `openings` [mm].
    """
    if name in _RELIEFS:
        return _RELIEFS[name]()
    return svg_text(openings(name, circumference_mm), name)
