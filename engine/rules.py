"""By which settings is a kind of produce judged and cut? Starting values, common practice, all editable."""

from __future__ import annotations

from dataclasses import replace

from engine.errors import BadInput
from engine.records import Rules

_BY_KIND = {
    "squash": Rules(),
    "turnip": Rules(
        kind="turnip",
        web_floor_mm=5.0,
        bridge_floor_mm=5.0,
        relief_min_wall_mm=3.0,
        overshoot_mm=2.0,
    ),
    "gourd": Rules(
        kind="gourd",
        web_floor_mm=3.0,
        web_share_of_wall=0.3,
        bridge_floor_mm=3.0,
        bridge_strength_mpa=2.0,
        overshoot_mm=2.0,
        rind_step_mm=1.5,
        open_share_piece=0.45,
        relief_min_wall_mm=3.0,
    ),
    "foam": Rules(kind="foam", web_floor_mm=5.0, bridge_floor_mm=4.0),
}


def rules_for(kind: str, **changed: float) -> Rules:
    """Return the settings of a kind of produce, with single settings changed by name.

    Parameters
    ----------
    kind : str
        squash, turnip, gourd or foam.
    **changed : float
        Settings of `Rules` to replace, each in the unit its name says [mm, deg, MPa or -].
    """
    if kind not in _BY_KIND:
        raise BadInput(f"kind of produce {kind!r}: one of {', '.join(_BY_KIND)} was expected")
    return replace(_BY_KIND[kind], **changed)  # type: ignore[arg-type]
