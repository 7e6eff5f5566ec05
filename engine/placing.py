"""Does the design lie in a good place? Rules about where it is: poles, stem, base, clamp, blemishes, viewers.

Each rule is one function that returns findings, the worst first.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from engine.chart import to_sheet
from engine.design_on_skin import DesignOnSkin, finding
from engine.frames import lonlat_of, unit_of
from engine.records import Finding, Floats, KeepOut, Severity, Surface, Treatment
from engine.surface import deviation_at, masked_at, points_at

_UNKNOWN_WARN_MM, _UNKNOWN_STOP_MM = 1.0, 2.5
_ONE_VIEW_DEG, _ROUND_DEG = 120.0, 300.0  # 60 deg to either side of the front; common practice
_SOFT_KEEP_OUTS = ("blemish",)  # what is ugly and not dangerous


def latitudes(design: DesignOnSkin) -> list[Finding]:
    """Refuse or warn of each region that reaches too far towards a pole, where the design shrinks."""
    rules = design.rules
    at = np.stack([design.longitude, design.latitude], axis=1)
    parts = [(region.name, at[design.points_of(k)]) for k, region in enumerate(design.regions)]
    if len(design.tones):
        parts.append(("tones", design.tones))
    found = []
    for name, points in parts:
        worst = points[np.argmax(np.abs(points[:, 1]))]
        reached = math.degrees(abs(float(worst[1])))
        if reached <= rules.latitude_warn_deg:
            continue
        stop = reached > rules.latitude_stop_deg
        allowed = rules.latitude_stop_deg if stop else rules.latitude_warn_deg
        word = "allowed" if stop else "advised"
        text = f"{name} reaches latitude {reached:.1f} deg, {word} is {allowed:g} deg"
        found.append(
            finding(
                Severity.REFUSE if stop else Severity.WARN,
                "latitude",
                text,
                "make the design smaller or place it nearer the middle",
                at=worst,
                place=name,
                measured=round(reached, 2),
                allowed=allowed,
                unit="deg",
            )
        )
    return sorted(found, key=lambda f: -(f.measured or 0.0))


def once_round(design: DesignOnSkin) -> list[Finding]:
    """Refuse a design that goes round the piece more than once, or an opening that goes all the way."""
    extents = [("the design", design.longitude)] if len(design.longitude) else []
    extents += [
        (region.name, design.longitude[design.points_of(k)])
        for k, region in enumerate(design.regions)
        if region.treatment == Treatment.OPENING
    ]
    found = []
    for name, longitude in extents:
        reach = math.degrees(float(np.ptp(longitude)))
        whole = name == "the design"
        if reach > 360.0 + 1e-6 or (not whole and reach > 360.0 - 1e-6):
            reason = "it would be cut over itself" if whole else "the piece would come apart"
            found.append(
                finding(
                    Severity.REFUSE,
                    "once round",
                    f"{name} goes {reach:.1f} deg round the piece, {reason}",
                    "make the design narrower",
                    place=name,
                    measured=round(reach, 2),
                    allowed=360.0,
                    unit="deg",
                )
            )
    return found


def overhangs(design: DesignOnSkin) -> list[Finding]:
    """Refuse regions where one direction meets the skin twice: nobody knows what would be cut there."""
    found = []
    for name, units in _parts(design):
        hidden = masked_at(design.surface, units)
        if hidden.any():
            found.append(
                finding(
                    Severity.REFUSE,
                    "overhang",
                    f"{name} lies where the skin overhangs, at {int(hidden.sum())} places of its edge",
                    "place the design elsewhere",
                    at=np.array(lonlat_of(units[hidden].mean(axis=0))),
                    place=name,
                    measured=float(hidden.sum()),
                    allowed=0.0,
                    unit="places",
                )
            )
    return found


def keep_outs(design: DesignOnSkin) -> list[Finding]:
    """Refuse what is cut into a keep-out, and warn of what comes nearer to one than its margin."""
    found = []
    for one in design.keep_outs:
        middle = points_at(design.surface, unit_of(one.longitude_rad, one.latitude_rad)[None])[0]
        for name, units in _parts(design):
            clear = _along_skin_mm(points_at(design.surface, units), middle) - one.radius_mm
            nearest = int(np.argmin(clear))
            gap = float(clear[nearest])
            if _covers(design, name, one):
                gap = -one.radius_mm
            if gap >= one.margin_mm:
                continue
            inside = gap < 0.0
            where = "reaches into" if inside else f"comes within {gap:.1f} mm of"
            found.append(
                finding(
                    Severity.REFUSE if inside and one.kind not in _SOFT_KEEP_OUTS else Severity.WARN,
                    f"keep-out: {one.kind}",
                    f"{name} {where} the {one.kind}, {one.margin_mm:g} mm are to be left",
                    f"move the design away from the {one.kind}, turn it or make it smaller",
                    at=np.array(lonlat_of(units[nearest])),
                    place=name,
                    measured=round(gap, 1),
                    allowed=one.margin_mm,
                    unit="mm",
                )
            )
    return sorted(found, key=lambda f: f.measured if f.measured is not None else 0.0)


def _covers(design: DesignOnSkin, name: str, one: KeepOut) -> bool:
    """Tell whether a region lies all over the middle of a keep-out, however far its edge is from it."""
    at = to_sheet(design.chart, np.array([one.longitude_rad]), np.array([one.latitude_rad]))[0]
    if not np.isfinite(at).all():
        return False
    spot = shapely.Point(*at)
    if name == "tones":
        tones = design.layers.tones
        if tones is None:
            return False
        row = int(tones.mask.shape[0] / 2 - at[1] / tones.pixel_mm)
        column = int(tones.mask.shape[1] / 2 + at[0] / tones.pixel_mm)
        inside = 0 <= row < tones.mask.shape[0] and 0 <= column < tones.mask.shape[1]
        return inside and bool(tones.mask[row, column])
    return any(region.polygon.contains(spot) for region in design.regions if region.name == name)


def _along_skin_mm(points: Floats, middle: Floats) -> Floats:
    """Return the way along the skin from a place to others: on a circle through both about the origin."""
    chord = np.linalg.norm(points - middle, axis=1)
    radius = (np.linalg.norm(points, axis=1) + float(np.linalg.norm(middle))) / 2
    return np.asarray(2 * radius * np.arcsin(np.minimum(chord / (2 * radius), 1.0)), np.float64)


def _parts(design: DesignOnSkin) -> list[tuple[str, Floats]]:
    """Return each region and the tone picture by name, with the directions of its edge."""
    parts = [(r.name, design.unit[design.points_of(k)]) for k, r in enumerate(design.regions)]
    if len(design.tones):
        parts.append(("tones", unit_of(design.tones[:, 0], design.tones[:, 1])))
    return [(name, units) for name, units in parts if len(units)]


def above_base(design: DesignOnSkin) -> list[Finding]:
    """Warn of openings that leave too little of the ring on which the piece stands."""
    opening = np.array(design.is_opening(), bool)
    if not opening.any():
        return []
    height = design.skin[:, 2] - float((design.surface.radius_mm * _sines(design.surface)).min())
    found = []
    for k in np.flatnonzero(opening):
        at = design.points_of(int(k))
        lowest = at[np.argmin(height[at])]
        if height[lowest] >= design.rules.above_base_mm:
            continue
        found.append(
            finding(
                Severity.WARN,
                "height above base",
                f"{design.named(int(k))} begins {height[lowest]:.0f} mm above the lowest point, "
                f"advised are {design.rules.above_base_mm:g} mm",
                "place the design higher",
                at=np.array(lonlat_of(design.unit[lowest])),
                place=design.named(int(k)),
                measured=round(float(height[lowest]), 1),
                allowed=design.rules.above_base_mm,
                unit="mm",
            )
        )
    return sorted(found, key=lambda f: f.measured or 0.0)


def _sines(surface: Surface) -> Floats:
    rows = np.linspace(-np.pi / 2, np.pi / 2, surface.radius_mm.shape[0])
    found: Floats = np.sin(rows)[:, None]
    return found


def seen_from_one_side(design: DesignOnSkin) -> list[Finding]:
    """Note a picture that is too wide for one viewer and yet does not go round."""
    longitude = np.concatenate([design.longitude, design.tones[:, 0]])
    if not len(longitude):
        return []
    reach = math.degrees(float(np.ptp(longitude)))
    if not _ONE_VIEW_DEG < reach < _ROUND_DEG:
        return []
    return [
        finding(
            Severity.NOTE,
            "seen from one side",
            f"the design spans {reach:.0f} deg of the round; one viewer sees {_ONE_VIEW_DEG:g} deg well",
            "make it narrower if it is looked at from one place only",
            place="the design",
            measured=round(reach, 1),
            allowed=_ONE_VIEW_DEG,
            unit="deg",
        )
    ]


def unknown_skin(design: DesignOnSkin) -> list[Finding]:
    """Refuse or warn of regions that lie where the skin was not probed."""
    deviation = deviation_at(design.surface, design.unit)
    parts = [
        (region.name, design.unit[at], deviation[at])
        for at, region in ((design.points_of(k), r) for k, r in enumerate(design.regions))
    ]
    if len(design.tones):
        rim = unit_of(design.tones[:, 0], design.tones[:, 1])
        parts.append(("tones", rim, deviation_at(design.surface, rim)))
    found = []
    for name, units, spread in parts:
        worst = int(np.argmax(spread))
        if spread[worst] <= _UNKNOWN_WARN_MM:
            continue
        stop = bool(spread[worst] > _UNKNOWN_STOP_MM)
        allowed = _UNKNOWN_STOP_MM if stop else _UNKNOWN_WARN_MM
        found.append(
            finding(
                Severity.REFUSE if stop else Severity.WARN,
                "not probed here",
                f"the skin under {name} is known to {spread[worst]:.1f} mm only, "
                f"{'allowed' if stop else 'advised'} are {allowed:g} mm",
                "touch more places there and fit again",
                at=np.array(lonlat_of(units[worst])),
                place=name,
                measured=round(float(spread[worst]), 2),
                allowed=allowed,
                unit="mm",
            )
        )
    return sorted(found, key=lambda f: -(f.measured or 0.0))
