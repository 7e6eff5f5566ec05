"""Can it be seen and read from where people stand? Letters' height and stroke, and slots too fine to be seen.

Capitals must be so high for each metre of distance (an inch for ten feet is the sign maker's custom, from
memory), and cut through no lower than 30 mm with strokes of 8; as a relief no lower than 20. What is a letter
the drawing says by its class; a word's capitals are as high as its highest letter.
"""

from __future__ import annotations

import numpy as np
import shapely

from engine.design_on_skin import DesignOnSkin, at_true_scale, finding
from engine.frames import lonlat_of
from engine.records import Finding, Severity, Treatment

_MOST_LETTERS = 12  # round the piece; common practice


def letters(design: DesignOnSkin) -> list[Finding]:
    """Warn of words that are too low or too thin to be read, or too long to be seen at once."""
    rules = design.rules
    found = []
    for treatment, floor in (
        (Treatment.OPENING, rules.cap_height_opening_mm),
        (Treatment.RELIEF, rules.cap_height_relief_mm),
    ):
        mine = [k for k, r in enumerate(design.regions) if r.letters and r.treatment == treatment]
        if not mine:
            continue
        drawn = at_true_scale(design, mine)
        bounds = shapely.bounds(drawn)
        heights = bounds[:, 3] - bounds[:, 1]
        tallest = mine[int(np.argmax(heights))]
        needed = max(floor, rules.cap_height_mm_per_m * rules.viewing_m)
        if heights.max() < needed:
            found.append(
                _told(
                    design,
                    tallest,
                    "letter height",
                    f"capitals are {heights.max():.1f} mm high, {needed:g} mm are read from "
                    f"{rules.viewing_m:g} m",
                    "draw the word larger, or leave it out",
                    float(heights.max()),
                    needed,
                    "mm",
                )
            )
        if treatment is Treatment.OPENING:
            found += _strokes(design, mine, drawn)
        if len(mine) > _MOST_LETTERS:
            found.append(
                _told(
                    design,
                    mine[0],
                    "letter count",
                    f"{len(mine)} letters go round the piece, {_MOST_LETTERS} are read at most",
                    "take a shorter word",
                    float(len(mine)),
                    float(_MOST_LETTERS),
                    "letters",
                )
            )
    return found


def _strokes(design: DesignOnSkin, mine: list[int], drawn: np.typing.NDArray[np.object_]) -> list[Finding]:
    """Warn of letters whose strokes are thinner than light shows well: the widest circle that fits in."""
    needed = design.rules.letter_stroke_mm
    wide = np.array([2 * shapely.maximum_inscribed_circle(p, tolerance=0.05).length for p in drawn])
    return [
        _told(
            design,
            mine[k],
            "letter stroke",
            f"the strokes of {design.named(mine[k])} are {wide[k]:.1f} mm wide, {needed:g} mm are read well",
            "draw the letters bolder",
            float(wide[k]),
            needed,
            "mm",
        )
        for k in np.argsort(wide)
        if wide[k] < needed - 0.05
    ]


def fine_slots(design: DesignOnSkin) -> list[Finding]:
    """Note openings that are nowhere wide enough to be seen from five metres."""
    mine = [k for k, is_opening in enumerate(design.is_opening()) if is_opening]
    if not mine:
        return []
    needed = design.rules.slot_seen_mm
    drawn = at_true_scale(design, mine)
    fine = np.flatnonzero(shapely.is_empty(shapely.buffer(drawn, -needed / 2, quad_segs=4)))
    found = []
    for k in fine:
        wide = 2 * shapely.maximum_inscribed_circle(drawn[k], tolerance=0.05).length
        found.append(
            _told(
                design,
                mine[k],
                "fine slot",
                f"{design.named(mine[k])} is at most {wide:.1f} mm wide, from 5 m {needed:g} mm are seen",
                "draw it wider",
                wide,
                needed,
                "mm",
                Severity.NOTE,
            )
        )
    return sorted(found, key=lambda f: f.measured or 0.0)


def _told(
    design: DesignOnSkin,
    region: int,
    rule: str,
    text: str,
    fix: str,
    measured: float,
    allowed: float,
    unit: str,
    severity: Severity = Severity.WARN,
) -> Finding:
    at = design.skin[design.points_of(region)].mean(axis=0)
    return finding(
        severity,
        rule,
        text,
        fix,
        at=np.array(lonlat_of(at)),
        place=design.named(region),
        measured=round(measured, 2),
        allowed=round(allowed, 2),
        unit=unit,
    )
