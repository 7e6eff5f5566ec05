"""Do the largest, smallest and most hostile inputs break a reader? Each is read in a process of its own.

`python -m tests.bench extremes [--reader NAME ...]`: a line for each reader with what was taken and refused,
the slowest input in seconds of the processor, and the most memory the process ever held. A traceback, an answer
other than one clear line, 10 s, 512 MB, or an input taken that must be refused ends with 1.
"""

# ruff: noqa: E501 - hostile inputs stand as they come
from __future__ import annotations

import argparse
import hashlib
import io
import itertools
import json
import random
import re
import resource
import signal
import struct
import subprocess
import sys
import tempfile
import time
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from tests.bench.fuzz import LARGEST_MB, LONGEST_S, Broken, Reader, one_line, readers

REFUSED, TAKEN, EITHER = "refused", "taken", "either"
NUMBERS = ("NaN", "Infinity", "-Infinity", "inf", "-inf", "1e308", "-1e308", "1e400", "-1", "0", "", "1e-320")
NAMES = (
    "../../etc/passwd",
    "/etc/passwd",
    "..\\..\\secret",
    "a\x00b",
    "\u202eabc",
    "a\r\nb",
    "a" * 5000,
    "con",
)
_SPACE_BYTES = 6_000_000_000  # a bomb ends in its own process, not with the computer


class Case(NamedTuple):
    """One extreme input: what it is, how it is made, what must come of it."""

    what: str
    make: Callable[[], bytes]
    must: str = EITHER


def cases(name: str) -> Iterator[Case]:
    """Yield the extreme inputs of a reader."""
    yield from _OF[name]()


# --- tables --------------------------------------------------------------------------------------------


def _ball(count: int) -> str:
    """Return touches on a ball of 100 mm, evenly spread by the golden angle."""
    import numpy as np

    z = 1 - (2 * np.arange(count) + 1) / count
    turn, ring = np.arange(count) * np.pi * (3 - 5**0.5), np.sqrt(1 - z * z)
    rows = np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=1) * 100
    return "x_mm,y_mm,z_mm\n" + "".join(f"{a:.4f},{b:.4f},{c:.4f}\n" for a, b, c in rows.tolist())


def _touches() -> Iterator[Case]:
    head = "x_mm,y_mm,z_mm\n"
    numbered = "x_mm,y_mm,z_mm,touch\n"
    yield Case("one touch", lambda: f"{head}1,2,3\n".encode(), REFUSED)
    yield Case("a thousand equal touches", lambda: (head + "1,2,3\n" * 1000).encode(), REFUSED)
    yield Case(
        "a thousand equal touches of one number", lambda: (numbered + "1,2,3,1\n" * 1000).encode(), REFUSED
    )
    yield Case(
        "a thousand equal touches, all numbered",
        lambda: (numbered + "".join(f"1,2,3,{n}\n" for n in range(1000))).encode(), REFUSED,
    )  # fmt: skip
    yield Case("5000 touches", lambda: _ball(5000).encode(), TAKEN)
    yield Case("5001 touches", lambda: _ball(5001).encode(), REFUSED)
    yield Case(
        "all in a plane", lambda: (head + "".join(f"{n},{n * n},0\n" for n in range(40))).encode(), REFUSED
    )
    yield Case("tip radius below 0", lambda: b"# tip_radius_mm=-1\n" + _ball(40).encode(), REFUSED)
    yield from _tables(head, "1,2,{}", _ball(40))


def _tables(head: str, row: str, good: str) -> Iterator[Case]:
    """What any CSV reader must withstand; `row` has one place for a value."""
    line = row.format(1) + "\n"
    yield Case("empty", lambda: b"", REFUSED)
    yield Case("header alone", lambda: head.encode(), EITHER if "kind" in head else REFUSED)
    for value in NUMBERS:
        refused = value not in ("0", "1e-320", "-1") or EITHER
        yield Case(
            f"value {value!r}",
            lambda v=value: (good + row.format(v)).encode(),
            REFUSED if refused is True else EITHER,
        )
    yield Case("a million rows", lambda: (head + line * (7_900_000 // len(line))).encode(), REFUSED)
    yield Case("more than 8 MB", lambda: (head + line * (8_100_000 // len(line))).encode(), REFUSED)
    yield Case(
        "a million columns",
        lambda: (head.strip() + "," + ",".join(f"c{n}" for n in range(900_000))).encode(),
        REFUSED,
    )
    yield Case("a line of 8 MB", lambda: (head + "1" * 7_900_000).encode(), REFUSED)
    yield Case("a row of three million values", lambda: (head + "1," * 3_000_000).encode(), REFUSED)
    yield Case("8 MB of comments", lambda: ("#\n" * 3_900_000 + good).encode())
    yield Case("one comment of 8 MB", lambda: ("# tip_radius_mm" + " " * 7_000_000 + "=\n" + good).encode())
    yield Case("8 MB of empty lines", lambda: ("\n" * 7_900_000 + good).encode())
    yield Case("a quote never closed", lambda: (head + '"' + "1,2\n" * 100_000).encode(), REFUSED)
    yield Case("NUL bytes", lambda: head.encode() + bytes(1_000_000), REFUSED)
    yield Case("UTF-16", lambda: good.encode("utf-16"), REFUSED)
    yield Case("no text", lambda: random.Random(1).randbytes(100_000), REFUSED)


def _walls() -> Iterator[Case]:
    head = "longitude_deg,latitude_deg,wall_mm\n"
    yield Case("one reading", lambda: f"{head}0,0,22\n".encode(), TAKEN)
    yield Case("a thousand equal readings", lambda: (head + "0,0,22\n" * 1000).encode(), TAKEN)
    yield from _tables(head, "0,0,{}", head + "0,0,22\n")


def _keep_outs() -> Iterator[Case]:
    head = "kind,longitude_deg,latitude_deg,radius_mm\n"
    yield Case("a thousand equal ones", lambda: (head + "stem,0,80,20\n" * 1000).encode())
    yield from _tables(head, "stem,0,80,{}", head + "stem,0,80,20\n")


def _wedge() -> Iterator[Case]:
    head = "thickness_mm,reading\n"
    good = head + "".join(f"{n},{1000 * 0.7**n:.2f}\n" for n in range(2, 14))
    yield Case("one step", lambda: f"{head}5,100\n".encode(), REFUSED)
    yield Case("a thousand equal steps", lambda: (head + "5,100\n" * 1000).encode(), REFUSED)
    yield from _tables(head, "5,{}", good)


def _log() -> Iterator[Case]:
    head = "event,kind,at,job_id\n"
    row = "{},fault,2026-10-21T08:00:00+01:00,3\n"
    yield Case("empty", lambda: b"", REFUSED)
    yield Case("header alone", head.encode, TAKEN)
    yield Case(
        "400,000 reports", lambda: (head + "".join(row.format(n) for n in range(400_000))).encode(), TAKEN
    )
    yield Case("more than 20 MB", lambda: (head + row.format(7) * 600_000).encode(), REFUSED)
    yield Case("a line of 20 MB", lambda: (head + "1" * 19_000_000).encode(), REFUSED)
    yield Case(
        "a million columns", lambda: (head.strip() + "," + ",".join(f"c{n}" for n in range(900_000))).encode()
    )
    yield Case("a quote never closed", lambda: (head + '"' + "1,2\n" * 4_000_000).encode(), REFUSED)
    for said in (
        "NaN",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "1e308",
        "2026-13-01T00:00",
    ):
        yield Case(f"at {said}", lambda s=said: f"{head}1,fault,{s},3\n".encode(), REFUSED)
    for job in ("-1", "0.5", "9" * 5000, "NaN", "\u0663"):
        yield Case(f"job {job[:9]}", lambda j=job: f"{head}1,fault,2026-10-21T08:00,{j}\n".encode(), REFUSED)


# --- JSON ----------------------------------------------------------------------------------------------


def _trees(name: str, largest: int) -> Iterator[Case]:
    """What any JSON reader must withstand, then a good file with every number and word at its extremes."""
    good = readers()[name]().good[0]
    yield Case("empty", lambda: b"", REFUSED)
    yield Case("null", lambda: b"null", REFUSED)
    yield Case("nested a million deep", lambda: b"[" * 1_000_000, REFUSED)
    yield Case("objects nested 100,000 deep", lambda: b'{"jobs":' * 100_000, REFUSED)
    yield Case("empty lists", lambda: b'{"jobs": [' + b"[]," * ((largest - 20) // 3) + b"[]]}", REFUSED)
    yield Case(
        "a million keys", lambda: ("{" + ",".join(f'"{n}":0' for n in range(700_000)) + "}").encode(), REFUSED
    )
    yield Case(
        "a million keys, the last one twice",
        lambda: ("{" + ",".join(f'"{n}":0' for n in range(700_000)) + ',"699999":1}').encode(), REFUSED,
    )  # fmt: skip
    yield Case("a key of 7 MB", lambda: b'{"' + b"ab" * 3_500_000 + b'":0}', REFUSED)
    yield Case("a text of 7 MB", lambda: b'{"name":"' + b"ab" * 3_500_000 + b'"}', REFUSED)
    yield Case("a number of 7 million digits", lambda: b'{"name":' + b"9" * 7_000_000 + b"}", REFUSED)
    yield Case("too large", lambda: b'{"name":"' + b"a" * (largest + 1000) + b'"}', REFUSED)
    yield Case("no text", lambda: random.Random(1).randbytes(100_000), REFUSED)
    text = good.decode()
    spots = [m.span() for m in re.finditer(r'(?<=[:\[, ])-?\d+\.?\d*(?=[,\]}])|"[^"]*"(?=[,\]}])', text)]
    kept = spots if len(spots) < 60 else random.Random(3).sample(spots, 60)
    values = [*NUMBERS[:9], "1e308", "[]", "{}", "null", *map(json.dumps, NAMES[:6])]
    for (start, end), value in itertools.product(kept, values):
        yield Case(
            f"{value[:12]} at {start}", lambda a=start, b=end, v=value: f"{text[:a]}{v}{text[b:]}".encode()
        )


def _machine() -> Iterator[Case]:
    yield from _trees("machine", 8_000_000)


def _cutters() -> Iterator[Case]:
    yield from _trees("cutters", 8_000_000)


def _problem() -> Iterator[Case]:
    job = '{"name":"%d","steps":[{"options":[{"resource":"Heron","run_min":5}]}]}'
    head = '{"resources":[{"name":"Heron"}],"jobs":['
    yield Case("20,000 jobs", lambda: (head + ",".join(job % n for n in range(20_000)) + "]}").encode())
    yield Case(
        "20,000 jobs of one name", lambda: (head + ",".join([job % 1] * 20_000) + "]}").encode(), REFUSED
    )
    yield Case(
        "100,000 resources",
        lambda: ('{"resources":[' + ",".join(f'{{"name":"{n}"}}' for n in range(100_000)) + "]}").encode(),
    )
    spans = ",".join(f"[{2 * n},{2 * n + 1}]" for n in range(300_000))
    yield Case(
        "300,000 open times", lambda: f'{{"resources":[{{"name":"Heron","open":[{spans}]}}]}}'.encode()
    )
    yield Case(
        "jobs that wait for each other",
        lambda: (head + ",".join(f'{job[:-1] % n},"after":["{(n + 1) % 5000}"]}}' for n in range(5000)) + "]}").encode(), REFUSED,
    )  # fmt: skip
    yield from _trees("problem", 12_000_000)


def _plan() -> Iterator[Case]:
    row = '{"job":"Gate 1","step":0,"resource":"Heron","start_min":400,"end_min":430,"cutters":[]}'
    yield Case("200,000 equal rows", lambda: ('{"rows":[' + ",".join([row] * 200_000) + "]}").encode())
    yield from _trees("plan", 12_000_000)


# --- drawings ------------------------------------------------------------------------------------------

_SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 0 100 100">{}</svg>'


def _zigzag(count: int) -> str:
    chance = random.Random(2)
    return "M0 0" + "".join(f"L{chance.randrange(100)} {chance.randrange(100)}" for _ in range(count))


def _ring(count: int) -> str:
    """Return a closed line of so many short steps, a long stair that never crosses itself."""
    return "M0 0v9" + "h1v1" * (count // 2) + "v9H0z"


def _svg() -> Iterator[Case]:
    def drawn(inner: str) -> Callable[[], bytes]:
        return lambda: _SVG.format(inner).encode()

    yield Case("empty", lambda: b"", REFUSED)
    yield Case("an empty drawing", drawn(""), REFUSED)
    yield Case("one million points", drawn(f'<path d="{_ring(1_000_000)}"/>'), REFUSED)
    yield Case("as many points as may be", drawn(f'<path d="{_ring(99_000)}"/>'))
    yield Case("as many lines as may be, crossing", drawn(f'<path d="{_zigzag(99_000)}"/>'), REFUSED)
    yield Case("one million points of a polygon", drawn('<polygon points="' + "1 2 " * 99_000 + '"/>'))
    yield Case(
        "many points stroked round",
        drawn(
            f'<path d="{_ring(99_000)}" fill="none" stroke="#000" stroke-width="3" stroke-linejoin="round"/>'
        ),
    )
    yield Case(
        "as many curves stroked as may be",
        drawn('<path d="M0 0' + "q1 2 3 1" * 7_900 + '" fill="none" stroke="#000" stroke-width="1"/>'),
    )
    yield Case("as many curves as may be", drawn('<path d="M0 0' + "c1 2 3 1 3 0" * 99_000 + 'V99z"/>'))
    yield Case("as many arcs as may be", drawn('<path d="M0 0' + "a1 1 0 0 1 1 0" * 12_000 + 'V99z"/>'))
    yield Case("99,000 arcs", drawn('<path d="M0 0' + "a1 1 0 1 0 1 0" * 99_000 + 'z"/>'), REFUSED)
    yield Case(
        "dashes without end",
        drawn('<path d="M0 0H99" stroke="#000" stroke-dasharray="1e-9" fill="none"/>'), REFUSED,
    )  # fmt: skip
    dashed = '<path d="M0 {0}H99" stroke="#000" stroke-dasharray=".006" stroke-linecap="round" fill="none"/>'
    yield Case(
        "900 lines of 16,000 dashes", drawn("".join(dashed.format(n / 10) for n in range(900))), REFUSED
    )
    yield Case("as many dashes as may be", drawn(dashed.format(1).replace(".006", ".026")))
    clip = f'<clipPath id="c"><path d="{_ring(40_000)}"/></clipPath>'
    yield Case(
        "a clip of many points, often",
        drawn(clip + '<rect width="9" height="9" clip-path="url(#c)"/>' * 100),
        REFUSED,
    )
    yield Case("10,001 shapes", drawn('<rect width="9" height="9"/>' * 10_001), REFUSED)
    yield Case("9,900 shapes", drawn('<rect width="9" height="9"/>' * 9_900))
    yield Case("9,900 words", drawn('<text x="1" y="1">a</text>' * 9_900), REFUSED)
    yield Case("nested 100,000 deep", drawn("<g>" * 100_000), REFUSED)
    yield Case("nested 60 deep", drawn("<g>" * 60 + '<rect width="9" height="9"/>' + "</g>" * 60), TAKEN)
    yield Case("use of use of use", drawn(_uses(40)), REFUSED)
    yield Case("a use of itself", drawn('<g id="a"><use href="#a"/></g>'), REFUSED)
    yield Case(
        "100,000 attributes", drawn("<rect " + " ".join(f'a{n}="1"' for n in range(100_000)) + "/>"), REFUSED
    )
    yield Case("a style of 7 MB", drawn("<style>" + ".a{fill:red}" * 580_000 + "</style><rect/>"), REFUSED)
    yield Case(
        "a style of 99 kB on 9,000 shapes",
        drawn(
            "<style>"
            + "".join(f".a{n}{{fill:red}}" for n in range(5800))
            + "</style>"
            + '<rect class="a1 a2" width="9" height="9"/>' * 9000
        ),
    )
    yield Case("an id of 7 MB", drawn(f'<rect id="{"a" * 7_000_000}" width="9" height="9"/>'))
    yield Case(
        "a transform of 3 MB", drawn(f'<rect transform="{"scale(1)" * 370_000}" width="9" height="9"/>')
    )
    yield Case("over 8 MB", drawn("<!--" + "a" * 8_100_000 + "-->"), REFUSED)
    yield Case("a billion laughs", lambda: _laughs(10).encode(), REFUSED)
    yield Case(
        "one entity of 4 MB, a thousand times",
        lambda: f'<!DOCTYPE svg [<!ENTITY a "{"a" * 4_000_000}">]><svg>{"&a;" * 1000}</svg>'.encode(), REFUSED,
    )  # fmt: skip
    for where in ("file:///etc/passwd", "http://192.0.2.1/a", "/dev/zero"):
        yield Case(
            f"an entity of {where}",
            lambda w=where: f'<!DOCTYPE svg [<!ENTITY a SYSTEM "{w}">]><svg>&a;</svg>'.encode(), REFUSED,
        )  # fmt: skip
        yield Case(f"a use of {where}", drawn(f'<use xlink:href="{where}#a"/>'), REFUSED)
        yield Case(f"a picture at {where}", drawn(f'<image href="{where}" width="9" height="9"/>'), REFUSED)
        yield Case(
            f"a style sheet at {where}",
            drawn(f'<style>@import url({where});</style><rect width="9" height="9"/>'),
        )
    yield Case(
        "UTF-16 with a document type",
        lambda: _laughs(9).replace("?>", ' encoding="UTF-16"?>').encode("utf-16"),
        REFUSED,
    )
    yield Case("UTF-7", lambda: b'<?xml version="1.0" encoding="UTF-7"?><svg/>', REFUSED)
    yield Case("packed by gzip", lambda: b"\x1f\x8b" + zlib.compress(bytes(10_000_000)), REFUSED)
    for value in (*NUMBERS, "1e5", "1e-12", "-5"):
        yield Case(f"a radius of {value!r}", drawn(f'<circle cx="5" cy="5" r="{value}"/>'))
        yield Case(f"a corner at {value!r}", drawn(f'<path d="M0 0L{value} 1L9 9z"/>'))
        yield Case(f"a rounding of {value!r}", drawn(f'<rect width="9" height="9" rx="{value}" ry="1"/>'))
        yield Case(f"a turn of {value!r}", drawn(f'<rect width="9" height="9" transform="rotate({value})"/>'))
        yield Case(
            f"a scale of {value!r}", drawn(f'<rect width="9" height="9" transform="scale({value} 1)"/>')
        )
        yield Case(f"a pen of {value!r}", drawn(f'<path d="M0 0L9 9" stroke="#000" stroke-width="{value}"/>'))
        yield Case(
            f"a mitre of {value!r}",
            drawn(f'<path d="M0 0L9 9L0 1" stroke="#000" stroke-miterlimit="{value}"/>'),
        )
        yield Case(
            f"dashes of {value!r}", drawn(f'<path d="M0 0L9 9" stroke="#000" stroke-dasharray="{value} 1"/>')
        )
        for key in ("width", "height", "viewBox"):
            said = f"0 0 {value} {value}" if key == "viewBox" else f"{value}mm"
            yield Case(
                f"{key} {said!r}",
                lambda k=key, s=said: (
                    f'<svg xmlns="http://www.w3.org/2000/svg" {k}="{s}"><rect width="9" height="9"/></svg>'.encode()
                ),
            )


def _uses(levels: int) -> str:
    made = '<g id="u0"><rect width="9" height="9"/></g>'
    return made + "".join(
        f'<g id="u{n}"><use href="#u{n - 1}"/><use href="#u{n - 1}"/></g>' for n in range(1, levels)
    )


def _laughs(levels: int) -> str:
    told = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10 if n else "ha"}">' for n in range(levels))
    return f'<?xml version="1.0"?><!DOCTYPE svg [{told}]><svg>&a{levels - 1};</svg>'


# --- pictures ------------------------------------------------------------------------------------------


def _png(
    width: int, height: int, *, bits: int = 1, kind: int = 0, row: bytes | None = None, extra: bytes = b""
) -> bytes:
    """Return a PNG written by hand, so that a huge one needs no huge memory here; `row` is one row of pixels."""
    packer = zlib.compressobj(9)
    line = b"\x00" + (row if row is not None else bytes((width * bits + 7) // 8))
    packed = b"".join([*(packer.compress(line) for _ in range(height)), packer.flush()])
    head = struct.pack(">IIBBBBB", width, height, bits, kind, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + extra + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")
    )


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def _saved(width: int, height: int, mode: str, kind: str, **said: Any) -> bytes:
    from PIL import Image

    written = io.BytesIO()
    Image.new(mode, (width, height), 90 if mode in ("1", "L", "P", "I;16") else None or 0).save(
        written, kind, **said
    )
    return written.getvalue()


def _pictures() -> Iterator[Case]:
    yield Case("empty", lambda: b"", REFUSED)
    for mode, kind in (
        ("1", "PNG"),
        ("L", "PNG"),
        ("I;16", "PNG"),
        ("RGB", "JPEG"),
        ("RGBA", "PNG"),
        ("CMYK", "TIFF"),
    ):
        yield Case(f"1 x 1, {mode} {kind}", lambda m=mode, k=kind: _saved(1, 1, m, k))
    yield Case("20,000 x 20,000", lambda: _png(20_000, 20_000), REFUSED)
    yield Case("20,000 x 20,000, colours", lambda: _png(20_000, 20_000, bits=8, kind=2), REFUSED)
    yield Case(
        "a head that lies",
        lambda: _png(65_000, 1)[:16] + struct.pack(">II", 2**31 - 1, 2**31 - 1) + _png(9, 9)[24:],
        REFUSED,
    )
    yield Case("0 x 0", lambda: _png(0, 0), REFUSED)
    yield Case("40 million pixels in a row", lambda: _png(40_000_000, 1), REFUSED)
    yield Case("40 million pixels in a column", lambda: _png(1, 40_000_000), REFUSED)
    grey = bytes(n * 7 % 256 for n in range(3_990))
    yield Case("as large as may be, grey", lambda: _png(3_990, 3_990, bits=8, row=grey))
    yield Case("as large as may be, colours", lambda: _png(3_990, 3_990, bits=8, kind=2, row=grey * 3))
    yield Case("as large as may be, see-through", lambda: _png(3_990, 3_990, bits=8, kind=6, row=grey * 4))
    yield Case("as large as may be, 16 bits", lambda: _png(3_990, 3_990, bits=16, row=grey * 2))
    yield Case("as large as may be, black and white", lambda: _png(3_990, 3_990, row=bytes([170] * 499)))
    yield Case("as large as may be, JPEG", lambda: _saved(3_990, 3_990, "RGB", "JPEG"))
    yield Case(
        "as large as may be, TIFF", lambda: _saved(3_990, 3_990, "CMYK", "TIFF", compression="tiff_lzw")
    )
    yield Case("dots all over", lambda: _dots(3_000))
    yield Case(
        "a text of 100 MB inside",
        lambda: _png(9, 9, extra=_chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(100_000_000), 9))),
    )
    yield Case(
        "a profile of 100 MB inside",
        lambda: _png(9, 9, extra=_chunk(b"iCCP", b"a\0\0" + zlib.compress(bytes(100_000_000), 9))),
    )
    yield Case("100,000 texts inside", lambda: _png(9, 9, extra=_chunk(b"tEXt", b"a\0b") * 100_000))
    yield Case(
        "more rows packed than it has",
        lambda: _png(9, 9)[:16] + struct.pack(">II", 9, 2) + _png(9, 400_000)[24:],
    )
    yield Case("a TIFF of 500 pages", lambda: _pages_of_tiff(500))
    yield Case(
        "a TIFF whose list leads back to itself",
        lambda: b"II*\0\x08\0\0\0" + struct.pack("<HHHIII", 1, 256, 3, 1, 9, 8),
        REFUSED,
    )
    yield Case(
        "a TIFF with a tag of 4 GB",
        lambda: b"II*\0\x08\0\0\0" + struct.pack("<HHHIII", 1, 270, 2, 2**32 - 1, 8, 0),
        REFUSED,
    )
    yield Case("a GIF", lambda: b"GIF89a" + bytes(100), REFUSED)
    yield Case("half a picture", lambda: _saved(90, 90, "RGB", "JPEG")[:400])


def _dots(side: int) -> bytes:
    """Return a picture of as many dark dots as fit: every second pixel of every second row."""
    row, blank = bytes([0, 255] * (side // 2)), bytes([255] * side)
    packed = zlib.compress((b"\0" + row + b"\0" + blank) * (side // 2))
    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def _pages_of_tiff(count: int) -> bytes:
    from PIL import Image

    written = io.BytesIO()
    page = Image.new("L", (40, 40), 99)
    page.save(written, "TIFF", save_all=True, append_images=[page] * (count - 1))
    return written.getvalue()


# --- programs ------------------------------------------------------------------------------------------

_HEAD = "(job: a)\nG21 G90 G17 G94\nM6 T1 (6 mm flat)\nM3 S12000\nG1 F1000\n"


def _program() -> Iterator[Case]:
    yield Case("empty", lambda: b"", REFUSED)
    yield Case("no end", _HEAD.encode, REFUSED)
    yield Case(
        "a million moves", lambda: (_HEAD + "X120.5 C1.25\nX121.5 C2.25\n" * 500_000 + "M5\nM2\n").encode()
    )
    yield Case(
        "a million moves, word by word",
        lambda: (_HEAD + "N1 G1 X120.5\nN2 G1 X121.5\n" * 500_000 + "M5\nM2\n").encode(),
    )
    yield Case("a million comments", lambda: (_HEAD + "(a)\n" * 1_000_000 + "M5\nM2\n").encode())
    yield Case(
        "a million cutters", lambda: (_HEAD + "M5\nM6 T1 (a)\nM3 S12000\n" * 330_000 + "M5\nM2\n").encode()
    )
    yield Case("a line of 20 MB", lambda: (_HEAD + "X1" * 10_000_000 + "\nM2\n").encode(), REFUSED)
    yield Case("a comment of 20 MB", lambda: (_HEAD + "(" + "a" * 20_000_000 + ")\nM5\nM2\n").encode())
    yield Case("20 MB of brackets", lambda: (_HEAD + "(" * 20_000_000).encode(), REFUSED)
    yield Case("over 100 MB", lambda: (_HEAD + "X120.5 C1.25\n" * 8_000_000).encode(), REFUSED)
    yield Case("NUL bytes", lambda: _HEAD.encode() + bytes(1_000_000), REFUSED)
    for word, value in itertools.product(
        "XCFS", ("1e308", "NaN", "inf", "9" * 400, "-" + "9" * 400, "0." + "0" * 400 + "1", "")
    ):
        yield Case(f"{word}{value[:12]}", lambda w=word, v=value: f"{_HEAD}G1 {w}{v}\nM5\nM2\n".encode())
    yield Case("a feed of nothing", lambda: f"{_HEAD}G1 X121 F0\nM5\nM2\n".encode(), REFUSED)
    yield Case(
        "a feed next to nothing", lambda: f"{_HEAD}G1 X121 F{'0.' + '0' * 320 + '1'}\nM5\nM2\n".encode()
    )


# --- copies --------------------------------------------------------------------------------------------


def _archive(
    parts: dict[str, bytes], contents: dict[str, Any] | None = None, method: int = zipfile.ZIP_DEFLATED
) -> bytes:
    """Return an archive whose list says its parts' true digests, as anybody could make it."""
    from planner.database import migrate
    from planner.database.tables import Base

    whole = {f"tables/{table.name}.jsonl": b"" for table in Base.metadata.sorted_tables} | parts
    said = {"format": 1, "revision": migrate.newest(), "rows": 0}
    said["sha256"] = {name: hashlib.sha256(content).hexdigest() for name, content in whole.items()}
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", method) as kept:
        for name, content in whole.items():
            kept.writestr(
                zipfile.ZipInfo(name.replace("\x00", "")) if "\x00" in name else name, content, method
            )
        kept.writestr("contents.json", json.dumps(said | (contents or {})))
    return written.getvalue()


def _copy() -> Iterator[Case]:
    yield Case("empty", lambda: b"", REFUSED)
    yield Case("an archive of nothing", lambda: b"PK\5\6" + bytes(18), REFUSED)
    yield Case("a whole one", lambda: _archive({}), TAKEN)
    for name in NAMES:
        for inner in (name, f"packages/{name}", f"packages/a/../{name}", f"tables/{name}"):
            yield Case(
                f"a part {inner[:30]!r}",
                lambda n=inner: _archive({n: b"a"}),
                EITHER if inner == "packages/con" else REFUSED,
            )
    yield Case(
        "a part that is file and folder", lambda: _archive({"packages/a": b"", "packages/a/b": b""}), REFUSED
    )
    yield Case("a part of 1 GB of nothing", lambda: _packed_zeros(1), REFUSED)
    yield Case("ten parts of 1 GB of nothing", lambda: _packed_zeros(10), REFUSED)
    yield Case("parts that lie over each other", _overlapping, REFUSED)
    yield Case("a list of 60 MB", lambda: _archive({}, {"more": "a" * 60_000_000}), REFUSED)
    yield Case("a list of millions of lists", lambda: _archive({}, {"more": [[]] * 4_000_000}))
    yield Case("a million empty parts", lambda: _many_parts(400_000), REFUSED)
    for said in (
        {"format": 2},
        {"rows": "NaN"},
        {"rows": 1e308},
        {"rows": -1},
        {"revision": "../0001"},
        {"sha256": []},
        {"sha256": {"tables/seasons.jsonl": 5}},
    ):
        yield Case(f"a list with {said}", lambda s=said: _archive({}, s), REFUSED)
    for row in (
        "{}", "[]", "null", "not JSON", "[" * 100_000, '{"id": 1, "nobody": 2}', '{"id": NaN}', '{"id": "a"}', '{"id": 1e308}',
        '{"id": 1, "opening_night": "soon"}', '{"id": 1, "recorded_at": 5}', '{"id": 1, "recorded_at": "0001-01-01T00:00:00+14:00"}',
        '{"id": 1, "name": ["a"]}', '{"id": 1, "name": {"a": 1}}', '{"id": 99999999999999999999, "name": "a"}', "\ud800",
    ):  # fmt: skip
        rows = row.encode("utf-8", "surrogatepass") + b"\n"
        yield Case(
            f"a row {row[:60]}", lambda r=rows: _archive({"tables/seasons.jsonl": r}, {"rows": 1}), REFUSED
        )
    for array in ("", "AAAA", "k05VTVBZ", _array_of((10**6, 10**6)), _array_of((-1,)), _array_of((3,), "|O")):
        row = json.dumps({"id": 1, "workpiece_id": 1, "centres_mm": array, "number": 1})
        yield Case(
            f"points {array[:9]}",
            lambda r=row: _archive({"tables/scans.jsonl": r.encode()}, {"rows": 1}),
            REFUSED,
        )


def _array_of(shape: tuple[int, ...], kind: str = "<f8") -> str:
    """Return the head of a numpy file that promises much and holds nothing."""
    from base64 import b64encode

    head = f"{{'descr': '{kind}', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    return b64encode(b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head.encode()).decode()


def _packed_zeros(count: int) -> bytes:
    """Return an archive whose parts unpack to a gigabyte of nothing each, with their digests."""
    packer, digest = zlib.compressobj(9, wbits=-15), hashlib.sha256()
    block, packed, check = bytes(1 << 20), [], 0
    for _ in range(1024):
        packed.append(packer.compress(block))
        digest.update(block)
        check = zlib.crc32(block, check)
    body = b"".join([*packed, packer.flush()])
    names = [f"packages/{n}" for n in range(count)]
    whole = _archive({}, None)
    with zipfile.ZipFile(io.BytesIO(whole)) as kept:
        said = json.loads(kept.read("contents.json"))
        said["sha256"] |= {name: digest.hexdigest() for name in names}
        parts = [(n, kept.read(n)) for n in kept.namelist() if n != "contents.json"]
    out, directory = io.BytesIO(), []
    entries = [
        (name, zlib.crc32(c), 0, c, len(c))
        for name, c in [*parts, ("contents.json", json.dumps(said).encode())]
    ]
    entries += [(name, check, 8, body, 1 << 30) for name in names]
    for name, sum_, method, content, size in entries:
        at = out.tell()
        fields = struct.pack("<HHHHHIIIHH", 20, 0, method, 0, 33, sum_, len(content), size, len(name), 0)
        out.write(b"PK\3\4" + fields + name.encode() + content)
        directory.append(
            b"PK\1\2" + struct.pack("<H", 20) + fields + struct.pack("<HHHII", 0, 0, 0, 0, at) + name.encode()
        )
    start, listed = out.tell(), b"".join(directory)
    out.write(
        listed
        + b"PK\5\6"
        + struct.pack("<HHHHIIH", 0, 0, len(directory), len(directory), len(listed), start, 0)
    )
    return out.getvalue()


def _overlapping() -> bytes:
    """Return an archive with a thousand names for one part, each counted once more when it is unpacked."""
    content = bytes(200_000)
    names = [f"packages/{n}" for n in range(1000)]
    whole = _archive({names[0]: content})
    with zipfile.ZipFile(io.BytesIO(whole)) as kept:
        said = json.loads(kept.read("contents.json"))
        said["sha256"] |= dict.fromkeys(names, hashlib.sha256(content).hexdigest())
        written = io.BytesIO()
        with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as out:
            for name in kept.namelist():
                out.writestr(name, json.dumps(said) if name == "contents.json" else kept.read(name))
            first = out.NameToInfo[names[0]]
            for name in names[1:]:
                twin = zipfile.ZipInfo(name)
                for key in ("compress_type", "CRC", "compress_size", "file_size", "header_offset"):
                    setattr(twin, key, getattr(first, key))
                out.filelist.append(twin)
                out.NameToInfo[name] = twin
    return written.getvalue()


def _many_parts(count: int) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as out:
        for number in range(count):
            twin = zipfile.ZipInfo(f"packages/{number}")
            twin.header_offset = twin.CRC = 0
            out.filelist.append(twin)
        out.writestr("contents.json", "{}")
    return written.getvalue()


def _restore() -> Reader:
    """Bring a copy back into a fresh database: what `lanternwright restore` does with it."""
    from sqlalchemy.exc import SQLAlchemyError

    from planner.config import Settings
    from planner.errors import PlannerError
    from planner.services.backup import restore

    def read(content: bytes) -> object:
        with tempfile.TemporaryDirectory() as kept:
            folder = Path(kept) / "inner" / "folder"
            folder.mkdir(parents=True)
            source = Path(kept) / "copy.zip"
            source.write_bytes(content)
            try:
                return restore(Settings(f"sqlite:///{folder / 'a.db'}", folder, "UTC"), source)
            finally:
                strange = [
                    p
                    for p in Path(kept).rglob("*")
                    if p != source and folder not in (p, *p.parents) and p not in folder.parents
                ]
                if strange:
                    raise Broken(f"written elsewhere: {strange}")

    # the command tells the database's own refusals in one line too (planner/cli.py)
    return Reader(read, [], (PlannerError, SQLAlchemyError))


# --- trying --------------------------------------------------------------------------------------------

_OF: dict[str, Callable[[], Iterator[Case]]] = {
    "touches": _touches, "walls": _walls, "keep-outs": _keep_outs, "wedge": _wedge, "log": _log, "machine": _machine,
    "cutters": _cutters, "problem": _problem, "plan": _plan, "svg": _svg, "pictures": _pictures, "program": _program,
    "copy": _copy,
}  # fmt: skip
NAMES_OF_READERS = tuple(_OF)


def _held_mb() -> float:
    """Return the most memory that this process ever held, without what its parent held when it was begun."""
    status = Path("/proc/self/status")
    if status.exists():
        found = re.search(r"VmHWM:\s*(\d+) kB", status.read_text())
        if found:
            return int(found[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _forget_held() -> None:
    """Let the most memory held be counted anew, where the system can (proc(5), clear_refs): making an input counts not."""
    with suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _too_long(_number: int, _frame: object) -> None:
    raise Broken(f"more than {2 * LONGEST_S} s of the processor")


def _readings(name: str) -> list[Callable[[bytes], str]]:
    """Return the ways in which an input of a reader is read; each says `taken` or `refused`."""
    made = _restore() if name == "copy" else readers()[name]()
    if name in ("svg", "pictures"):
        from engine.artwork import read_artwork
        from engine.records import Treatment

        return [
            _said(Reader(lambda b, t=treatment: read_artwork(b, "artwork", treatment=t), [], made.refusals))
            for treatment in (None, Treatment.OPENING)[: 2 if name == "pictures" else 1]
        ]
    return [_said(made)]


def _said(reader: Reader) -> Callable[[bytes], str]:
    def said(content: bytes) -> str:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                reader.read(content)
        except reader.refusals as refusal:
            if not type(refusal).__module__.startswith("sqlalchemy"):
                one_line(refusal)
            return REFUSED
        return TAKEN

    return said


def _child(name: str) -> int:
    """Read every case, a line of JSON for each: what, said, seconds, MB, what was wrong."""
    resource.setrlimit(resource.RLIMIT_AS, (_SPACE_BYTES, _SPACE_BYTES))
    signal.signal(signal.SIGPROF, _too_long)
    readings = _readings(name)
    for case in cases(name):
        content = case.make()
        for read in readings:
            _forget_held()
            began, said, wrong = time.process_time(), "", ""
            signal.setitimer(signal.ITIMER_PROF, 2 * LONGEST_S)
            try:
                said = read(content)
            except Exception as error:
                wrong = f"{type(error).__name__}: {error}"[:300]
            signal.setitimer(signal.ITIMER_PROF, 0)
            seconds = time.process_time() - began
            if not wrong and case.must != EITHER and said != case.must:
                wrong = f"{said}, expected {case.must}"
            print(json.dumps([case.what, said, seconds, _held_mb(), wrong]), flush=True)
    return 0


class Found(NamedTuple):
    """What came of the extreme inputs of a reader."""

    taken: int
    refused: int
    slowest_s: float
    slowest: str
    largest_mb: float
    wrong: list[str]


def tried(name: str) -> Found:
    """Read all extreme inputs of a reader in a process of its own."""
    asked = [sys.executable, "-m", "tests.bench", "extremes", "--child", name]
    done = subprocess.run(
        asked, capture_output=True, text=True, check=False, timeout=900, cwd=Path(__file__).parents[2]
    )
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    wrong = [f"{what}: {told}" for what, _, _, _, told in rows if told]
    wrong += [
        f"{what}: {seconds:.1f} s of the processor" for what, _, seconds, _, _ in rows if seconds > LONGEST_S
    ]
    wrong += [f"{what}: {mb:.0f} MB" for what, _, _, mb, _ in rows if mb > LARGEST_MB]
    held = max((row[3] for row in rows), default=0.0)
    if done.returncode or not rows:
        wrong.append(
            f"ended with {done.returncode} after {rows[-1][0] if rows else 'nothing'}: {done.stderr[-400:]}"
        )
    slowest = max(rows, key=lambda row: row[2], default=["", "", 0.0, 0.0, ""])
    counts = [sum(said == one for _, said, *_ in rows) for one in (TAKEN, REFUSED)]
    return Found(counts[0], counts[1], slowest[2], slowest[0], held, wrong)


def main(arguments: list[str]) -> int:
    """Try the readers and print a line for each; return 1 where one broke."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench extremes")
    asked.add_argument("--reader", action="append", choices=NAMES_OF_READERS)
    asked.add_argument("--child", choices=NAMES_OF_READERS, help=argparse.SUPPRESS)
    options = asked.parse_args(arguments)
    if options.child:
        return _child(options.child)
    broke = False
    print(f"{'reader':<11}{'taken':>8}{'refused':>9}{'slowest':>10}{'memory':>9}")
    for name in options.reader or NAMES_OF_READERS:
        found = tried(name)
        print(
            f"{name:<11}{found.taken:>8}{found.refused:>9}{found.slowest_s:>8.2f} s{found.largest_mb:>6.0f} MB   {found.slowest}",
            flush=True,
        )
        for words in found.wrong:
            print(f"  {words}", flush=True)
        broke |= bool(found.wrong)
    return 1 if broke else 0
