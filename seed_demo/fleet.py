"""Which machines, cutters and fixtures does the season have? Five unlike machines, as their files say.

Rooms: millimetres, each machine's own; the seat is where the middle of a piece stands. Every travel is long
enough for a shell 60 mm outside the skin of the largest piece the machine takes, and for a middle that sits
15 mm off the seat. Speeds are the trade's; accelerations are common practice for light home-built frames.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

Vector = tuple[float, float, float]
_LARGE, _SMALL = ("squash", "foam"), ("turnip", "gourd")
_X, _Y, _Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class MachineCard:
    """What the shift lead knows of a machine beyond its axes."""

    name: str
    build: str
    largest_mm: float  # diameter
    longest_mm: float  # along the piece's axis
    heaviest_kg: float
    latitude_deg: tuple[float, float]  # band it cuts well
    spindle_w: float
    set_up_min: float
    accuracy_mm: float
    good_for: str
    fixtures: tuple[str, ...]  # the one it stands with comes first
    kinds: tuple[str, ...]  # squash, turnip, gourd, foam


@dataclass(frozen=True, slots=True)
class CutterInStock:
    """One cutter by its number, and how much of its life is left."""

    number: str
    type: str
    life_left: float  # share of a new one's life [-]


def machine_cards() -> tuple[MachineCard, ...]:
    """Return what the shift lead knows of each machine."""
    both = (*_LARGE, *_SMALL)
    return (
        MachineCard("Wren", "turntable and upright", 320, 300, 12, (-40, 40), 500, 4, 0.5,
                    "through bands", ("ring", "screw plate"), both),
        MachineCard("Heron", "turntable and swinging arc", 360, 330, 12, (-35, 75), 500, 4, 0.4,
                    "ray cuts, domes", ("ring",), _LARGE),
        MachineCard("Badger", "trunnion", 300, 280, 9, (-35, 90), 800, 6, 0.25,
                    "relief", ("ring", "screw plate"), both),
        MachineCard("Otter", "gantry with tilting head", 420, 330, 25, (-40, 90), 1000, 5, 0.35,
                    "the largest pieces", ("wide ring", "ring", "screw plate"), both),
        MachineCard("Stoat", "small lathe", 170, 260, 3, (-50, 50), 350, 2, 0.3,
                    "roots and gourds", ("screw and cup",), _SMALL),
    )  # fmt: skip


def fixtures() -> dict[str, str]:
    """Return the fixtures and how each holds a piece."""
    return {
        "ring": "rubber ring outside, disc inside drawn down by a rod; openings of 90-130 mm",
        "wide ring": "the same for openings up to 160 mm and pieces up to 420 mm across",
        "screw plate": "coach screw up through the seat into the foot, for roots and dry gourds",
        "screw and cup": "coach screw in the foot and a cup on the stem, for roots and dry gourds",
    }


def fixture_kinds() -> dict[str, tuple[str, ...]]:
    """Return the kinds of produce that each fixture holds."""
    return {"ring": _LARGE, "wide ring": _LARGE, "screw plate": _SMALL, "screw and cup": _SMALL}


# --- machines ------------------------------------------------------------------------------------------


def _linear(
    word: str, direction: Vector, low: float, high: float, speed: float, acceleration: float
) -> dict[str, Any]:
    return {
        "word": word, "moves": "cutter", "kind": "linear", "direction": list(direction),
        "min": low, "max": high, "max_speed": speed, "max_acceleration": acceleration,
    }  # fmt: skip


def _rotary(
    word: str,
    moves: str,
    direction: Vector,
    band: tuple[float | None, float | None],
    deg_per_s: float,
    acceleration: float,
    through: Vector = (0.0, 0.0, 0.0),
) -> dict[str, Any]:
    return {
        "word": word, "moves": moves, "kind": "rotary", "direction": list(direction),
        "through": list(through), "min": band[0], "max": band[1],
        "max_speed": 60 * deg_per_s, "max_acceleration": acceleration,
    }  # fmt: skip


def _machine(
    name: str,
    axes: list[dict[str, Any]],
    cutter_axis: Vector,
    seat: Vector,
    home: dict[str, float],
    changer: bool,
    path_tolerance_mm: float,
    max_rpm: float = 24000,
) -> str:
    return json.dumps(
        {
            "name": name,
            "axes": axes,
            "cutter_axis": list(cutter_axis),
            "cutter_tip_at_zero": [0, 0, 0],
            "seat": list(seat),
            "spindle": {"min_rpm": 6000, "max_rpm": max_rpm},
            "changer": changer,
            "change_cutter_s": 25 if changer else 120,
            "home": home,
            "path_tolerance_mm": path_tolerance_mm,
        },
        indent=1,
    )


_ENDLESS = (None, None)


def _wren() -> str:
    """Return Wren: the work turns on a plate, an upright lifts a level spindle; it cannot lean.

    The room's origin is the middle of the plate, 190 mm under the seat.
    """
    axes = [
        _rotary("C", "work", _Z, _ENDLESS, 60, 600),
        _linear("Z", _Z, 20, 360, 3000, 300),
        _linear("X", _X, 15, 330, 3000, 400),
    ]
    return _machine("Wren", axes, _X, (0, 0, 190), {"C": 0, "Z": 190, "X": 320}, False, 0.08)


def _heron() -> str:
    """Return Heron: an arc swings a radial slide about the seat, so that the cutter always aims at it.

    B grows upwards: a turn about -Y takes +X towards +Z.
    """
    seat = (0.0, 0.0, 210.0)
    axes = [
        _rotary("C", "work", _Z, _ENDLESS, 40, 500),
        _rotary("B", "cutter", (0.0, -1.0, 0.0), (-35, 75), 40, 400, through=seat),
        _linear("X", _X, 15, 360, 3000, 400),
    ]
    # at zero the tip must be at the arc's middle, not at the room's origin
    found = json.loads(_machine("Heron", axes, _X, seat, {"C": 0, "B": 0, "X": 350}, False, 0.06))
    return json.dumps(found | {"cutter_tip_at_zero": list(seat)}, indent=1)


def _badger() -> str:
    """Return Badger: a trunnion tips and turns the work under an upright spindle.

    The operator stands at -Y. A tips about -X, so that positive A tips the top of the piece away from
    him, and A = -90 brings a side up to the spindle. The seat is 10 mm above the
    line about which the trunnion tips.
    """
    axes = [
        _rotary("A", "work", (-1.0, 0.0, 0.0), (-100, 20), 35, 400),
        _rotary("C", "work", _Z, _ENDLESS, 35, 500),
        _linear("X", _X, -160, 160, 2500, 400),
        _linear("Y", _Y, -200, 200, 2500, 400),
        _linear("Z", _Z, 0, 320, 2500, 350),
    ]
    home = {"A": 0.0, "C": 0.0, "X": 0.0, "Y": 0.0, "Z": 300.0}
    return _machine("Badger", axes, _Z, (0, 0, 10), home, True, 0.05)


def _otter() -> str:
    """Return Otter: the work stands still, a gantry carries a head that turns (C) and tips (B).

    B turns about a line 180 mm above the tip. The room's origin is the plate, 240 mm under the seat. The
    head's cable unwinds: C stops at 200 deg either way.
    """
    pivot = (0.0, 0.0, 180.0)
    axes = [
        _linear("X", _X, -520, 520, 3500, 450),
        _linear("Y", _Y, -520, 520, 3500, 400),
        _linear("Z", _Z, -170, 580, 3500, 350),
        _rotary("C", "cutter", _Z, (-200, 200), 45, 500),
        _rotary("B", "cutter", _Y, (-95, 95), 45, 450, through=pivot),
    ]
    home = {"X": 0.0, "Y": 0.0, "Z": 570.0, "C": 0.0, "B": 0.0}
    return _machine("Otter", axes, _Z, (0, 0, 240), home, True, 0.06)


def _stoat() -> str:
    """Return Stoat: a small lathe; the piece lies between a screw and a cup and turns about a level line.

    A workpiece's +Z runs to its stem, and a machine file has no fixed turn that could lay it down. So the
    room is taken as a lathe's is: Z is LEVEL, along the spindle of the work, towards the cup that holds the
    stem; X is up, where the cutter comes from; Y is level across. The axis word stays A, as
    painted on the machine.
    """
    axes = [
        _rotary("A", "work", _Z, _ENDLESS, 90, 900),
        _linear("Z", _Z, -200, 200, 2000, 400),
        _linear("Y", _Y, -60, 60, 2000, 300),
        _linear("X", _X, -5, 220, 2000, 350),
    ]
    return _machine(
        "Stoat", axes, _X, (0, 0, 0), {"A": 0, "Z": 0, "Y": 0, "X": 210}, False, 0.05, max_rpm=28000
    )


def machine_files() -> dict[str, str]:
    """Return the machine files of the season by the machine's name, as JSON texts."""
    return {"Wren": _wren(), "Heron": _heron(), "Badger": _badger(), "Otter": _otter(), "Stoat": _stoat()}


# --- cutters -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cut:
    """How a cutter type is run: form, size [mm], speed, feed and how many metres a new one cuts."""

    name: str
    form: str
    diameter: float
    flute: float
    rpm: float
    feed: float
    plunge: float
    step_down: float
    stepover: float
    material: str
    metres: float
    exponent: float = 0.25
    teeth: int = 2
    centre_cutting: bool = True
    tip_angle: float | None = None


# Speeds, feeds and steps are the trade's starting values; metres are the middle of its ranges.
_CUTS = (
    _Cut("6 mm flat", "flat", 6, 42, 12000, 1400, 400, 5, 2.4, "squash", 800),
    _Cut("8 mm flat", "flat", 8, 60, 10000, 1500, 400, 6, 3.2, "squash", 800),
    _Cut("4 mm flat", "flat", 4, 32, 14000, 1100, 300, 4, 1.6, "squash", 500),
    _Cut("3 mm flat", "flat", 3, 24, 15000, 900, 250, 3, 1.2, "turnip", 300),
    _Cut("6 mm ball", "ball", 6, 45, 12000, 1500, 400, 4, 1.5, "squash", 700),
    _Cut("3 mm ball", "ball", 3, 25, 15000, 1200, 300, 2, 0.8, "squash", 500),
    _Cut("12 mm ball", "ball", 12, 80, 8000, 1400, 300, 5, 4, "turnip", 600),
    _Cut("5 mm drill", "drill", 5, 50, 6000, 300, 300, 8, 5, "squash", 150, exponent=0.2, tip_angle=118),
    _Cut("30 deg scorer", "cone", 6, 15, 12000, 1000, 300, 1.5, 1.5, "squash", 600, tip_angle=30),
)


def taylor_constant(cut: _Cut) -> float:
    """Return C of Taylor's v T^n = C [m/min] for which a new cutter lasts its metres at its own feed.

    The life is T = metres / feed, v the speed of the cutter's rim: so the file's life agrees with the
    metres that a shop counts.
    """
    rim_m_per_min = 3.141592653589793 * cut.diameter / 1000 * cut.rpm
    life_min = cut.metres / (cut.feed / 1000)
    return float(rim_m_per_min * life_min**cut.exponent)


def _cutter(cut: _Cut) -> dict[str, Any]:
    found: dict[str, Any] = {
        "name": cut.name,
        "form": cut.form,
        "diameter_mm": cut.diameter,
        "teeth": cut.teeth,
        "flute_length_mm": cut.flute,
        "stick_out_mm": cut.flute + 8,
        "holder": {"diameter_mm": 30 if cut.diameter > 4 else 24, "length_mm": 60},
        "centre_cutting": cut.centre_cutting,
        "rpm": cut.rpm,
        "feed_mm_per_min": cut.feed,
        "plunge_mm_per_min": cut.plunge,
        "step_down_mm": cut.step_down,
        "stepover_mm": cut.stepover,
        "life": {
            "material": cut.material,
            "exponent": cut.exponent,
            "constant_m_per_min": round(taylor_constant(cut), 1),
        },
    }
    return found if cut.tip_angle is None else found | {"tip_angle_deg": cut.tip_angle}


def cutters_file() -> str:
    """Return the cutters file of the season, as JSON text."""
    return json.dumps({"cutters": [_cutter(cut) for cut in _CUTS]}, indent=1)


def new_life_m(cutter_type: str) -> float:
    """Return how many metres a new cutter of a type lasts in its own material [m]."""
    return next(cut.metres for cut in _CUTS if cut.name == cutter_type)


def cutter_stock() -> tuple[CutterInStock, ...]:
    """Return the season's cutters one by one with the share of life each has left."""
    metres_left = (
        ("6F-01", "6 mm flat", 620), ("6F-02", "6 mm flat", 410), ("6F-03", "6 mm flat", 95),
        ("6F-04", "6 mm flat", 700),
        ("8F-01", "8 mm flat", 560), ("4F-01", "4 mm flat", 430),
        ("3F-01", "3 mm flat", 180), ("3F-02", "3 mm flat", 30),
        ("3F-03", "3 mm flat", 300), ("3F-04", "3 mm flat", 300), ("3F-05", "3 mm flat", 300),
        ("3F-06", "3 mm flat", 300), ("4F-02", "4 mm flat", 500),
        ("6B-01", "6 mm ball", 610), ("6B-02", "6 mm ball", 340), ("3B-01", "3 mm ball", 450),
        ("3B-02", "3 mm ball", 260),
        ("12B-01", "12 mm ball", 480), ("2D-01", "5 mm drill", 120), ("V30-01", "30 deg scorer", 500),
    )  # fmt: skip
    return tuple(
        CutterInStock(number, kind, round(left / new_life_m(kind), 3)) for number, kind, left in metres_left
    )


def as_rows(records: Iterable[Any]) -> list[dict[str, Any]]:
    """Return records as plain rows, for a table."""
    return [asdict(record) for record in records]
