"""Readers of probe, wall, machine and cutter files: right records from good text, one line from bad."""

import copy
import hashlib
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine import files
from engine.errors import BadInput

MACHINE = {
    "name": "Turntable arm 1",
    "axes": [
        {
            "word": "C", "moves": "work", "kind": "rotary", "direction": [0, 0, 1], "through": [0, 0, 0],
            "min": None, "max": None, "max_speed": 3600, "max_acceleration": 900,
        },
        {
            "word": "B", "moves": "cutter", "kind": "rotary", "direction": [0, -1, 0], "through": [0, 0, 0],
            "min": -20, "max": 85, "max_speed": 1800, "max_acceleration": 600,
        },
        {
            "word": "X", "moves": "cutter", "kind": "linear", "direction": [1, 0, 0],
            "min": 20, "max": 320, "max_speed": 3000, "max_acceleration": 400,
        },
    ],
    "cutter_axis": [1, 0, 0],
    "cutter_tip_at_zero": [0, 0, 0],
    "seat": [0, 0, 0],
    "spindle": {"min_rpm": 3000, "max_rpm": 24000},
    "changer": True,
    "change_cutter_s": 240,
    "home": {"C": 0, "B": 0, "X": 300},
    "path_tolerance_mm": 0.05,
}  # fmt: skip

CUTTER = {
    "name": "6 mm flat", "form": "flat", "diameter_mm": 6, "teeth": 2, "flute_length_mm": 42,
    "stick_out_mm": 50, "holder": {"diameter_mm": 30, "length_mm": 60}, "centre_cutting": True,
    "rpm": 12000, "feed_mm_per_min": 1400, "plunge_mm_per_min": 400, "step_down_mm": 5, "stepover_mm": 1.5,
    "life": {"material": "squash", "exponent": 0.25, "constant_m_per_min": 600},
}  # fmt: skip

GONE = object()


def with_change(base, path, value):
    """Return JSON text of a copy of `base` in which the key at `path` is `value`, or is left out."""
    changed = copy.deepcopy(base)
    *way, last = path
    at = changed
    for step in way:
        at = at[step]
    if value is GONE:
        del at[last]
    else:
        at[last] = value
    return json.dumps(changed)


def touches_on_a_ball(n=20, radius=80.0):
    k = np.arange(n) + 0.5
    z = 1 - 2 * k / n
    turn = k * math.pi * (3 - math.sqrt(5))
    r = np.sqrt(1 - z * z)
    return radius * np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def csv_of(points, header="x_mm,y_mm,z_mm"):
    return "\n".join([header, *(",".join(f"{v:.6f}" for v in row) for row in points)]) + "\n"


def refusal(reader, *arguments):
    """Return the text of the refusal; it must be one line."""
    with pytest.raises(BadInput) as caught:
        reader(*arguments)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# --- touches


def test_touches_are_read_with_radius_lines_and_digest():
    """Centres, the comment's radius, line numbers and the file's sha256 come through unchanged."""
    points = touches_on_a_ball()
    text = "# made by hand\n# tip_radius_mm=1.5\n" + csv_of(points)
    scan = files.read_touches(text, "probe.csv")
    assert np.allclose(scan.centres_seat_mm, points, atol=1e-6)
    assert scan.tip_radius_mm == 1.5
    assert scan.lines[0] == 4 and scan.lines[-1] == 23
    assert list(scan.touch_numbers) == list(range(1, 21))
    assert scan.digest == hashlib.sha256(text.encode()).hexdigest()[:12]


def test_given_radius_goes_before_the_comment_and_none_is_nought():
    """The command line wins over the file; without either the radius is 0."""
    text = "# tip_radius_mm=1.5\n" + csv_of(touches_on_a_ball())
    assert files.read_touches(text, "p", 2.0).tip_radius_mm == 2.0
    assert files.read_touches(csv_of(touches_on_a_ball()), "p").tip_radius_mm == 0.0


def test_windows_line_ends_byte_order_mark_and_other_columns_are_fine():
    """A file from a spreadsheet reads the same; columns nobody asked for are left alone."""
    points = touches_on_a_ball()
    rows = [f"{x},{y},{z},ok" for x, y, z in points.tolist()]
    text = "\ufeff" + "\r\n".join(["x_mm,y_mm,z_mm,remark", *rows]) + "\r\n"
    scan = files.read_touches(text, "p")
    assert np.array_equal(scan.centres_seat_mm, points) and scan.lines[0] == 2


def test_reprobes_keep_their_numbers():
    """Rows of one touch number are one place and may repeat exactly."""
    points = touches_on_a_ball(15)
    rows = np.column_stack([np.vstack([points, points[:2]]), [*range(15), 0, 1]])
    scan = files.read_touches(csv_of(rows, "x_mm,y_mm,z_mm,touch"), "p")
    assert len(scan.lines) == 17 and list(scan.touch_numbers[-2:]) == [0, 1]


BALL = touches_on_a_ball()
BAD_TOUCHES = {
    "word": (csv_of(BALL) + "1,two,3\n", "line 22", '"two"'),
    "nan": (csv_of(BALL) + "nan,2,3\n", "line 22", '"nan"'),
    "overflow": (csv_of(BALL) + "1e999,2,3\n", "line 22", "2000"),
    "far": (csv_of(BALL) + "2000.5,2,3\n", "line 22", "2000.5"),
    "underscore": (csv_of(BALL) + "1_0,2,3\n", "line 22", '"1_0"'),
    "other digits": (csv_of(BALL) + "٣,2,3\n", "line 22", "number"),
    "decimal comma": (csv_of(BALL) + "1,5,2,3\n", "line 22", "4 values"),
    "too few": (csv_of(BALL) + "1,2\n", "line 22", "2 values"),
    "empty cell": (csv_of(BALL) + "1,,2\n", "line 22", '""'),
    "open quote": (csv_of(BALL) + '1,"2,3\n', "line 22", "cannot be read"),
    "same place": (csv_of(np.vstack([BALL, BALL[3]])), "line 22", "line 5"),
    "no header": ("1,2,3\n", "line 1", "x_mm"),
    "missing column": ("x_mm,y_mm\n1,2\n", "line 1", "z_mm"),
    "column twice": ("x_mm,y_mm,z_mm,x_mm\n", "line 1", "twice"),
    "nothing": ("", "empty", "header"),
    "eleven": (csv_of(BALL[:11]), "11 distinct", "12"),
    "plane": (csv_of(BALL * [1, 1, 0]), "one plane", "all round"),
    "line": (csv_of(np.outer(np.arange(20), [1, 2, 3])), "one line", "all round"),
    "point": (csv_of(np.outer(np.arange(20), [1e-3, 0, 0])), "one point", "all round"),
    "half a touch": ("x_mm,y_mm,z_mm,touch\n1,2,3,1.5\n", "line 2", "whole number"),
    "touch far off": ("x_mm,y_mm,z_mm,touch\n1,2,3,1\n1,2,30,1\n", "line 3", "27.0 mm"),
    "direction": ("x_mm,y_mm,z_mm,i,j,k\n1,2,3,0,0,0.5\n", "line 2", "length"),
    "half a direction": ("x_mm,y_mm,z_mm,i\n1,2,3,1\n", "column i", "together"),
    "bad radius": ("# tip_radius_mm=one\n" + csv_of(BALL), "line 1", '"one"'),
    "negative radius": ("# tip_radius_mm=-1\n" + csv_of(BALL), "line 1", '"-1"'),
}


@pytest.mark.parametrize("case", BAD_TOUCHES)
def test_bad_touches_are_refused_with_line_and_reason(case):
    """Each kind of bad row or file names the file, the line, and what is wrong."""
    text, *parts = BAD_TOUCHES[case]
    found = refusal(files.read_touches, text, "probe.csv")
    assert found.startswith("probe.csv")
    assert all(part in found for part in [*parts, "expected"]), found


def test_too_many_touches_are_refused():
    """The fit holds a square matrix: the reader stops before it fills the memory."""
    text = csv_of(touches_on_a_ball(files.MAX_TOUCHES + 1))
    assert str(files.MAX_TOUCHES) in refusal(files.read_touches, text, "p")


def test_bytes_that_are_not_text_are_refused_with_their_line():
    """UTF-8 only; the message names the line of the first wrong byte."""
    assert "line 2" in refusal(files.text_of, b"x_mm\n\xff\xfe", "p.csv")
    assert files.text_of("x\r\nü".encode(), "p.csv") == "x\r\nü"


# --- wall


def test_wall_readings_become_radians_and_one_place_is_averaged():
    """90 degrees is pi/2; two readings of one place count once with their mean; sigma is the root mean
    square."""
    text = "longitude_deg,latitude_deg,wall_mm,sigma_mm\n90,30,20,3\n-270,30,22,4\n0,0,18,3\n"
    wall = files.read_wall(text, "wall.csv")
    assert len(wall.thickness_mm) == 2
    at = int(np.argmax(wall.thickness_mm))
    assert wall.thickness_mm[at] == pytest.approx(21.0)
    assert math.sin(wall.longitude_rad[at]) == pytest.approx(1.0)
    assert wall.latitude_rad[at] == pytest.approx(math.pi / 6)
    assert wall.sigma_mm == pytest.approx(math.sqrt((9 + 16 + 9) / 3))


@pytest.mark.parametrize(
    ("row", "part"),
    [("0,91,20", "latitude_deg"), ("400,0,20", "longitude_deg"), ("0,0,0", "wall_mm"), ("0,0,-3", "wall_mm")],
)
def test_impossible_wall_readings_are_refused(row, part):
    """Latitude beyond a pole, longitude beyond a turn, a wall of nought or less."""
    found = refusal(files.read_wall, "longitude_deg,latitude_deg,wall_mm\n" + row, "wall.csv")
    assert part in found and "line 2" in found


def test_wall_without_readings_is_refused():
    """A header alone is no wall."""
    assert "no reading" in refusal(files.read_wall, "longitude_deg,latitude_deg,wall_mm\n", "wall.csv")


def test_uniform_wall():
    """One number is one reading; nonsense is refused."""
    assert list(files.uniform_wall(22).thickness_mm) == [22.0]
    for wrong in (0.0, -5.0, math.nan, math.inf, 1000.0):
        refusal(files.uniform_wall, wrong)


# --- machines


def test_machine_as_in_the_format():
    """The format's own example comes through key by key."""
    machine = files.read_machine(json.dumps(MACHINE), "arm.json")
    assert [axis.word for axis in machine.axes] == ["C", "B", "X"]
    assert machine.axes[0].minimum is None and machine.axes[1].minimum == -20.0
    assert machine.axes[1].direction == (0.0, -1.0, 0.0) and machine.axes[2].max_acceleration == 400.0
    assert machine.home == (0.0, 0.0, 300.0) and machine.max_rpm == 24000.0 and machine.changer


def test_home_is_drawn_back_when_the_file_does_not_say():
    """Rotary axes at 0, X at the end towards the holder: +X is `cutter_axis`, so its max, 320."""
    assert files.read_machine(with_change(MACHINE, ["home"], GONE), "m").home == (0.0, 0.0, 320.0)


def test_home_draws_the_work_away_and_centres_other_axes():
    """A table that carries the work moves against the cutter's axis; sideways axes stand at 0 or nearest."""
    base = copy.deepcopy(MACHINE)
    del base["home"]
    base["axes"][2]["moves"] = "work"
    assert files.read_machine(json.dumps(base), "m").home == (0.0, 0.0, 20.0)
    base["axes"][2]["direction"] = [0, 1, 0]
    assert files.read_machine(json.dumps(base), "m").home == (0.0, 0.0, 20.0)
    base["axes"][2].update(min=-50, max=-10)
    assert files.read_machine(json.dumps(base), "m").home == (0.0, 0.0, -10.0)


def test_nearly_unit_directions_are_put_right():
    """A direction typed with four digits is taken as the unit vector it means."""
    text = with_change(MACHINE, ["axes", 2, "direction"], [0.7071, 0, 0.7071])
    found = files.read_machine(text, "m").axes[2].direction
    assert found == pytest.approx((math.sqrt(0.5), 0.0, math.sqrt(0.5)), abs=1e-12)


BAD_MACHINES = {
    "misspelt": (["axes", 1, "maks"], 4, "axes[1].maks"),
    "unknown": (["colour"], "red", "colour"),
    "unknown inside": (["spindle", "power"], 1, "spindle.power"),
    "missing": (["seat"], GONE, "seat is missing"),
    "missing limit": (["axes", 1, "max"], GONE, "axes[1].max is missing"),
    "missing through": (["axes", 0, "through"], GONE, "axes[0].through is missing"),
    "text for number": (["axes", 1, "max_speed"], "fast", "axes[1].max_speed"),
    "flag for number": (["axes", 1, "max_speed"], True, "axes[1].max_speed"),
    "number for flag": (["changer"], 1, "true or false"),
    "no speed": (["axes", 1, "max_speed"], 0, "above 0"),
    "no acceleration": (["axes", 1, "max_acceleration"], -1, "above 0"),
    "zero direction": (["axes", 1, "direction"], [0, 0, 0], "axes[1].direction"),
    "long direction": (["axes", 1, "direction"], [0, 0, 1.5], "axes[1].direction"),
    "half direction": (["cutter_axis"], [0.5, 0.5, 0], "0.7071"),
    "flat direction": (["cutter_axis"], [1, 0], "three numbers"),
    "word twice": (["axes", 1, "word"], "C", "axes[1].word"),
    "word unknown": (["axes", 1, "word"], "Q", '"Q"'),
    "word of other kind": (["axes", 1, "word"], "Y", "A, B or C"),
    "kind": (["axes", 1, "kind"], "slide", '"slide"'),
    "moves": (["axes", 1, "moves"], "both", '"both"'),
    "limits crossed": (["axes", 1, "max"], -30, "at least -20"),
    "spindle crossed": (["spindle", "max_rpm"], 10, "at least 3000"),
    "home outside": (["home", "X"], 400, "home.X is 400"),
    "home incomplete": (["home", "B"], GONE, "home.B is missing"),
    "home of no axis": (["home", "Z"], 0, "home.Z"),
    "no axes": (["axes"], [], "axes"),
    "axes no list": (["axes"], {"C": 1}, "axes"),
    "axis no keys": (["axes", 1], 7, "axes[1]"),
    "empty name": (["name"], "  ", "name"),
    "two lines": (["name"], "a\nb", "name"),
    "tolerance": (["path_tolerance_mm"], 0, "path_tolerance_mm"),
    "huge": (["seat"], [1e9, 0, 0], "seat"),
}


@pytest.mark.parametrize("case", BAD_MACHINES)
def test_bad_machines_are_refused_by_key(case):
    """Each kind of mistake names the file and the whole path of the key."""
    path, value, part = BAD_MACHINES[case]
    found = refusal(files.read_machine, with_change(MACHINE, path, value), "arm.json")
    assert found.startswith("arm.json: ") and part in found and "expected" in found, found


def test_home_that_cannot_be_found_is_refused():
    """No limit to draw back to, or a rotary axis that cannot stand at 0: the file must say home."""
    base = copy.deepcopy(MACHINE)
    del base["home"]
    assert "axis X has no max" in refusal(
        files.read_machine, with_change(base, ["axes", 2, "max"], None), "m"
    )
    assert "axis B" in refusal(files.read_machine, with_change(base, ["axes", 1, "min"], 10), "m")


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 5000])
def test_numbers_that_are_none_are_refused(word):
    """JSON of other programs may hold NaN or infinities; here they are refused."""
    text = json.dumps(MACHINE).replace("0.05", word)
    refusal(files.read_machine, text, "m")


def test_doubled_keys_broken_and_deep_texts_are_refused():
    """A second value for a key would silently win; broken JSON names its line; deep nesting is no crash."""
    assert "twice" in refusal(files.read_machine, '{"name": "a", "name": "b"}', "m")
    assert "line 2" in refusal(files.read_machine, '{"name":\n oops}', "m")
    refusal(files.read_machine, "[" * 100_000, "m")
    refusal(files.read_machine, "7", "m")


# --- cutters


def test_cutters_as_in_the_format():
    """The format's own example comes through key by key; a drill without angle has the usual 118 degrees."""
    drill = {**CUTTER, "name": "5 mm drill", "form": "drill", "diameter_mm": 5}
    flat, second = files.read_cutters(json.dumps({"cutters": [CUTTER, drill]}), "c.json")
    assert (flat.name, flat.form, flat.radius_mm, flat.teeth) == ("6 mm flat", "flat", 3.0, 2)
    assert (flat.holder_diameter_mm, flat.holder_length_mm) == (30.0, 60.0)
    assert flat.life.exponent == 0.25 and flat.life.material == "squash"
    assert flat.tip_angle_deg == 180.0 and second.tip_angle_deg == 118.0


BAD_CUTTERS = {
    "misspelt": (["feed_mm_min"], 5, "cutters[0].feed_mm_min"),
    "missing": (["rpm"], GONE, "cutters[0].rpm is missing"),
    "form": (["form"], "vee", '"vee"'),
    "no diameter": (["diameter_mm"], 0, "above 0"),
    "half a tooth": (["teeth"], 2.5, "whole number"),
    "short flute": (["flute_length_mm"], 2, "at least 3"),
    "short stick-out": (["stick_out_mm"], 30, "at least 42"),
    "deep step": (["step_down_mm"], 43, "at most 42"),
    "wide step": (["stepover_mm"], 7, "at most 6"),
    "cone without angle": (["form"], "cone", "tip_angle_deg is missing"),
    "flat with angle": (["tip_angle_deg"], 60, "tip_angle_deg"),
    "holder": (["holder", "diameter_mm"], -1, "cutters[0].holder.diameter_mm"),
    "exponent": (["life", "exponent"], 1.5, "cutters[0].life.exponent"),
    "life": (["life"], 3, "cutters[0].life"),
}


@pytest.mark.parametrize("case", BAD_CUTTERS)
def test_bad_cutters_are_refused_by_key(case):
    """Each kind of mistake names the file and the whole path of the key."""
    path, value, part = BAD_CUTTERS[case]
    text = with_change({"cutters": [CUTTER]}, ["cutters", 0, *path], value)
    found = refusal(files.read_cutters, text, "c.json")
    assert found.startswith("c.json: ") and part in found and "expected" in found, found


def test_cone_flutes_must_reach_past_the_cone():
    """A 30 degree cone of 6 mm is 3 / tan(15 degrees) = 11.196 mm long."""
    cone = {**CUTTER, "form": "cone", "tip_angle_deg": 30, "step_down_mm": 1}
    files.read_cutters(json.dumps({"cutters": [{**cone, "flute_length_mm": 11.2}]}), "c")
    found = refusal(files.read_cutters, json.dumps({"cutters": [{**cone, "flute_length_mm": 11.1}]}), "c")
    assert "11.1962" in found


def test_two_cutters_of_one_name_are_refused():
    """A program names its cutters: names must tell them apart."""
    found = refusal(files.read_cutters, json.dumps({"cutters": [CUTTER, CUTTER]}), "c.json")
    assert "cutters[1].name" in found


# --- any text at all

READERS = [files.read_touches, files.read_wall, files.read_machine, files.read_cutters]
JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=8,
)


@pytest.mark.parametrize("reader", READERS)
@settings(max_examples=60, deadline=None)
@given(text=st.text() | st.text(alphabet='x_mydz,0123456789.eE+-"#\n\r {}[]:', max_size=200), name=st.text())
def test_any_text_is_read_or_refused_in_one_line(reader, text, name):
    """No text and no name, however strange, ends in anything but a record or one line of refusal."""
    try:
        reader(text, name)
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


@settings(max_examples=150, deadline=None)
@given(value=JSON_VALUES, key=st.sampled_from(sorted(MACHINE)))
def test_any_value_in_a_machine_is_read_or_refused(value, key):
    """Any JSON value at any key is a machine or one line."""
    try:
        files.read_machine(json.dumps({**MACHINE, key: value}), "m")
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


@settings(max_examples=150, deadline=None)
@given(value=JSON_VALUES, key=st.sampled_from(sorted(CUTTER)))
def test_any_value_in_a_cutter_is_read_or_refused(value, key):
    """Any JSON value at any key is a cutter or one line."""
    try:
        files.read_cutters(json.dumps({"cutters": [{**CUTTER, key: value}]}), "c")
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(st.lists(st.text(max_size=6) | st.floats().map(str), min_size=3, max_size=3)))
def test_any_cells_are_read_or_refused(rows):
    """Any cells below a good header are touches or one line."""
    text = csv_of([]) + "\n".join(",".join(row) for row in rows)
    try:
        files.read_touches(text, "p")
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


# --- keep-outs -----------------------------------------------------------------------------------------


def test_keep_outs_are_read_with_the_trade_s_margins():
    """A stem with its own margin left to the trade: 15 mm; a blemish 8; angles become radians."""
    text = "kind,longitude_deg,latitude_deg,radius_mm\nstem,0,90,22\nblemish,120,-10,4\n"
    stem, blemish = files.read_keep_outs(text, "keep.csv")
    assert (stem.kind, stem.radius_mm, stem.margin_mm) == ("stem", 22, 15)
    assert stem.latitude_rad == pytest.approx(np.pi / 2)
    assert (blemish.kind, blemish.margin_mm) == ("blemish", 8)
    assert blemish.longitude_rad == pytest.approx(np.radians(120))


def test_a_margin_of_the_file_goes_before():
    """What the file says holds."""
    text = "kind,longitude_deg,latitude_deg,radius_mm,margin_mm\nclamp,10,-40,25,9\n"
    assert files.read_keep_outs(text, "keep.csv")[0].margin_mm == 9


@pytest.mark.parametrize(
    ("row", "says"),
    [("nail,0,0,5", "line 2: kind is .nail., expected one of stem"), ("stem,0,95,5", "latitude_deg is .95.")],
)
def test_bad_keep_outs_are_refused(row, says):
    """With the line and what was expected."""
    with pytest.raises(BadInput, match=says):
        files.read_keep_outs("kind,longitude_deg,latitude_deg,radius_mm\n" + row + "\n", "keep.csv")
