"""Whatever a writer of the standard words may write means the same; whatever else is refused with its line.

What may be written: NISTIR 6556 (Kramer, Proctor, Messina 2000), section 3.3: spaces and tabs anywhere
outside comments, either case, any order of words in a line, line numbers, comments, leading and trailing
noughts, signs.
"""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import BadInput
from engine.files import read_machine
from engine.program import read_program
from seed_demo.fleet import machine_files

MACHINE = read_machine(machine_files()["Heron"], "heron.json")
PROGRAM = """(job: Ash)
(cutter: 6 mm flat)
G21 G90 G17 G94
M5
M0 (look)
G0 B0 R0 C0
M6 T1 (6 mm flat)
M3 S9000
G0 C12.5 B10
G93 G1 C14.25 B11.5 F3.75
C20 F4
G94 R-2.5 F400
R-3
G0 R0
G91 C-5
G90 C0 B0
M5
M2
""".replace("R", next(a.word for a in MACHINE.axes if a.kind == "linear"))
WORD = re.compile(r"([A-Z])([+-]?[0-9.]+)")


def settled(text):
    """Count the linear axis from this machine's home, so that all values are within its limits."""
    linear = next(i for i, a in enumerate(MACHINE.axes) if a.kind == "linear")
    home = MACHINE.home[linear]
    letter = MACHINE.axes[linear].word

    def moved(match):
        return f"{letter}{float(match[1]) + home:g}"

    return re.sub(rf"{letter}(-?[0-9.]+)", moved, text)


TEXT = settled(PROGRAM)


def number(draw, digits):
    """Write a number another way: sign, noughts before and behind, a bare point."""
    value = digits
    if "." in value and draw(st.booleans()):
        value += "0" * draw(st.integers(0, 3))
    elif "." not in value and draw(st.booleans()):
        value += draw(st.sampled_from([".", ".0", ".00"]))
    sign = "-" if value.startswith("-") else draw(st.sampled_from(["", "+"]))
    whole = value.lstrip("+-")
    if whole.startswith("0.") and draw(st.booleans()):
        whole = whole[1:] if len(whole) > 2 else whole
    else:
        whole = "0" * draw(st.integers(0, 2)) + whole
    return sign + whole


@st.composite
def rewritten(draw):
    """The same program as another hand might write it."""
    lines = []
    for line in TEXT.splitlines():
        comments = re.findall(r"\([^)]*\)", line)
        words = [
            letter + number(draw, digits) for letter, digits in WORD.findall(re.sub(r"\(.*?\)", "", line))
        ]
        words = list(draw(st.permutations(words)))
        if words and draw(st.booleans()):
            words.insert(0, f"N{draw(st.integers(0, 99999))}")
        text = draw(st.sampled_from(["", " ", "\t", "  "])).join(words)
        if draw(st.booleans()):
            text = text.lower()
        if text and draw(st.booleans()):
            at = draw(st.integers(1, len(text)))
            text = text[:at] + " " + text[at:]
        lines.append(text + "".join(comments))
        if draw(st.integers(0, 5)) == 0:
            lines.append(draw(st.sampled_from(["", "   ", "(a word aside)", "N7"])))
    return draw(st.sampled_from(["\n", "\r\n"])).join(lines) + "\n"


@settings(max_examples=120, deadline=None)
@given(rewritten())
def test_any_hand_writes_the_same_program(text):
    """Axes, kinds of moves, times, spindle and cutter are those of the plain writing."""
    plain, other = read_program(TEXT, MACHINE), read_program(text, MACHINE)
    np.testing.assert_allclose(other.axes, plain.axes, atol=1e-12)
    np.testing.assert_array_equal(other.rapid, plain.rapid)
    np.testing.assert_array_equal(other.minutes, plain.minutes)
    np.testing.assert_array_equal(other.spindle_rpm, plain.spindle_rpm)
    assert other.cutter_names == plain.cutter_names
    assert other.header == plain.header


OTHERS = [
    "G2 X10", "G3 X10", "G4 P1", "G18", "G20", "G28", "G40", "G43 H1", "G54", "G80", "G92 X0", "G95", "M1",
    "M4 S9000", "M7", "M8", "M30", "M98 P1", "D1", "H3", "L2", "P7", "Q1", "K2", "O100", "#1=5", "X[1+2]",
    "X", "X1Y", "12",
    "X1..2", "X1e3", "/G0 C5", "; aside", "(open", "a)", "(a (b) c)", "X\u0661", "G0 G1 C1", "M3 M5", "F1 F2",
    "T-1", "T1.5", "G1.5", "S-5 M3", "$H", "!", "é",
]  # fmt: skip


@pytest.mark.parametrize("word", OTHERS)
def test_what_is_not_of_the_standard_words_is_refused_with_its_line(word):
    """Put in as line 14, between cuts: one line of refusal that begins with that number."""
    lines = TEXT.splitlines()
    lines.insert(13, word)
    with pytest.raises(BadInput) as caught:
        read_program("\n".join(lines) + "\n", MACHINE)
    assert str(caught.value).startswith("line 14: "), str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="GMXCBFSTN0123456789.-+ ()\n%", max_size=60), st.integers(0, 17))
def test_any_text_is_read_or_refused_in_one_line(text, at):
    """Nothing but a refusal in one line comes out of a spoilt program."""
    lines = TEXT.splitlines()
    lines.insert(at, text)
    try:
        read_program("\n".join(lines), MACHINE)
    except BadInput as error:
        assert len(str(error).splitlines()) == 1
