"""Is a scan still true? Produce dries and shrinks from the hour it is probed, fastest when it is hollow.

A piece that has lost the share w of its weight in water has lost about as much of its volume, and so the
share 1 - (1 - w)^(1/3) of every length. The hours are common practice; with the loss of a hollow piece in
shop air, 4 % a day, four hours make 0.3 mm on a radius of 140 mm, which is what an outline may be off.
"""

from __future__ import annotations

import math
from datetime import datetime

from engine.errors import BadInput
from engine.records import Finding, PieceState, ProbeScan, Rules, Severity, Surface

_STOP = 2.0  # a scan this many times older than is valid is refused
_STEADY_H = 0.25  # clocks of two computers may differ by this


def valid_h(state: PieceState, rules: Rules) -> float:
    """Return how old a scan of a piece in a state may be [h]; `rules` hold the hours."""
    return {
        PieceState.WHOLE: rules.scan_valid_whole_h,
        PieceState.HOLLOW: rules.scan_valid_hollow_h,
        PieceState.HOLLOW_COLD: rules.scan_valid_cold_h,
    }[state]


def shrunk_mm(radius_mm: float, state: PieceState, age_h: float, rules: Rules) -> float:
    """Return by how much a piece has shrunk since it was probed [mm].

    Parameters
    ----------
    radius_mm : float
        Of the piece when it was probed [mm].
    state : PieceState
        What it was then, and has been since.
    age_h : float
        How long that is ago [h].
    rules : Rules
        Water lost a day.
    """
    a_day = {
        PieceState.WHOLE: rules.water_loss_whole,
        PieceState.HOLLOW: rules.water_loss_hollow,
        PieceState.HOLLOW_COLD: rules.water_loss_cold,
    }[state]
    lost = min(a_day * age_h / 24.0, 1.0)
    return radius_mm * (1.0 - math.cbrt(1.0 - lost))


def age_findings(
    scan: ProbeScan, surface: Surface, now: datetime | None, rules: Rules
) -> tuple[Finding, ...]:
    """Warn of a scan that is older than is valid for the piece's state, and refuse one twice as old.

    Parameters
    ----------
    scan : ProbeScan
        Its time and the piece's state; where the file says neither, nothing is judged.
    surface : Surface
        The fitted skin; gives the size.
    now : datetime or None
        When the piece is to be cut, with its zone; None: nobody knows.
    rules : Rules
        Hours and losses.
    """
    if scan.taken_at is None or now is None:
        return ()
    age_h = (now - scan.taken_at).total_seconds() / 3600.0
    if age_h < -_STEADY_H:
        raise BadInput(f"the scan was taken at {scan.taken_at.isoformat()}, expected a time before now")
    state = scan.state or PieceState.HOLLOW  # where nobody said: the state that keeps least
    allowed = valid_h(state, rules)
    if age_h <= allowed:
        return ()
    shrunk = shrunk_mm(float(surface.radius_mm.max()), state, age_h, rules)
    stop = age_h > _STOP * allowed
    return (
        Finding(
            Severity.REFUSE if stop else Severity.WARN,
            "scan age",
            f"the scan is {age_h:.1f} h old, a {state} piece may have shrunk by {shrunk:.1f} mm since; "
            f"{'allowed' if stop else 'advised'} are {_STOP * allowed if stop else allowed:g} h",
            "touch six to nine places again and refit, or probe it afresh",
            measured=round(age_h, 2),
            allowed=_STOP * allowed if stop else allowed,
            unit="h",
        ),
    )


def weight_findings(scan: ProbeScan, now_kg: float | None, rules: Rules) -> tuple[Finding, ...]:
    """Refuse a piece that has lost too much weight since it was probed.

    Parameters
    ----------
    scan : ProbeScan
        How heavy the piece was then; where the file does not say, nothing is judged.
    now_kg : float or None
        How heavy it is now; None: not weighed [kg].
    rules : Rules
        The share that may be lost.
    """
    if scan.weight_kg is None or now_kg is None:
        return ()
    if not now_kg > 0:
        raise BadInput(f"weight {now_kg:g} kg: more than nought was expected")
    lost = 1.0 - now_kg / scan.weight_kg
    if lost <= rules.weight_loss_stop:
        return ()
    return (
        Finding(
            Severity.REFUSE,
            "weight",
            f"the piece has lost {100 * lost:.1f} % of its weight since it was probed, "
            f"allowed are {100 * rules.weight_loss_stop:g} %",
            "probe it afresh",
            measured=round(100 * lost, 2),
            allowed=100 * rules.weight_loss_stop,
            unit="%",
        ),
    )
