"""What is written is safe and complete, what is read back is what was written, and the rest is refused."""

import dataclasses
import re
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import BadInput, CannotBeDone
from engine.program import read_program, read_programs, write_programs
from engine.records import Axis, Cutter, CutterForm, Life, Machine, Poses, Toolpath

ARC = Machine(
    name="Turntable arm 1",
    axes=(
        Axis("C", "work", "rotary", (0, 0, 1), max_speed=3600, max_acceleration=900),
        Axis("B", "cutter", "rotary", (0, -1, 0), (0, 0, 0), -20, 85, 1800, 600),
        Axis("X", "cutter", "linear", (1, 0, 0), (0, 0, 0), 20, 320, 3000, 400),
    ),
    cutter_axis=(1, 0, 0),
    cutter_tip_at_zero_mm=(0, 0, 0),
    seat_mm=(0, 0, 0),
    min_rpm=3000,
    max_rpm=24000,
    changer=True,
    change_cutter_s=240,
    home=(0, 0, 320),
    path_tolerance_mm=0.05,
)
HEADER = {
    "job": "Lime Walk 7",
    "workpiece": "0147",
    "scan": "0123456789ab",
    "written by": "Lanternwright 0.1.0",
}


def a_cutter(name="6 mm flat", rpm=12000):
    return Cutter(
        name, CutterForm.FLAT, 6, 2, 42, 50, 30, 60, True, rpm, 1400, 400, 5, 1.5, Life("squash", 0.25, 600)
    )


def on_arc(axes):
    """Tips of the arm machine, worked from its drawing: X out along B up, seen from a table turned by C."""
    c, b, x = np.radians(axes[:, 0]), np.radians(axes[:, 1]), axes[:, 2]
    directions = np.stack([np.cos(b) * np.cos(c), -np.cos(b) * np.sin(c), np.sin(b)], axis=1)
    return x[:, None] * directions, directions


def some_poses(axes, feeds, passes=None, cutter=None):
    axes, feeds = np.asarray(axes, float), np.asarray(feeds, float)
    n = len(axes)
    tips, directions = on_arc(axes)
    passes = np.where(np.isinf(feeds), -1, 0) if passes is None else passes
    path = Toolpath(tips, directions, feeds, passes, np.zeros(n, int) if cutter is None else cutter)
    return Poses(axes, path, np.zeros(n), np.zeros(n))


INF = np.inf
SMALL = [[10, 5, 150], [10, 5, 140], [20, 5, 140], [20, 8, 138.5], [20, 8, 150], [0, 0, 320]]
SMALL_FEEDS = [INF, 400, 1400, 1400, INF, INF]


def small(**kinds):
    return some_poses(SMALL, SMALL_FEEDS, **kinds)


def written(poses=None, machine=ARC, cutters=None, **kinds):
    return write_programs(
        poses or small(),
        machine,
        cutters or [a_cutter()],
        HEADER,
        ("opening 3 outline", "opening 4"),
        **kinds,
    )


def read(lines, machine=ARC, start="M6 T1 (6 mm flat)\nM3 S12000\n"):
    return read_program(start + lines + "\nM5\nM2\n", machine)


# --- writing -------------------------------------------------------------------------------------------


def test_head_of_a_program():
    """Job, workpiece, scan, machine, cutter and writer come first, then cautions, then the words in force."""
    ((name, text),) = written(notes=("turned over (mirror)",))
    lines = text.splitlines()
    assert name == "program.nc"
    assert lines[:6] == [
        "(job: Lime Walk 7)",
        "(workpiece: 0147)",
        "(scan: 0123456789ab)",
        "(machine: Turntable arm 1)",
        "(cutter: 6 mm flat)",
        "(written by: Lanternwright 0.1.0)",
    ]
    assert "(turned over [mirror])" in lines
    assert "(This program does not guard, stop or supervise a machine)" in lines
    first_block = next(line for line in lines if not line.startswith("("))
    assert first_block == "G21 G90 G17 G94"


def test_a_program_is_safe_from_end_to_end():
    """Spindle stopped and a person's look before all; home first; M3 after M6; home, M5, M2 at the end."""
    lines = [line for line in written()[0][1].splitlines() if not line.startswith("(")]
    assert lines[1] == "M5"
    assert lines[2].startswith("M0 (look: workpiece number, carrier plate")
    assert "front mark" in lines[2] and "guard" in lines[2]
    assert lines[3] == "G0 C0.0000 B0.0000 X320.000"
    assert lines[4] == "M6 T1 (6 mm flat)"
    assert lines[5].startswith("M0 (look: 6 mm flat fitted")
    assert lines[6] == "M3 S12000"
    assert lines[-3:] == ["C0.0000 B0.0000 X320.000", "M5", "M2"]


def test_only_the_standard_words():
    """Outside comments stand only words of the format, and a pass is announced by its name."""
    text = written()[0][1]
    assert "(pass: opening 3 outline)" in text
    words = re.findall(r"[A-Z]\S*", re.sub(r"\([^()]*\)", "", text))
    allowed = {"G0", "G1", "G17", "G21", "G90", "G93", "G94", "M0", "M2", "M3", "M5", "M6"}
    assert {word for word in words if word[0] in "GM"} <= allowed
    assert {word[0] for word in words} <= set("GMFSTCBX")


def test_inverse_time_values():
    """NISTIR 6556, 3.5.19-20, F = 1 / minutes: 40 mm at 600 -> F15; 90 deg at R = 80 -> F4.774648."""
    poses = some_poses(
        [[0, 0, 80], [0, 0, 120], [1, 0, 80], [91, 0, 80], [0, 0, 320]], [INF, 600, INF, 600, INF]
    )
    arc = np.concatenate([[0, 40, 40, 125.663706144, 200]])
    tips = np.stack([np.cumsum(arc), 0 * arc, 0 * arc], axis=1)  # the way on the surface, as one long line
    path = dataclasses.replace(poses.toolpath, tips_work_mm=tips)
    text = written(dataclasses.replace(poses, toolpath=path))[0][1]
    assert "G94 G1 X120.000 F600" in text
    match = re.search(r"G93 G1 C91\.0000 F(\S+)", text)
    assert match and float(match[1]) == pytest.approx(4.774648293, rel=1e-6)


def test_linear_and_arc_at_once():
    """30 mm of a slide and 40 mm of surface: 50 mm of way at 600 mm/min are F12 (NISTIR 6556, 3.5.19)."""
    poses = some_poses([[0, 0, 100], [20, 0, 130], [0, 0, 320]], [INF, 600, INF])
    path = dataclasses.replace(poses.toolpath, tips_work_mm=[[0, 0, 0], [30, 40, 0], [0, 0, 0]])
    assert "G93 G1 C20.0000 X130.000 F12\n" in written(dataclasses.replace(poses, toolpath=path))[0][1]


def test_feed_is_held_by_the_slowest_axis():
    """180 degrees of a 3600 deg/min table need 0.05 min, however short the way of the tip."""
    poses = some_poses([[0, 0, 100], [180, 0, 100], [0, 0, 320]], [INF, 1400, INF])
    path = dataclasses.replace(poses.toolpath, tips_work_mm=[[0, 0, 0], [1, 0, 0], [0, 0, 0]])
    assert "G93 G1 C180.0000 F20\n" in written(dataclasses.replace(poses, toolpath=path))[0][1]


def test_every_line_of_inverse_time_has_its_feed():
    """Between G93 and the next G94 or G0 each line has an F; the reader checks the same."""
    text = written()[0][1]
    assert len(re.findall(r"F", re.sub(r"\([^()]*\)", "", text))) == 3
    assert read_program(text, ARC).rapid.tolist() == [True, True, True, False, False, False, True, True]


def test_rounding_does_not_add_up():
    """Ten thousand steps of 0.00004 mm end at 0.4 mm, and take the time of the whole way."""
    x = 150 - 0.00004 * np.arange(10001)
    axes = np.vstack([np.stack([0 * x, 0 * x, x], axis=1), [0, 0, 320]])
    feeds = np.concatenate([[INF], np.full(10000, 60.0), [INF]])
    back = read_program(written(some_poses(axes, feeds))[0][1], ARC)
    assert back.axes[-2, 2] == pytest.approx(149.6, abs=5e-4)
    assert np.nansum(back.minutes) == pytest.approx(0.4 / 60, rel=1e-2)


def two_cutters():
    axes = SMALL + SMALL
    return some_poses(axes, SMALL_FEEDS + SMALL_FEEDS, cutter=np.repeat([0, 1], 6))


def test_change_of_cutter_with_a_changer():
    """One program; the spindle stops before the change, which is at home, and a person looks after it."""
    ((_, text),) = written(two_cutters(), cutters=[a_cutter(), a_cutter("3 mm ball", 20000)])
    lines = text.splitlines()
    at = lines.index("M6 T2 (3 mm ball)")
    assert lines[at - 2 : at] == ["C0.0000 B0.0000 X320.000", "M5"]
    assert lines[at + 1].startswith("M0 (look: 3 mm ball")
    assert lines[at + 2] == "M3 S20000"
    assert "(cutter: 6 mm flat, 3 mm ball)" in lines
    back = read_program(text, ARC)
    assert back.cutter_names == ("6 mm flat", "3 mm ball")
    assert back.spindle_rpm[back.cutter == 1].tolist() == [20000] * 6


def test_one_program_for_each_cutter_without_a_changer():
    """Each is complete: own head, look, cutter, home, stop, and end; read in turn they are the whole job."""
    machine = dataclasses.replace(ARC, changer=False)
    cutters = [a_cutter(), a_cutter("3 mm ball", 20000)]
    programs = written(two_cutters(), machine, cutters)
    assert [name for name, _ in programs] == ["program_1.nc", "program_2.nc"]
    for (_, text), cutter in zip(programs, cutters, strict=True):
        assert f"(cutter: {cutter.name})" in text
        assert text.count("M6 ") == 1
        assert text.endswith("M5\nM2\n")
        single = read_program(text, machine)
        np.testing.assert_allclose(single.axes[[0, 1, -1]], [machine.home] * 3)
    back = read_programs([text for _, text in programs], machine)
    whole = read_program(written(two_cutters(), ARC, cutters)[0][1], ARC)
    assert back.cutter_names == whole.cutter_names
    np.testing.assert_allclose(back.axes[~back.rapid], whole.axes[~whole.rapid])
    assert back.cutter[~back.rapid].tolist() == whole.cutter[~whole.rapid].tolist()
    assert back.header["cutter"] == "6 mm flat, 3 mm ball"
    assert [name for name, _ in written(machine=machine)] == ["program.nc"]


def test_an_endless_table_is_not_unwound():
    """A table that has turned twice goes home to the nearest whole turn; the next program starts near 0."""
    axes = np.array(SMALL, float)
    axes[:, 0] += 720
    back = read_program(written(some_poses(axes, SMALL_FEEDS))[0][1], ARC)
    assert np.abs(np.diff(back.axes[:, 0])).max() <= 20
    np.testing.assert_allclose(back.axes[-1], ARC.home)


def test_home_is_reached_where_only_rotary_axes_are_left():
    """A toolpath that ends drawn back but turned is brought home."""
    axes = np.array(SMALL, float)
    axes[-1] = [370, 40, 320]
    back = read_program(written(some_poses(axes, SMALL_FEEDS))[0][1], ARC)
    np.testing.assert_allclose(back.axes[-1], [360, 0, 320])
    assert back.rapid[-1]


def test_what_is_not_written():
    """Speeds outside the spindle's, values outside limits, no home, no travel first: refused by name."""
    with pytest.raises(BadInput, match=r"6 mm flat: 30000 rpm.*3000 to 24000"):
        written(cutters=[a_cutter(rpm=30000)])
    with pytest.raises(BadInput, match="1000 rpm"):
        written(cutters=[a_cutter(rpm=1000)])
    high = np.array(SMALL, float)
    high[3, 1] = 85.1
    with pytest.raises(CannotBeDone, match=r"move 3: axis B at 85\.1000, limits -20 to 85"):
        written(some_poses(high, SMALL_FEEDS))
    high[3, 1] = np.nan
    with pytest.raises(CannotBeDone, match="axis B at nan"):
        written(some_poses(high, SMALL_FEEDS))
    with pytest.raises(BadInput, match=r"170\.000 mm from home"):
        written(some_poses(SMALL[:-1], SMALL_FEEDS[:-1]))
    with pytest.raises(BadInput, match="move 0: the first move"):
        written(some_poses(SMALL, [400.0, *SMALL_FEEDS[1:]]))
    with pytest.raises(BadInput, match="same name"):
        written(two_cutters(), cutters=[a_cutter(), a_cutter()])
    with pytest.raises(BadInput, match="empty"):
        written(some_poses(np.zeros((0, 3)), np.zeros(0)))


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_round_trip(seed):
    """What is read back stands within half a count of the poses, with their kinds and times."""
    rng = np.random.default_rng(seed)
    n = 60
    axes = np.cumsum(rng.normal(0, [4, 1, 1], (n, 3)), axis=0) + np.array([0, 30, 150])
    axes = np.vstack([np.clip(axes, [-9999, -20, 20], [9999, 85, 320]), ARC.home])
    feeds = np.where(rng.random(n + 1) < 0.3, INF, rng.uniform(100, 2000, n + 1))
    feeds[[0, -1]] = INF
    poses = some_poses(axes, feeds)
    back = read_program(written(poses)[0][1], ARC)
    rows = slice(2, 2 + len(axes))  # after home, twice; a last row may unwind
    assert np.abs(back.axes[rows] - axes)[:-1].max() <= 0.00051
    assert np.abs(back.axes[rows] - axes)[:-1, :2].max() <= 0.000051
    assert back.rapid[rows].tolist() == np.isinf(feeds).tolist()
    tips = on_arc(axes)[0]
    by_feed = np.linalg.norm(np.diff(tips, axis=0), axis=1) / feeds[1:]
    by_axis = (np.abs(np.diff(axes, axis=0)) / [3600, 1800, 3000]).max(axis=1)
    feeding = np.isfinite(feeds[1:])
    expected = np.maximum(by_feed, by_axis)[feeding]
    np.testing.assert_allclose(back.minutes[rows][1:][feeding], expected, rtol=2e-3, atol=1e-6)


# --- reading -------------------------------------------------------------------------------------------


def test_any_writing_of_the_standard_words():
    """Spaces in words, lower case, line numbers, leading zeros, comments and modal words mean the same."""
    plain = read("G90 G21\nG0 X100\nG93 G1 C10 X90.5 F2\nC20 F4\nG94 X80 F500\nX70\nG91 G0 X-1\nX-1")
    odd = read(
        "n10 g90 (absolute) g21\r\nN 20 g 0 0 x + 1 0 0.\r\n\r\n"
        "C10.000g93 X 90 .5 f2 G01 (two words of one group never meet)\r\n"
        "F4.0(in between)C20\r\nG94X80F500\r\nX+70\nG91G0X-1\nx-1.0"
    )
    np.testing.assert_array_equal(plain.axes, odd.axes)
    np.testing.assert_array_equal(plain.minutes, odd.minutes)
    np.testing.assert_array_equal(plain.rapid, odd.rapid)
    assert plain.axes[-1].tolist() == [20, 0, 68]


def test_times_of_feed_moves():
    """NISTIR 6556: F2 is half a minute in G93; in G94 the way of the linear axes, else degrees, by F."""
    back = read("G0 X100 C0 B0\nG93 G1 X50 F2\nG94 X90 F80\nC30 B40 F100\nC60 X87 F6\nX87\nG0 X300")
    np.testing.assert_allclose(back.minutes[2:], [0.5, 0.5, 0.5, 0.5, 0, np.nan])
    assert np.isnan(back.minutes[:2]).all()


def test_first_row_and_lines():
    """Row 0 is home with the spindle stopped and no cutter; each move knows its line, cutter and speed."""
    back = read_program("(job: Ash)\nG0 X200\nM6 T4\n(4 mm flat)\nM3 S5000\n\nG1 X190 F100\nM2\njunk", ARC)
    assert back.axes.tolist() == [[0, 0, 320], [0, 0, 200], [0, 0, 190]]
    assert back.lines.tolist() == [0, 2, 7]
    assert back.cutter.tolist() == [-1, -1, 0]
    assert back.spindle_rpm.tolist() == [0, 0, 5000]
    assert back.cutter_names == ("4 mm flat",)
    assert back.header == {"job": "Ash"}


def test_order_inside_a_block():
    """Feed mode, F, S, T, M6, spindle, then the motion, then the end (NISTIR 6556, table 8)."""
    back = read_program("X200 G1 M3 S9000 F100 G94\nM2 X190 M5 G0", ARC)
    assert back.spindle_rpm.tolist() == [0, 9000, 0]
    assert back.axes[:, 2].tolist() == [320, 200, 190]


def test_header_is_read_back():
    """The header that was written is the header that is read."""
    assert read_program(written()[0][1], ARC).header == {
        **HEADER,
        "machine": "Turntable arm 1",
        "cutter": "6 mm flat",
    }
    assert "scan" not in read_program("(scanned on Monday)\nM2", ARC).header


def test_a_cutter_used_twice():
    """A T number that comes back is the same cutter; one without a name is called by its number."""
    text = "M6 T1 (a)\nG0 X300\nM6 T2\nX290\nT1 M6\nX280\nM2"
    back = read_program(text, ARC)
    assert back.cutter_names == ("a", "T2")
    assert back.cutter.tolist() == [-1, 0, 1, 0]


REFUSED = [
    ("G2 X100 F100", "G2: arcs"),
    ("G03 X100 F100", "G03: arcs"),
    ("G20", "G20: inches"),
    ("G4 P1", "G4: unknown word"),
    ("G1.5 X100", "G1.5: unknown word"),
    ("M4", "M4: unknown word"),
    ("M30", "M30: unknown word"),
    ("G0 E5", "unknown word E5"),
    ("G0 Y5", "axis Y: machine Turntable arm 1 has no such axis"),
    ("G93 G1 C5 F2\nC6", "without F in inverse time"),
    ("G94 G1 X100", "without a feed"),
    ("G94 G1 X100 F0", "F0, expected a feed above 0"),
    ("G93 G1 X100 F-2", "expected a feed above 0"),
    ("G93 G1 X100 F2\nG94 X90", "without a feed"),
    ("M5\nG1 X100 F100", "spindle stopped"),
    ("G1 X100 F100 M5", "spindle stopped"),
    ("G0 X320.01", "axis X at 320.01, limits 20 to 320"),
    ("G0 B-20.01", "axis B at -20.01, limits -20 to 85"),
    ("G0 X100\nG91 X-50\nX-50", "axis X at 0, limits"),
    ("X100", "before any G0 or G1"),
    ("G0 X1.2.3", "'.3' is not a word"),
    ("G0 X", "no number after X"),
    ("G0 XNAN", "no number after X"),
    ("G0 XINF", "no number after X"),
    ("G0 X--5", "no number after X"),
    ("G0 X1E2", "unknown word E2"),
    ("G0 X٣", "no number after X"),
    ("G0 C" + "9" * 400, "expected a number up to 1e+09"),
    ("G0 X100 X90", "a second X word"),
    ("G0 G1 X100", "a second motion word"),
    ("G90 G91", "a second distance word"),
    ("/G0 X100", "is not a word"),
    ("G0 X100 ; note", "is not a word"),
    ("(open", "comment is not closed"),
    ("(a (b) c)", "comment is not closed"),
    ("S30000", "spindle speed S30000, limits 3000 to 24000"),
    ("S100 M3", "spindle speed S100"),
    ("M6 T2 (other)", "M6 while the spindle turns"),
    ("T1.5", "expected a whole number"),
    ("T" + "9" * 400, "expected a number up to 1e+09"),
]


@pytest.mark.parametrize("lines, reason", REFUSED)
def test_refusals(lines, reason):
    """Each is refused with its line (the last one written here) and the reason."""
    number = 3 + lines.count("\n")
    with pytest.raises(BadInput) as caught:
        read(lines, start="M6 T1 (6 mm flat)\nS12000 M3\n")
    assert str(caught.value).startswith(f"line {number}: ")
    assert reason in str(caught.value)


@pytest.mark.parametrize(
    "text, reason",
    [
        ("G0 X100\n", "line 1: the program ends without M2"),
        ("", "line 0: the program ends without M2"),
        ("%\nG0 X100\n%\n", "ends without M2"),
        ("M3\nM2", "line 1: M3 without a spindle speed"),
        ("M6\nM2", "line 1: M6 without a cutter number"),
        ("M6 T1 (a)\nM6 T1 (b)\nM2", "line 2: T1 is called 'b', before 'a'"),
        ("M6 T1 (a)\nM6 T2 (a)\nM2", "two cutters of the same name"),
    ],
)
def test_refusals_of_whole_programs(text, reason):
    """No end, no speed, no cutter, or names that do not tell cutters apart."""
    with pytest.raises(BadInput, match=re.escape(reason)):
        read_program(text, ARC)


def test_several_programs_say_which():
    """The refusal names the program as well as the line; no program at all is refused."""
    with pytest.raises(BadInput, match="program 2, line 1: the program ends without M2"):
        read_programs(["M2\n", "G0 X100"], ARC)
    with pytest.raises(BadInput, match="no program"):
        read_programs([], ARC)


def test_long_programs_are_quick():
    """Twenty thousand lines in well under two seconds of the processor."""
    lines = "\n".join(f"G93 G1 C{i * 0.01:.4f} X{100 + i % 50:.3f} F{30 + i % 7}" for i in range(20_000))
    begin = time.process_time()
    assert len(read(lines).axes) == 20_001
    assert time.process_time() - begin < 2.0
