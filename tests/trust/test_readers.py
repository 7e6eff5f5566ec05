"""Does every reader take what it is given, or refuse it in one clear line, whatever it is?"""

from __future__ import annotations

import json
import resource

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.bench.fuzz import LARGEST_MB, readers, run, tried
from tests.bench.mangled import NUMBERS, WORDS

INPUTS = 2000
_SLOW = {"api": 250, "forms": 150, "pictures": 500, "svg": 700, "copy": 500, "program": 1000}
"""Fewer where an input takes milliseconds; the long run takes as many as one asks for."""


@pytest.mark.parametrize("name", list(readers()))
def test_spoiled_files_are_refused_in_one_line(name: str) -> None:
    """Good files with spoiled bytes, numbers, lines and keys: no other error, in 10 s and 512 MB each."""
    tally = run(name, _SLOW.get(name, INPUTS), seed=1)
    assert tally.broken == []
    assert tally.counts["refused"] > 0 or name in ("api", "forms")


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
_CELL = st.sampled_from(NUMBERS) | st.sampled_from(WORDS) | st.floats().map(str)
_ROWS = st.lists(st.lists(_CELL, min_size=1, max_size=5), max_size=20)


@pytest.mark.parametrize("name", ["machine", "cutters", "problem", "plan"])
def test_any_json_is_refused_or_taken(name: str) -> None:
    """Any JSON at all, not only what once was good."""
    reader = readers()[name]()

    @settings(max_examples=100, deadline=None, database=None, derandomize=True)
    @given(_JSON)
    def read(value: object) -> None:
        tried(reader, json.dumps(value).encode("utf-8", "surrogatepass"))

    read()


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("touches", "x_mm,y_mm,z_mm"),
        ("walls", "longitude_deg,latitude_deg,wall_mm"),
        ("keep-outs", "kind,longitude_deg,latitude_deg,radius_mm"),
        ("wedge", "thickness_mm,reading"),
    ],
)
def test_any_rows_are_refused_or_taken(name: str, head: str) -> None:
    """A right header and any cells below it."""
    reader = readers()[name]()

    @settings(max_examples=100, deadline=None, database=None, derandomize=True)
    @given(_ROWS)
    def read(rows: list[list[str]]) -> None:
        text = "\n".join([head, *(",".join(row) for row in rows)])
        tried(reader, text.encode("utf-8", "surrogatepass"))

    read()


def test_memory_stayed_small() -> None:
    """All of the above in this process took less than 512 MB beside what the other tests left."""
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 < 2 * LARGEST_MB


SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 90">{}</svg>'
STROKE = '<path d="{}" fill="none" stroke="#000" stroke-width="{}"/>'
FOUND: list[tuple[str, str]] = [
    ("svg", SVG.format("<x:g/>")),
    ("svg", SVG.format(STROKE.format("M1 1L9 9", "1e300"))),
    ("svg", SVG.format(STROKE.format("M1 1L9 9", "1e400"))),
    ("svg", SVG.format('<path d="M0 0C1e300 0 1e300 9e6 9 9z"/>')),
    ("plan", '{"rows": [], "tiers": "late"}'),
    ("plan", '{"rows": [], "versions": [[1]]}'),
    ("plan", '{"rows": [], "undone": 5}'),
    ("plan", '{"rows": [], "seconds": "soon"}'),
    ("problem", '{"jobs": [], "\\u202e\\r\\n": 1}'),
    ("problem", f'{{"jobs": {{"a": "{"b" * 5000}"}}}}'),
    ("problem", "[" * 100_000),
    ("machine", "[" * 100_000),
    ("machine", '{"name": ' * 3000),
    ("program", "G21 G90\nM6 T1 (a)\nM3 S9000\nG0 X" + "9" * 400 + "\nX120\nM5\nM2\n"),
    (
        "program",
        "G21 G90\nM6 T1 (a)\nM3 S9000\nG0 X120\n" + "X111111111 C11111111 B11111111 F1111111\n" * 3 + "?",
    ),
    ("machine", "{" + ",".join(f'"{n}":0' for n in range(100_000)) + ',"99999":1}'),
    ("touches", "x_mm,y_mm,z_mm," + ",".join(f"c{n}" for n in range(100_000))),
    ("log", 'event,kind,at\n1,fault,"2026\r\n'),
    ("log", "event,kind,at\n1,fault," + "a" * 5000),
    ("log", "event,kind,at\n1,fault," + "9" * 200_000),
    ("log", "event,kind,at\n1,fault,0001-01-01T00:00:00+14:00"),
    ("log", "event,kind,at\n1,fault,9999-12-31T23:59:59-14:00"),
    ("log", "event,kind,at,job_id\n1,fault,2026-10-21T08:00," + "9" * 5000),
    ("log", "event,kind,at,job_id\n1,fault,2026-10-21T08:00,\u0663"),
]


@pytest.mark.parametrize(("name", "text"), FOUND)
def test_what_once_broke_a_reader(name: str, text: str) -> None:
    """Found by spoiling files; each is refused in one line now."""
    assert tried(readers()[name](), text.encode()) == "refused"
