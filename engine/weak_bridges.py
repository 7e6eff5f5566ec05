"""Which passes run on both sides of a weak bridge? They are not cut one straight after the other.

Each opening takes support from the material beside it, and shakes it. Where two openings leave little more
between them than a bridge or a web must have, the second one is cut when the cutter has been elsewhere
(common practice: never both sides of a thin bridge in one go).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from engine.design_on_skin import DesignOnSkin, mapped
from engine.records import Chart, CutPass, Finding, Floats, Layers, Order, Rules, Severity, Surface, Wall
from engine.webs import bridge_minimum_mm, find_webs, web_minimum_mm

_WEAK_SHARE = 1.25  # of the width that the rule asks: what is less is not refused and not yet stiff


def kept_apart(
    passes: Sequence[CutPass], layers: Layers, chart: Chart, surface: Surface, wall: Wall, rules: Rules
) -> tuple[CutPass, ...]:
    """Return passes that name those across a weak bridge from them, each with its reason.

    Parameters
    ----------
    passes : sequence of CutPass
        The passes of a design.
    layers : Layers
        The design on the sheet.
    chart : Chart
        Where it lies on the skin.
    surface : Surface
        The fitted skin.
    wall : Wall
        Wall readings.
    rules : Rules
        Widths that bridges and webs must have.
    """
    design = mapped(layers, chart, surface, wall, (), rules)
    webs = find_webs(design)
    beside: dict[int, dict[str, str]] = {}
    for k in np.argsort(webs.width_mm, kind="stable"):
        width, length, thick = (float(v[k]) for v in (webs.width_mm, webs.length_mm, webs.wall_mm))
        needed = max(bridge_minimum_mm(length, thick, rules), web_minimum_mm(thick, rules))
        ends = int(webs.one[k]), int(webs.other[k])
        if width >= _WEAK_SHARE * needed or design.region[ends[0]] == design.region[ends[1]]:
            continue
        near = [_nearest_pass(passes, design, end) for end in ends]
        for mine, other in (near, near[::-1]):
            if mine is not None and other is not None:
                why = (
                    f"not straight before or after {passes[other].name}: the material between them is only "
                    f"{width:.1f} mm wide, it must be {needed:.1f} mm"
                )
                beside.setdefault(mine, {}).setdefault(passes[other].name, why)
    return tuple(
        replace(one, apart=tuple(beside[i]), apart_reasons=tuple(beside[i].values())) if i in beside else one
        for i, one in enumerate(passes)
    )


def _nearest_pass(passes: Sequence[CutPass], design: DesignOnSkin, end: int) -> int | None:
    """Return the pass of a boundary point's own region that comes nearest to it."""
    name, place = design.named(int(design.region[end])), design.skin[end]
    own = [i for i, one in enumerate(passes) if one.region == name]
    return min(own, key=lambda i: _gap_mm(passes[i].skin_work_mm, place), default=None)


def _gap_mm(line: Floats, place: Floats) -> float:
    return float(np.linalg.norm(line - place, axis=1).min())


def apart_pairs(passes: Sequence[CutPass]) -> tuple[tuple[int, int], ...]:
    """Return the pairs of passes, by index, that must not follow each other; what is not there is left out.

    Parameters
    ----------
    passes : sequence of CutPass
        The passes to be ordered.
    """
    index = {one.name: i for i, one in enumerate(passes)}
    found = {
        (min(i, index[name]), max(i, index[name]))
        for i, one in enumerate(passes)
        for name in one.apart
        if name in index
    }
    return tuple(sorted(found))


def together_findings(order: Order, passes: Sequence[CutPass]) -> tuple[Finding, ...]:
    """Return a finding for each pair across a weak bridge that is cut in one go all the same.

    Parameters
    ----------
    order : Order
        The order that was found.
    passes : sequence of CutPass
        The passes it orders.
    """
    return tuple(
        Finding(
            Severity.NOTE,
            "weak bridge",
            f"{passes[first].name} and {passes[then].name} lie across a weak bridge and are cut one after "
            "the other: no order was found that puts another pass between them",
            "watch the bridge, or move the openings apart",
            place=passes[then].region,
        )
        for first, then in order.together
    )
