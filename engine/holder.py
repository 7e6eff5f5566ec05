r"""Does the holder, or the cutter above its edges, run into the piece, its stem or its clamps?

A cutter in its holder is a stack of cones and cylinders about one axis. Places on their surfaces are put
where each move of a job ends and looked at: on the holder none may lie below the skin, on the whole stack
none inside a keep-out that stands out of the skin (a cylinder about its ray, as high as the settings say)::

      |______|  holder: from the stick-out up          .--.
        |  |    shank                                  |  |  stem, clamp: radius from the keep-outs file
        |__|    edges; the end flat, ball or cone    --'  '-- skin

Slugs and what is cut free count as standing: the piece is judged as it was probed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.frames import lonlat_of, normalised, unit_of
from engine.records import (
    CutPass,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    Ints,
    KeepOut,
    Rules,
    Severity,
    Surface,
    Toolpath,
)
from engine.surface import points_at, radius_at

_MOST_ROWS = (
    4000  # moves that are looked at; neighbours of a relief's rows lie much nearer than a holder is wide
)
_AROUND = 12  # places round each ring of a stack
_RING_MM = 8.0  # between the rings along a stack
_TOUCH_MM = 0.05  # so deep below the skin counts as touching it


def stack_of(cutter: Cutter) -> tuple[tuple[float, float, float, float], ...]:
    """Return a cutter and its holder as parts of a cone: from height, to height, radius there and there [mm].

    Heights are measured from the tip along the cutter's axis; the last part is the holder.

    Parameters
    ----------
    cutter : Cutter
        Its form, stick-out and holder.
    """
    r, out = cutter.radius_mm, cutter.stick_out_mm
    end: tuple[tuple[float, float, float, float], ...] = ()
    low = 0.0
    if cutter.form is CutterForm.BALL:  # four parts of cones round the ball
        angle = np.linspace(0.0, np.pi / 2, 5)
        rise, wide = r * (1 - np.cos(angle)), r * np.sin(angle)
        end = tuple(
            (float(rise[k]), float(rise[k + 1]), float(wide[k]), float(wide[k + 1])) for k in range(4)
        )
        low = r
    elif cutter.form in (CutterForm.CONE, CutterForm.DRILL) and cutter.tip_angle_deg < 179.0:
        low = r / float(np.tan(np.radians(cutter.tip_angle_deg) / 2))
        end = ((0.0, low, 0.0, r),)
    wide_holder = cutter.holder_diameter_mm / 2
    return (
        *end,
        (low, out, r, r),
        (out, out + cutter.holder_length_mm, wide_holder, wide_holder),
    )


def places_on(parts: Sequence[tuple[float, float, float, float]]) -> Floats:
    """Return places (n, 3) on a stack: across, across and along its axis [mm]; `parts` as in `stack_of`."""
    turn = np.arange(_AROUND) * 2 * np.pi / _AROUND
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    found = []
    for low, high, one, other in parts:
        rings = max(2, int(np.ceil((high - low) / _RING_MM)) + 1)
        for share in np.linspace(0.0, 1.0, rings):
            height, wide = low + share * (high - low), one + share * (other - one)
            found.append(np.column_stack([wide * circle, np.full(_AROUND, height)]))
        if one > 0:  # the lower face
            found.append(np.column_stack([0.5 * one * circle, np.full(_AROUND, low)]))
    return np.concatenate(found)


def holder_findings(
    toolpath: Toolpath,
    passes: Sequence[CutPass],
    surface: Surface,
    cutters: Sequence[Cutter],
    keep_outs: Sequence[KeepOut],
    rules: Rules,
) -> tuple[Finding, ...]:
    """Refuse moves at which the holder stands in the piece, or cutter or holder in a stem or clamp.

    Parameters
    ----------
    toolpath : Toolpath
        All moves of the job, travel too.
    passes : sequence of CutPass
        Names of what is being cut.
    surface : Surface
        The fitted skin.
    cutters : sequence of Cutter
        The job's cutters with their holders.
    keep_outs : sequence of KeepOut
        Stem, clamps and others.
    rules : Rules
        How far stem and clamps stand out.
    """
    rows = _looked_at(toolpath)
    solids = [(one, _height_mm(one, rules)) for one in keep_outs]
    solids = [(one, height) for one, height in solids if height > 0]
    found: list[Finding] = []
    for number in np.unique(toolpath.cutter[rows]):
        mine = rows[toolpath.cutter[rows] == number]
        parts = stack_of(cutters[int(number)])
        found += _in_the_piece(toolpath, mine, parts, passes, surface, cutters[int(number)])
        for one, height in solids:
            found += _in_a_solid(toolpath, mine, parts, passes, surface, one, height)
    return tuple(found)


def _looked_at(toolpath: Toolpath) -> Ints:
    """Return the rows to look at: all travel, and of the rest as many as are needed, evenly."""
    travel = np.flatnonzero(toolpath.pass_index < 0)
    cut = np.flatnonzero(toolpath.pass_index >= 0)
    step = max(1, int(np.ceil(len(cut) / _MOST_ROWS)))
    return np.sort(np.concatenate([travel, cut[::step]]))


def _height_mm(one: KeepOut, rules: Rules) -> float:
    return {"stem": rules.stem_height_mm, "clamp": rules.clamp_height_mm}.get(one.kind, 0.0)


def _placed(toolpath: Toolpath, rows: Ints, places: Floats) -> Floats:
    """Return places of a stack (rows, n, 3) in the work frame [mm]."""
    axis = toolpath.directions[rows]
    across = np.where(np.abs(axis[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    one = normalised(np.cross(axis, across))
    other = np.cross(axis, one)
    found: Floats = toolpath.tips_work_mm[rows][:, None] + (
        places[None, :, :1] * one[:, None]
        + places[None, :, 1:2] * other[:, None]
        + places[None, :, 2:] * axis[:, None]
    )
    return found


def _in_the_piece(
    toolpath: Toolpath,
    rows: Ints,
    parts: Sequence[tuple[float, float, float, float]],
    passes: Sequence[CutPass],
    surface: Surface,
    cutter: Cutter,
) -> list[Finding]:
    low, _, wide, _ = parts[-1]
    middle = toolpath.tips_work_mm[rows] + low * toolpath.directions[rows]
    near = np.linalg.norm(middle, axis=1) < float(surface.radius_mm.max()) + wide + _TOUCH_MM
    rows = rows[near]
    if not len(rows):
        return []
    at = _placed(toolpath, rows, places_on(parts[-1:]))
    size = np.linalg.norm(at, axis=2)
    inside = radius_at(surface, at / size[..., None]) - size
    deepest = inside.max(axis=1)
    worst = int(np.argmax(deepest))
    if deepest[worst] <= _TOUCH_MM:
        return []
    what = _doing(toolpath, int(rows[worst]), passes)
    return [
        _refused(
            f"the holder of {cutter.name} would stand {deepest[worst]:.1f} mm in the piece {what[0]}",
            "let the cutter stick out farther, take a longer one, or place the design where it leans less",
            what[1],
            at[worst, int(np.argmax(inside[worst]))],
            float(deepest[worst]),
        )
    ]


def _in_a_solid(
    toolpath: Toolpath,
    rows: Ints,
    parts: Sequence[tuple[float, float, float, float]],
    passes: Sequence[CutPass],
    surface: Surface,
    one: KeepOut,
    height_mm: float,
) -> list[Finding]:
    """Look at every place of the stack in a cylinder about the keep-out's ray, from below the skin up."""
    ray = unit_of(one.longitude_rad, one.latitude_rad)
    foot = float(np.linalg.norm(points_at(surface, ray[None])[0]))
    top = foot + height_mm
    tip, axis = toolpath.tips_work_mm[rows], toolpath.directions[rows]
    far = np.array([[low, high, max(a, b)] for low, high, a, b in parts])
    reach = float(far[:, 2].max()) + one.radius_mm
    # the stack's axis comes near the ray, and not above the top all along
    ends = tip[:, None] + np.array([0.0, far[:, 1].max()])[None, :, None] * axis[:, None]
    near = _gap(ends[:, 0], ends[:, 1], foot * ray * 0.5, top * ray) < reach
    rows = rows[near]
    if not len(rows):
        return []
    at = _placed(toolpath, rows, places_on(parts))
    along = at @ ray
    aside = np.linalg.norm(at - along[..., None] * ray, axis=2)
    inside = np.where((along > 0.5 * foot) & (along < top), one.radius_mm - aside, -np.inf)
    deepest = inside.max(axis=1)
    worst = int(np.argmax(deepest))
    if deepest[worst] <= _TOUCH_MM:
        return []
    what = _doing(toolpath, int(rows[worst]), passes)
    return [
        _refused(
            f"cutter or holder would stand {deepest[worst]:.1f} mm in the {one.kind} {what[0]}",
            f"place the design farther from the {one.kind}, shorten it, or raise the clearance",
            what[1],
            at[worst, int(np.argmax(inside[worst]))],
            float(deepest[worst]),
        )
    ]


def _gap(start: Floats, end: Floats, foot: Floats, top: Floats) -> Floats:
    """Return no more than the distance of segments (n, 3) to one segment: sampled, less half a step [mm]."""
    share = np.linspace(0.0, 1.0, 9)[:, None]
    along = start[:, None] + share[None] * (end - start)[:, None]
    line = top - foot
    at = np.clip((along - foot) @ line / float(line @ line), 0.0, 1.0)
    apart = np.linalg.norm(along - foot - at[..., None] * line, axis=2).min(axis=1)
    step = np.linalg.norm(end - start, axis=1) / 16
    found: Floats = apart - step
    return found


def _doing(toolpath: Toolpath, row: int, passes: Sequence[CutPass]) -> tuple[str, str]:
    """Return in words what a move does, and the region's name."""
    index = int(toolpath.pass_index[row])
    if index >= 0:
        return f"at {passes[index].name}", passes[index].region
    ahead = toolpath.pass_index[row:]
    after = int(ahead[ahead >= 0][0]) if (ahead >= 0).any() else -1
    if after < 0:
        return "on the way home", ""
    return f"on the way to {passes[after].name}", passes[after].region


def _refused(text: str, fix: str, place: str, at: Floats, deep_mm: float) -> Finding:
    lon, lat = lonlat_of(at)
    return Finding(
        Severity.REFUSE,
        "holder",
        text,
        fix,
        place=place,
        longitude_deg=round(float(np.degrees(lon)), 2),
        latitude_deg=round(float(np.degrees(lat)), 2),
        measured=round(deep_mm, 2),
        allowed=0.0,
        unit="mm",
    )
