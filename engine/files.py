"""What do the files say? Readers from text to records: touches, wall readings, a machine, cutters.

Each reader takes the content and a name to show, so that the command line and the web use the same code.
Whatever is wrong is refused in one line of `BadInput`: the name, the line or the key, the value, and what was
expected. Nothing of a refused file is kept.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import json
import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NoReturn

import numpy as np

from engine.errors import BadInput
from engine.frames import unit_of
from engine.records import (
    Axis,
    Cutter,
    CutterForm,
    Floats,
    Ints,
    KeepOut,
    Life,
    Machine,
    PieceState,
    ProbeScan,
    Wall,
)

MAX_CHARACTERS = 8_000_000
_MOST_ROWS = 100_000
_MOST_COLUMNS = 100
_MOST_COMMENTS = 1000
_LONGEST_LINE = 10_000  # characters of one line of a table
_LONGEST_KEY = 100
MAX_TOUCHES = 5000  # the fit holds a square matrix of this edge in memory
FEWEST_PLACES = 12
_FARTHEST_MM = 2000.0  # a touch beyond this is a wrong unit, not a workpiece
_REPROBE_MM = 10.0  # re-probes of one place lie closer than this
_FLAT_MM = 0.5  # root mean square distance from a plane below which touches show no body
_THICKEST_MM = 200.0
_LARGEST = 1e6
# round the edge of each; common practice
KEEP_OUT_MARGINS_MM = {"stem": 15.0, "base opening": 30.0, "clamp": 15.0, "blemish": 8.0}
_DRILL_TIP_DEG = 118.0  # the usual twist drill
_NEARLY_UNIT = 0.01
_LINEAR_WORDS = "XYZUVW"
_ROTARY_WORDS = "ABC"

# stricter than float(), which also takes "nan", "1_000" and digits of other scripts
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_TIP_COMMENT = re.compile(r"#\s*tip_radius_mm\s*=(.*)")


def text_of(content: bytes, name: str) -> str:
    """Return the text of a file's bytes, which must be UTF-8; line ends stay as they are.

    Parameters
    ----------
    content : bytes
        The file as stored; its sha256 and the text's are the same [-].
    name : str
        Shown in messages [-].
    """
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise BadInput(
            f"{_shown(name)}, line {line}: byte {content[error.start]:#04x} is not UTF-8 text, "
            "expected a text file in UTF-8"
        ) from None


def digest_of(content: bytes | str) -> str:
    """Return the first 12 hex digits of the sha256 of a file's bytes or text.

    Parameters
    ----------
    content : bytes or str
        Text counts as UTF-8 [-].
    """
    raw = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    return hashlib.sha256(raw).hexdigest()[:12]


# --- touches and wall readings -------------------------------------------------------------------------


def read_touches(
    text: str, name: str, tip_radius_mm: float | None = None, fewest: int = FEWEST_PLACES
) -> ProbeScan:
    """Return the touches of a probe file.

    Without a tip radius here or in the file, the radius is nought: the centres are taken as skin.

    Parameters
    ----------
    text : str
        CSV with `x_mm,y_mm,z_mm`, the tip's centres in the seat frame [mm], perhaps `i,j,k` and `touch`.
    name : str
        Shown in messages [-].
    tip_radius_mm : float, optional
        Goes before the `# tip_radius_mm=` comment of the file [mm].
    fewest : int
        Distinct places at least; a re-clamped piece needs fewer than a fresh one [-].
    """
    table = _read_table(text, name, needed=("x_mm", "y_mm", "z_mm"))
    tip = _tip_radius(table, tip_radius_mm)
    if len(table.rows) > MAX_TOUCHES:
        raise BadInput(f"{table.name}: {len(table.rows)} touches, expected {MAX_TOUCHES} at most")
    coordinates = [table.numbers(c, -_FARTHEST_MM, _FARTHEST_MM, "mm") for c in ("x_mm", "y_mm", "z_mm")]
    centres = np.array(coordinates, float).reshape(3, -1).T
    _check_probing_directions(table)
    numbered = "touch" in table.columns
    touches = np.arange(1, len(table.rows) + 1, dtype=np.int64)
    if numbered:
        touches = table.whole_numbers("touch")
        _check_reprobes(table, centres, touches)
    else:
        _check_no_repeats(table, centres)
    _check_shows_a_body(table, centres, touches, fewest)
    return ProbeScan(
        centres_seat_mm=centres,
        tip_radius_mm=tip,
        touch_numbers=touches,
        lines=np.array(table.lines),
        digest=digest_of(text),
        state=_state(table),
        taken_at=_taken_at(table),
        weight_kg=_weight_kg(table),
    )


def _said(table: _Table, key: str) -> tuple[int, str] | None:
    """Return line and value of a `# key=value` comment ahead of the header."""
    for line, comment in table.comments:
        name, _, value = comment.lstrip("# \t").partition("=")
        if name.strip() == key:
            return line, value.strip()
    return None


def _state(table: _Table) -> PieceState | None:
    """Return what the piece was when it was probed, if the file says so."""
    said = _said(table, "state")
    if said is None:
        return None
    line, value = said
    if value not in set(PieceState):
        states = ", ".join(PieceState)
        raise BadInput(f"{table.name}, line {line}: state is {_shown(value)!r}, expected one of {states}")
    return PieceState(value)


def _taken_at(table: _Table) -> datetime | None:
    """Return when the piece was probed, if the file says so."""
    said = _said(table, "taken_at")
    if said is None:
        return None
    line, value = said
    try:
        found: datetime | None = datetime.fromisoformat(value)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise BadInput(
            f"{table.name}, line {line}: taken_at is {_shown(value)!r}, expected a time with its zone, "
            "such as 2026-10-21T08:10+02:00"
        )
    return found


def _weight_kg(table: _Table) -> float | None:
    """Return how heavy the piece was when it was probed, if the file says so."""
    said = _said(table, "weight_kg")
    if said is None:
        return None
    return _number(said[1], f"{table.name}, line {said[0]}: weight_kg", 0.01, 1000.0, "kg")


def read_wall(text: str, name: str) -> Wall:
    """Return the wall readings of a wall file; readings at one place are averaged.

    Parameters
    ----------
    text : str
        CSV with `longitude_deg,latitude_deg,wall_mm` [deg, deg, mm], perhaps `sigma_mm` [mm].
    name : str
        Shown in messages [-].
    """
    table = _read_table(text, name, needed=("longitude_deg", "latitude_deg", "wall_mm"))
    longitude = np.radians(table.numbers("longitude_deg", -360.0, 360.0, "deg"))
    latitude = np.radians(table.numbers("latitude_deg", -90.0, 90.0, "deg"))
    thickness = np.array(table.numbers("wall_mm", 0.1, _THICKEST_MM, "mm"))
    if not table.rows:
        raise BadInput(f"{table.name}: no reading, expected one row or more below the header")
    places = np.round(unit_of(longitude, latitude), 6) + 0.0  # -0 and 0 are one place
    _, first, group = np.unique(places, axis=0, return_index=True, return_inverse=True)
    group = group.reshape(-1)
    mean = np.bincount(group, thickness) / np.bincount(group)
    wall = Wall(longitude_rad=longitude[first], latitude_rad=latitude[first], thickness_mm=mean)
    if "sigma_mm" not in table.columns:
        return wall
    sigma = np.array(table.numbers("sigma_mm", 0.01, 20.0, "mm"))
    return replace(wall, sigma_mm=float(np.sqrt(np.mean(sigma**2))))


def read_wedge(text: str, name: str) -> tuple[Floats, Floats]:
    """Return the thicknesses [mm] and readings [-] of a step wedge.

    Parameters
    ----------
    text : str
        CSV with `thickness_mm,reading` [mm], readings in any linear unit [-].
    name : str
        Shown in messages [-].
    """
    table = _read_table(text, name, needed=("thickness_mm", "reading"))
    thickness = table.numbers("thickness_mm", 0.0, _THICKEST_MM, "mm")
    return np.array(thickness), np.array(table.numbers("reading", 0.0, 1e12, ""))


def read_keep_outs(text: str, name: str) -> tuple[KeepOut, ...]:
    """Return the places of a keep-out file that no cut may come near.

    Parameters
    ----------
    text : str
        CSV with `kind,longitude_deg,latitude_deg,radius_mm` [deg, deg, mm], perhaps `margin_mm` [mm]; a kind
        without a margin gets that of the trade.
    name : str
        Shown in messages [-].
    """
    table = _read_table(text, name, needed=("kind", "longitude_deg", "latitude_deg", "radius_mm"))
    longitude = table.numbers("longitude_deg", -360.0, 360.0, "deg")
    latitude = table.numbers("latitude_deg", -90.0, 90.0, "deg")
    radius = table.numbers("radius_mm", 0.0, 500.0, "mm")
    margins = table.numbers("margin_mm", 0.0, 200.0, "mm") if "margin_mm" in table.columns else None
    found = []
    for row, cells in enumerate(table.rows):
        kind = cells[table.columns["kind"]]
        if kind not in KEEP_OUT_MARGINS_MM:
            raise table.refusal(
                row, f"kind is {_quoted(kind)}, expected one of {', '.join(KEEP_OUT_MARGINS_MM)}"
            )
        margin = KEEP_OUT_MARGINS_MM[kind] if margins is None else margins[row]
        found.append(
            KeepOut(kind, math.radians(longitude[row]), math.radians(latitude[row]), radius[row], margin)
        )
    return tuple(found)


def uniform_wall(mm: float) -> Wall:
    """Return a wall of the same thickness everywhere.

    Parameters
    ----------
    mm : float
        Thickness along the skin's normal [mm].
    """
    if not 0.1 <= mm <= _THICKEST_MM:  # also catches nan
        raise BadInput(f"wall is {mm:g} mm, expected a thickness from 0.1 to {_THICKEST_MM:g} mm")
    return Wall(longitude_rad=np.zeros(1), latitude_rad=np.zeros(1), thickness_mm=np.full(1, float(mm)))


def _tip_radius(table: _Table, given_mm: float | None) -> float:
    """Take the radius that was given, else the comment's, else nought."""
    for line, comment in table.comments:
        found = _TIP_COMMENT.fullmatch(comment.strip())
        if found and given_mm is None:
            given_mm = _number(found[1], f"{table.name}, line {line}: tip_radius_mm", 0.0, 50.0, "mm")
    if given_mm is None:
        return 0.0
    if not 0.0 <= given_mm <= 50.0:
        raise BadInput(f"{table.name}: tip radius is {given_mm:g} mm, expected 0 to 50 mm")
    return float(given_mm)


def _check_probing_directions(table: _Table) -> None:
    """Refuse directions of probing that are incomplete or no unit vectors; they are not used further."""
    present = [c for c in "ijk" if c in table.columns]
    if not present:
        return
    if len(present) < 3:
        raise BadInput(f"{table.name}: column {present[0]} without the others, expected i, j and k together")
    vectors = np.array([table.numbers(c, -1.01, 1.01, "") for c in "ijk"], float).reshape(3, -1).T
    lengths = np.linalg.norm(vectors, axis=1)
    wrong = np.flatnonzero(np.abs(lengths - 1.0) > _NEARLY_UNIT)
    if len(wrong):
        raise table.refusal(
            int(wrong[0]), f"i,j,k is a direction of length {lengths[wrong[0]]:.4g}, expected length 1"
        )


def _check_no_repeats(table: _Table, centres: Floats) -> None:
    """Refuse a place that comes twice where no column says that it is a re-probe."""
    seen: dict[tuple[float, ...], int] = {}
    for row, centre in enumerate(map(tuple, centres.tolist())):
        if centre in seen:
            place = ", ".join(f"{value:g}" for value in centre)
            raise table.refusal(
                row,
                f"({place}) is the same place as line {table.lines[seen[centre]]}, "
                "expected a new place, or a column touch that numbers re-probes",
            )
        seen[centre] = row


def _check_reprobes(table: _Table, centres: Floats, touches: Ints) -> None:
    """Refuse touches of one number that are too far apart to be one place."""
    first: dict[int, int] = {}
    for row, touch in enumerate(touches.tolist()):
        start = first.setdefault(touch, row)
        apart = float(np.linalg.norm(centres[row] - centres[start]))
        if apart > _REPROBE_MM:
            raise table.refusal(
                row,
                f"touch {touch} is {apart:.1f} mm from line {table.lines[start]} of the same number, "
                f"expected {_REPROBE_MM:g} mm at most between re-probes of one place",
            )


def _check_shows_a_body(table: _Table, centres: Floats, touches: Ints, fewest: int) -> None:
    """Refuse touches that are too few or lie in one plane, line or point."""
    places = min(len(set(touches.tolist())), len(set(map(tuple, centres.tolist()))))
    if places < fewest:
        raise BadInput(f"{table.name}: {places} distinct places touched, expected {fewest} or more all round")
    spread = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False) / math.sqrt(len(centres))
    if spread[2] < _FLAT_MM:
        what = ("one plane", "one line", "one point")[int(np.sum(spread[:2] < _FLAT_MM))]
        raise BadInput(f"{table.name}: all touches lie in {what}, expected touches all round the workpiece")


@dataclass
class _Table:
    """Rows of a CSV text with their line numbers; every refusal names the line."""

    name: str
    columns: dict[str, int] = field(default_factory=dict)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    comments: list[tuple[int, str]] = field(default_factory=list)

    def refusal(self, row: int, text: str) -> BadInput:
        return BadInput(f"{self.name}, line {self.lines[row]}: {text}")

    def numbers(self, column: str, low: float, high: float, unit: str) -> list[float]:
        at = self.columns[column]
        return [
            _number(row[at], f"{self.name}, line {line}: {column}", low, high, unit)
            for row, line in zip(self.rows, self.lines, strict=True)
        ]

    def whole_numbers(self, column: str) -> Ints:
        values = np.array(self.numbers(column, 0, 1e9, ""))
        for row in np.flatnonzero(values != np.round(values)):
            raise self.refusal(int(row), f"{column} is {values[row]:g}, expected a whole number")
        return values.astype(np.int64)


def _read_table(text: str, name: str, needed: Sequence[str]) -> _Table:
    """Split a CSV text: comment lines ahead of the header, the header, rows of the same length."""
    table = _Table(_shown(name))
    if len(text) > MAX_CHARACTERS:
        raise BadInput(f"{table.name}: {len(text)} characters, expected {MAX_CHARACTERS} at most")
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    for line, content in enumerate(text.split("\n"), start=1):
        if not content.strip():
            continue
        where = f"{table.name}, line {line}"
        if len(content) > _LONGEST_LINE:
            raise BadInput(f"{where}: {len(content)} characters, expected {_LONGEST_LINE} at most in a line")
        if content.lstrip().startswith("#"):
            table.comments.append((line, content.strip()))
            if len(table.comments) > _MOST_COMMENTS:
                raise BadInput(f"{where}: over {_MOST_COMMENTS} lines of comments, expected fewer")
            continue
        cells = _cells(content, where)
        if not table.columns:
            table.columns = _header(cells, needed, where)
            continue
        if len(cells) != len(table.columns):
            raise BadInput(
                f"{where}: {len(cells)} values, expected {len(table.columns)} "
                "as in the header, parted by commas"
            )
        if len(table.rows) == _MOST_ROWS:
            raise BadInput(f"{where}: more than {_MOST_ROWS} rows, expected fewer")
        table.rows.append(cells)
        table.lines.append(line)
    if not table.columns:
        raise BadInput(f"{table.name}: empty, expected a header row with {', '.join(needed)}")
    return table


def _cells(content: str, where: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([content], strict=True))]
    except (csv.Error, StopIteration):
        raise BadInput(f"{where}: {_quoted(content)} cannot be read, expected values with commas") from None


def _header(cells: list[str], needed: Sequence[str], where: str) -> dict[str, int]:
    if len(cells) > _MOST_COLUMNS:
        raise BadInput(f"{where}: {len(cells)} columns, expected {_MOST_COLUMNS} at most")
    missing = [column for column in needed if column not in cells]
    if missing:
        raise BadInput(
            f"{where}: column {missing[0]} is missing in {_quoted(','.join(cells))}, "
            f"expected a header row with {', '.join(needed)}"
        )
    twice = next((cell for at, cell in enumerate(cells) if cell and cell in cells[:at]), None)
    if twice is not None:
        raise BadInput(f"{where}: column {_quoted(twice)} comes twice, expected every column once")
    # columns without a name are counted, so that rows have the right length
    return {cell or f"column {at + 1}": at for at, cell in enumerate(cells)}


def _number(cell: str, where: str, low: float, high: float, unit: str) -> float:
    """Read one number of a table within limits."""
    expected = f"expected a number from {low:g} to {high:g} {unit}".rstrip()
    cell = cell.strip()
    value = float(cell) if _NUMBER.fullmatch(cell) else math.nan
    if not low <= value <= high:
        raise BadInput(f"{where} is {_quoted(cell)}, {expected}")
    return value


# --- machines ------------------------------------------------------------------------------------------


def read_machine(text: str, name: str) -> Machine:
    """Return the machine that a JSON text describes as an axis chain after ISO 841.

    Parameters
    ----------
    text : str
        The machine file: mm, degrees, mm/min or deg/min, mm/s2 or deg/s2, rev/min [-].
    name : str
        Shown in messages [-].
    """
    keys = _read_keys(
        text,
        name,
        needed=(
            "name axes cutter_axis cutter_tip_at_zero seat spindle changer change_cutter_s path_tolerance_mm"
        ),
        optional="home",
    )
    axes = tuple(_axis(inner) for inner in keys.each("axes", _AXIS_NEEDED, _AXIS_OPTIONAL, most=9))
    words = [axis.word for axis in axes]
    for at, word in enumerate(words):
        if word in words[:at]:
            keys.refuse(f"axes[{at}].word", word, "a word that no other axis of this machine has")
    cutter_axis = keys.direction("cutter_axis")
    spindle = keys.inside("spindle", "min_rpm max_rpm")
    min_rpm = spindle.number("min_rpm", low=0)
    return Machine(
        name=keys.text("name"),
        axes=axes,
        cutter_axis=cutter_axis,
        cutter_tip_at_zero_mm=keys.vector("cutter_tip_at_zero", 10_000.0),
        seat_mm=keys.vector("seat", 10_000.0),
        min_rpm=min_rpm,
        max_rpm=spindle.number("max_rpm", low=min_rpm, above=0),
        changer=keys.flag("changer"),
        change_cutter_s=keys.number("change_cutter_s", low=0),
        home=_home(keys, axes, cutter_axis),
        path_tolerance_mm=keys.number("path_tolerance_mm", above=0, high=5),
        digest=digest_of(text),
    )


_AXIS_NEEDED = "word moves kind direction min max max_speed max_acceleration"
_AXIS_OPTIONAL = "through"


def _axis(keys: _Keys) -> Axis:
    word = keys.choice("word", [*_LINEAR_WORDS, *_ROTARY_WORDS])
    kind = keys.choice("kind", ["linear", "rotary"])
    if (word in _ROTARY_WORDS) != (kind == "rotary"):
        expected = "A, B or C for a rotary" if kind == "rotary" else "X, Y, Z, U, V or W for a linear"
        keys.refuse("word", word, f"{expected} axis")
    if kind == "rotary" and "through" not in keys.values:
        keys.refuse_missing("through")
    minimum = keys.number("min") if keys.values["min"] is not None else None
    maximum = keys.number("max", low=minimum) if keys.values["max"] is not None else None
    return Axis(
        word=word,
        moves=keys.choice("moves", ["work", "cutter"]),
        kind=kind,
        direction=keys.direction("direction"),
        through=keys.vector("through", 10_000.0) if "through" in keys.values else (0.0, 0.0, 0.0),
        minimum=minimum,
        maximum=maximum,
        max_speed=keys.number("max_speed", above=0),
        max_acceleration=keys.number("max_acceleration", above=0),
    )


def _home(keys: _Keys, axes: tuple[Axis, ...], cutter_axis: tuple[float, float, float]) -> tuple[float, ...]:
    """Read where a program starts and ends, or find it: rotary axes at 0, the cutter drawn back."""
    if "home" not in keys.values:
        return tuple(_drawn_back(keys, axis, cutter_axis) for axis in axes)
    home = keys.inside("home", " ".join(axis.word for axis in axes))
    return tuple(home.number(axis.word, low=axis.minimum, high=axis.maximum) for axis in axes)


def _drawn_back(keys: _Keys, axis: Axis, cutter_axis: tuple[float, float, float]) -> float:
    """Return the value of an axis at home when the file does not say."""
    low = -math.inf if axis.minimum is None else axis.minimum
    high = math.inf if axis.maximum is None else axis.maximum
    along = float(np.dot(axis.direction, cutter_axis))
    if axis.moves == "work":
        along = -along  # the work moves away instead
    if axis.kind == "linear" and abs(along) > 1e-6:
        farthest = high if along > 0 else low
        if math.isinf(farthest):
            end = "max" if along > 0 else "min"
            raise BadInput(
                f"{keys.name}: home is missing and axis {axis.word} has no {end} to draw the cutter back to, "
                "expected home, or that limit"
            )
        return farthest
    if axis.kind == "rotary" and not low <= 0.0 <= high:
        raise BadInput(
            f"{keys.name}: home is missing and 0 lies outside {low:g} to {high:g} of axis {axis.word}, "
            "expected home"
        )
    return min(max(0.0, low), high)


# --- cutters -------------------------------------------------------------------------------------------

_CUTTER_NEEDED = (
    "name form diameter_mm teeth flute_length_mm stick_out_mm holder centre_cutting rpm feed_mm_per_min "
    "plunge_mm_per_min step_down_mm stepover_mm life"
)


def read_cutters(text: str, name: str) -> tuple[Cutter, ...]:
    """Return the cutters of a JSON text, in its order.

    Parameters
    ----------
    text : str
        The cutters file: mm, mm/min, rev/min, m/min [-].
    name : str
        Shown in messages [-].
    """
    keys = _read_keys(text, name, needed="cutters")
    inner = keys.each("cutters", _CUTTER_NEEDED, "tip_angle_deg", most=100)
    cutters = tuple(_cutter(one) for one in inner)
    names = [cutter.name for cutter in cutters]
    for at, one in enumerate(names):
        if one in names[:at]:
            keys.refuse(f"cutters[{at}].name", one, "a name that no other cutter has")
    return cutters


def _cutter(keys: _Keys) -> Cutter:
    form = CutterForm(keys.choice("form", list(CutterForm)))
    diameter = keys.number("diameter_mm", above=0, high=100)
    tip_angle = _tip_angle(keys, form)
    flute = keys.number("flute_length_mm", low=_shortest_flute_mm(form, diameter, tip_angle), high=500)
    holder = keys.inside("holder", "diameter_mm length_mm")
    life = keys.inside("life", "material exponent constant_m_per_min")
    return Cutter(
        name=keys.text("name"),
        form=form,
        diameter_mm=diameter,
        teeth=keys.whole_number("teeth", 1, 50),
        flute_length_mm=flute,
        stick_out_mm=keys.number("stick_out_mm", low=flute, high=1000),
        holder_diameter_mm=holder.number("diameter_mm", above=0, high=500),
        holder_length_mm=holder.number("length_mm", above=0, high=1000),
        centre_cutting=keys.flag("centre_cutting"),
        rpm=keys.number("rpm", above=0),
        feed_mm_per_min=keys.number("feed_mm_per_min", above=0),
        plunge_mm_per_min=keys.number("plunge_mm_per_min", above=0),
        step_down_mm=keys.number("step_down_mm", above=0, high=flute),
        stepover_mm=keys.number("stepover_mm", above=0, high=diameter),
        life=Life(
            material=life.text("material"),
            exponent=life.number("exponent", above=0, high=1),
            constant_m_per_min=life.number("constant_m_per_min", above=0),
        ),
        tip_angle_deg=tip_angle,
    )


def _tip_angle(keys: _Keys, form: CutterForm) -> float:
    """Read the tip's angle: a cone must say it, a drill may, the others have none."""
    given = "tip_angle_deg" in keys.values
    if form == CutterForm.CONE and not given:
        keys.refuse_missing("tip_angle_deg")
    if form in (CutterForm.CONE, CutterForm.DRILL):
        return keys.number("tip_angle_deg", low=5, high=179) if given else _DRILL_TIP_DEG
    if given and keys.values["tip_angle_deg"] != 180:
        keys.refuse("tip_angle_deg", keys.values["tip_angle_deg"], f"no such key for form {form}")
    return 180.0


def _shortest_flute_mm(form: CutterForm, diameter_mm: float, tip_angle_deg: float) -> float:
    """Return the length of the cutter's end: the flutes must at least reach past it."""
    half = math.radians(tip_angle_deg) / 2
    if form in (CutterForm.CONE, CutterForm.DRILL) and tip_angle_deg < 180:
        return diameter_mm / 2 / math.tan(half)
    return diameter_mm / 2


# --- keys of JSON texts ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Keys:
    """The keys at one place of a JSON text; every refusal names the whole path to the key."""

    name: str
    path: str
    values: dict[str, Any]

    def refuse(self, key: str, value: object, expected: str) -> NoReturn:
        raise BadInput(f"{self.name}: {self.path}{key} is {_quoted(value)}, expected {expected}")

    def refuse_missing(self, key: str) -> NoReturn:
        raise BadInput(f"{self.name}: {self.path}{key} is missing, expected it beside {self._siblings()}")

    def number(
        self, key: str, *, low: float | None = None, high: float | None = None, above: float | None = None
    ) -> float:
        """Return a finite number with `low` <= number <= `high` and number > `above`."""
        value = self.values[key]
        top = _LARGEST if high is None else high
        bottom = -_LARGEST if low is None else low
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not bottom <= value <= top or (above is not None and value <= above):
            limits = [f"above {above:g}"] if above is not None else []
            limits += [f"at least {low:.6g}"] if low is not None else []
            limits += [f"at most {top:.6g}"]
            self.refuse(key, value, "a number " + ", ".join(limits))
        return float(value)

    def whole_number(self, key: str, low: int, high: int) -> int:
        value = self.values[key]
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            self.refuse(key, value, f"a whole number from {low} to {high}")
        return int(value)

    def text(self, key: str) -> str:
        value = self.values[key]
        if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 100:
            self.refuse(key, value, "a text of 1 to 100 printable characters")
        return str(value).strip()

    def flag(self, key: str) -> bool:
        value = self.values[key]
        if not isinstance(value, bool):
            self.refuse(key, value, "true or false")
        return bool(value)

    def choice(self, key: str, choices: Sequence[str]) -> str:
        value = self.values[key]
        if not isinstance(value, str) or value not in choices:
            self.refuse(key, value, " or ".join(choices))
        return str(value)

    def vector(self, key: str, farthest: float) -> tuple[float, float, float]:
        value = self.values[key]
        good = isinstance(value, list) and len(value) == 3
        good = good and all(isinstance(x, int | float) and not isinstance(x, bool) for x in value)
        if not good or any(not abs(x) <= farthest for x in value):
            self.refuse(key, value, f"three numbers, each from -{farthest:g} to {farthest:g}")
        return float(value[0]), float(value[1]), float(value[2])

    def direction(self, key: str) -> tuple[float, float, float]:
        """Return a unit vector; one that is off by a rounding is put right."""
        x, y, z = self.vector(key, 1.0 + _NEARLY_UNIT)
        length = math.hypot(x, y, z)
        if abs(length - 1.0) > _NEARLY_UNIT:
            self.refuse(key, self.values[key], f"a direction of length 1 (this one has {length:.4g})")
        return x / length, y / length, z / length

    def inside(self, key: str, needed: str, optional: str = "") -> _Keys:
        return _checked(self.name, f"{self.path}{key}.", self.values[key], needed, optional)

    def each(self, key: str, needed: str, optional: str, most: int) -> list[_Keys]:
        value = self.values[key]
        if not isinstance(value, list) or not 1 <= len(value) <= most:
            self.refuse(key, value, f"a list of 1 to {most}")
        return [
            _checked(self.name, f"{self.path}{key}[{at}].", one, needed, optional)
            for at, one in enumerate(value)
        ]

    def _siblings(self) -> str:
        return ", ".join(map(_quoted, list(self.values)[:4])) or "nothing else"


def _read_keys(text: str, name: str, needed: str, optional: str = "") -> _Keys:
    """Parse a JSON text strictly: no doubled keys, no NaN, no infinity."""
    shown = _shown(name)
    if len(text) > MAX_CHARACTERS:
        raise BadInput(f"{shown}: {len(text)} characters, expected {MAX_CHARACTERS} at most")

    def refuse_constant(constant: str) -> NoReturn:
        raise BadInput(f"{shown}: {constant} is no number, expected a finite one")

    def without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
            raise BadInput(f"{shown}: key {_quoted(twice)} comes twice, expected every key once")
        return found

    try:
        values = json.loads(
            text.removeprefix("\ufeff"), parse_constant=refuse_constant, object_pairs_hook=without_doubles
        )
    except json.JSONDecodeError as error:
        raise BadInput(
            f"{shown}, line {error.lineno}: column {error.colno} cannot be read ({error.msg}), expected JSON"
        ) from None
    except RecursionError:
        raise BadInput(f"{shown}: nested too deep, expected a plain file as described") from None
    except ValueError:  # a whole number of thousands of digits
        raise BadInput(f"{shown}: a number has too many digits, expected a usual one") from None
    return _checked(shown, "", values, needed, optional)


def _checked(name: str, path: str, values: object, needed: str, optional: str) -> _Keys:
    """Refuse anything but the known keys, then anything that lacks a needed one."""
    must, may = needed.split(), optional.split()
    place = path.rstrip(".") or "the file"
    if not isinstance(values, dict):
        raise BadInput(f"{name}: {place} is {_quoted(values)}, expected keys {_listed(must)}")
    for key in values:
        if key not in must and key not in may:
            near = difflib.get_close_matches(key[:_LONGEST_KEY], must + may, 1)
            hint = f" (perhaps {near[0]} is meant)" if near else ""
            raise BadInput(
                f"{name}: unknown key {_quoted(path + key)}{hint}, expected only {_listed(must + may)}"
            )
    keys = _Keys(name, path, values)
    for key in must:
        if key not in values:
            keys.refuse_missing(key)
    return keys


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)


def _quoted(value: object) -> str:
    """Show a value on one line, cut short."""
    if isinstance(value, str):
        shown = json.dumps(value[:60])
    elif isinstance(value, dict | list):
        shown = f"a list of {len(value)}" if isinstance(value, list) else f"a set of {len(value)} keys"
        if isinstance(value, list) and len(value) <= 4 and all(isinstance(x, int | float) for x in value):
            shown = "[" + ", ".join(_quoted(x) for x in value) + "]"
    elif isinstance(value, bool) or value is None:
        shown = json.dumps(value)
    elif isinstance(value, int) and abs(value) > _LARGEST:
        shown = "a very large number"
    else:
        shown = f"{value:.9g}" if isinstance(value, float) else str(value)
    return shown


def _shown(name: str) -> str:
    """Make a file's name fit for one line."""
    return "".join(c if c.isprintable() else "?" for c in name[:80]) or "input"
