"""Does any file, program, problem or body break a reader? Good ones are spoiled by chance and read.

`python -m tests.bench fuzz [--reader NAME ...] [--inputs 2000] [--first 0] [--seed 0] [--only N] [--guided]`:
each input is told by its seed and number, so a long run goes on with `--first N`, and one that fell is read
again by `--only N`. A reader may take an input or refuse it in one clear line; anything else, more than 10 s,
or a process of more than 512 MB ends with 1.
`--guided` lets the coverage of the code steer the choice (needs `atheris`, which is not among the extras).
"""

# ruff: noqa: E501 - good and bad inputs stand as they come
from __future__ import annotations

import argparse
import io
import itertools
import json
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench.mangled import mangled

LONGEST_S, LARGEST_MB = 10, 512
_LONGEST_LINE = 600
NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


class Broken(AssertionError):
    """A reader did what it must not."""


@dataclass(frozen=True)
class Reader:
    """What reads, by which good files it is tried, and which errors are its way of refusing."""

    read: Callable[[bytes], object]
    good: Sequence[bytes]
    refusals: tuple[type[Exception], ...]


def readers() -> dict[str, Callable[[], Reader]]:
    """Return a maker of each reader, by name."""
    return {
        "touches": _make_touches, "walls": _make_walls, "keep-outs": _make_keep_outs, "wedge": _make_wedge,
        "machine": _make_machine, "cutters": _make_cutters, "svg": _make_svg, "pictures": _make_pictures,
        "program": _make_program, "problem": _make_problem, "plan": _make_plan, "copy": _make_copy, "api": _make_api,
        "forms": _make_forms, "log": _make_log,
    }  # fmt: skip


def _make_touches() -> Reader:
    from engine.files import read_touches

    chance = random.Random(5)
    plain, directed = ["# tip_radius_mm=1.0", "x_mm,y_mm,z_mm,touch"], ["x_mm,y_mm,z_mm,i,j,k,note"]
    for n in range(30):
        x, y, z = (chance.gauss(0, 1) for _ in range(3))
        size = (x * x + y * y + z * z) ** 0.5
        x, y, z = x / size, y / size, z / size
        plain += [f"{100 * x:.3f},{100 * y:.3f},{100 * z + up:.3f},{n}" for up in (0, 0.1)]
        directed.append(f"{100 * x:.3f},{100 * y:.3f},{100 * z:.3f},{-x:.7f},{-y:.7f},{-z:.7f},a")
    return _text_reader(read_touches, "touches.csv", "\n".join(plain), "\n".join(directed))


def _text_reader(read: Callable[[str, str], object], name: str, *good: str) -> Reader:
    from engine.errors import BadInput
    from engine.files import text_of

    return Reader(lambda b: read(text_of(b, name), name), [text.encode() for text in good], (BadInput,))


def _make_walls() -> Reader:
    from engine.files import read_wall

    rows = "".join(f"{n * 30},{n * 5 - 30},{18 + n},{1.5}\n" for n in range(12))
    head = "longitude_deg,latitude_deg,wall_mm"
    return _text_reader(read_wall, "wall.csv", f"{head},sigma_mm\n{rows}", f"{head}\n0,0,22\n")


def _make_keep_outs() -> Reader:
    from engine.files import read_keep_outs

    rows = "stem,0,80,20,15\nclamp,90,-60,15,12\nblemish,30,5,4,3\nbase opening,0,-90,40,9\n"
    return _text_reader(
        read_keep_outs, "keep.csv", "kind,longitude_deg,latitude_deg,radius_mm,margin_mm\n" + rows,
        "kind,longitude_deg,latitude_deg,radius_mm\nstem,0,80,20\n",
    )  # fmt: skip


def _make_wedge() -> Reader:
    from engine.errors import BadInput, CannotBeDone
    from engine.files import read_wedge, text_of
    from engine.wedge import fit_wedge

    def read(content: bytes) -> object:
        return fit_wedge(*read_wedge(text_of(content, "wedge.csv"), "wedge.csv"))

    good = "thickness_mm,reading\n" + "".join(f"{n},{1000 * 0.7**n:.2f}\n" for n in range(2, 14))
    return Reader(read, [good.encode()], (BadInput, CannotBeDone))


def _make_machine() -> Reader:
    from engine.files import read_machine
    from seed_demo.fleet import machine_files

    return _text_reader(read_machine, "machine.json", *machine_files().values())


def _make_cutters() -> Reader:
    from engine.files import read_cutters
    from seed_demo.fleet import cutters_file

    few = {"cutters": json.loads(cutters_file())["cutters"][:2]}
    return _text_reader(read_cutters, "cutters.json", cutters_file(), json.dumps(few))


_SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="80mm" viewBox="0 0 120 80">'
    '<g id="opening-a" transform="translate(5 5) rotate(3)"><path d="M0 0h40v30h-40z M10 10c5 0 9 3 9 9s-4 9-9 9z" '
    'fill-rule="evenodd"/><circle cx="60" cy="20" r="12"/></g><g class="relief" opacity="0.5">'
    '<ellipse cx="90" cy="50" rx="20" ry="12" fill="#808080"/></g><rect class="shave" x="5" y="50" width="30" '
    'height="20" rx="4"/><polygon class="keep" points="60,60 70,60 65,70"/></svg>'
)
_SVG_MORE = (
    '<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
    'viewBox="0 0 50 50"><defs><clipPath id="c"><rect width="30" height="30"/></clipPath>'
    '<path id="p" d="M0 0L20 0L20 20A10 10 0 0 1 0 20Z"/></defs><style>.opening{fill:#000;stroke:none}</style>'
    '<use href="#p" x="4" y="4"/><use href="#p" transform="scale(2)" clip-path="url(#c)"/><path d="M5 40Q20 30 40 45T45 20S30 10 20 12" fill="none" '
    'stroke="black" stroke-width="3" stroke-linecap="round" stroke-linejoin="bevel"/><line x1="1" y1="1" x2="9" '
    'y2="9" stroke="#000" stroke-width="2"/></svg>'
)


def _artwork(content: bytes, name: str) -> object:
    from engine.artwork import read_artwork
    from engine.records import Treatment

    # as a shape or as a tone, by the content, so that an input is read in one way whenever it is read
    treatment = (None, Treatment.OPENING, Treatment.SHAVE)[sum(content[-40:]) % 3]
    return read_artwork(content, name, width_mm=None if sum(content[:40]) % 2 else 120.0, treatment=treatment)


def _make_svg() -> Reader:
    from engine.errors import BadInput

    return Reader(lambda b: _artwork(b, "drawing.svg"), [_SVG.encode(), _SVG_MORE.encode()], (BadInput,))


def _make_pictures() -> Reader:
    from PIL import Image

    from engine.errors import BadInput

    good = []
    for mode, kind in itertools.product(
        ("1", "L", "LA", "P", "RGB", "RGBA", "I;16", "CMYK"), ("PNG", "JPEG", "TIFF")
    ):
        picture = Image.new(mode, (24, 18))
        for n in range(24 * 18):
            value = (n * 7) % 256
            pixel = {
                "LA": (value, 255),
                "RGB": (value, n % 256, 9),
                "RGBA": (value, 0, 9, n % 256),
                "CMYK": (value, 0, 9, 0),
            }
            picture.putpixel((n % 24, n // 24), pixel.get(mode, value if mode != "1" else n % 2))
        written = io.BytesIO()
        try:
            picture.save(written, kind)
        except OSError:  # not every kind holds every mode
            continue
        good.append(written.getvalue())
    return Reader(lambda b: _artwork(b, "picture"), good, (BadInput,))


_PROGRAM = """\
(job: job)
(workpiece: workpiece)
(scan: 000000000000)
(machine: Heron)
(cutter: 6 mm flat)
(written by: Lanternwright 0.1.0)
(This program does not guard, stop or supervise a machine)
(Follow local law and a competent person: where they differ from this text, they win)
(Keep hands out while the cutter can turn: stop and isolate before touching cutter, piece or slugs)
(Never leave it running unattended)
G21 G90 G17 G94
M5
M0 (look: workpiece number, carrier plate and clamp, front mark, guard closed, axes at home)
G0 C0.0000 B0.0000 X350.000
M6 T1 (6 mm flat)
M0 (look: 6 mm flat fitted, stick-out 50 mm, holder tight, guard closed)
M3 S12000
G0 X125.043
C0.4711 B2.3883
C0.9438 B4.7764
(pass: opening 1 pocket)
G94 G1 X113.000 F1400.02
X108.000 F400
G93 C0.9352 B5.6972 F403.285
C0.9267 B6.6180 F403.288
C0.0000 B6.6188 F403.415
C-0.9267 B6.6181 F403.419
C-0.9352 B5.6972 F403.267
C-0.9438 B4.7764 F403.265
C0.0000 B4.7772 F394.851
C0.9438 B4.7764 F394.847
C2.1936 B4.9734 F294.55
C-0.9438 B4.7764 F893.066
C-0.9352 B5.6972 F912.096
C-0.9267 B6.6181 F912.101
C0.0000 B6.6188 F912.445
C0.9267 B6.6180 F912.437
C0.9352 B5.6972 F912.148
C0.9438 B4.7764 F912.142
G0 X125.043
C0.4711 B2.3883
C0.0000 B0.0000
X350.000
M5
M2
"""


def _make_program() -> Reader:
    from engine.errors import BadInput
    from engine.files import read_machine
    from engine.program_reader import read_programs
    from seed_demo.fleet import machine_files

    machine = read_machine(machine_files()["Heron"], "Heron")
    return Reader(
        lambda b: read_programs([b.decode("utf-8", "replace")], machine), [_PROGRAM.encode()], (BadInput,)
    )


_PROBLEM: dict[str, Any] = {
    "start": "2026-10-21T06:00:00+02:00",
    "tiers": ["undone", "late", "stored_nights", "changeovers", "finish"],
    "resources": [
        {"name": "Heron", "kind": "machine", "capacity": 1, "open": [[0, 660], [1440, 2100]], "attended": 0.33,
         "fixture": "L", "cutter": "6F"},
        {"name": "hollowing", "kind": "bench", "capacity": 2, "open": [[0, 660]]},
    ],
    "people": [{"skill": "any", "open": [[0, 660]], "count": 4}],
    "cutters": [{"type": "6F", "life_left": [0.8, 1.0], "change_min": 4}],
    "fixture_change_min": 10,
    "jobs": [
        {"name": "Lime Walk 7", "priority": 2, "release_min": 120, "due_min": 5000, "deadline_min": 5100,
         "use_min": 5125, "perish": 1, "max_wait_min": [240],
         "steps": [{"options": [{"resource": "hollowing", "run_min": 10, "people": 1}]},
                   {"options": [{"resource": "Heron", "load_min": 5, "run_min": 21, "unload_min": 6, "fixture": "L",
                                 "wear": {"6F": 0.012}}]}]},
        {"name": "Gate 1", "steps": [{"options": [{"resource": "Heron", "run_min": 30}]}], "after": ["Lime Walk 7"]},
    ],
    "pins": [{"job": "Lime Walk 7", "step": 1, "resource": "Heron", "start_min": 300}],
    "frozen_until_min": 60,
    "published": [{"job": "Gate 1", "step": 0, "resource": "Heron", "start_min": 400, "end_min": 430, "cutters": []}],
}  # fmt: skip


class _NoJson(Exception):
    """What the command refuses before a reader sees it."""


def _json(content: bytes) -> Any:
    from planner.commands.common import json_of
    from planner.errors import Refused

    try:
        return json_of(content, "problem.json")
    except Refused as refused:
        one_line(refused)
        raise _NoJson(str(refused)) from refused


def _make_problem() -> Reader:
    from planner.optimizer import read_problem
    from planner.optimizer.problem import ProblemError

    good = [
        json.dumps(_PROBLEM).encode(),
        json.dumps(
            {k: _PROBLEM[k] for k in ("resources", "jobs")} | {"cutters": _PROBLEM["cutters"]}
        ).encode(),
    ]
    return Reader(lambda b: read_problem(_json(b)), good, (ProblemError, _NoJson))


def _make_plan() -> Reader:
    from planner.optimizer import read_plan, read_problem, verify
    from planner.optimizer.problem import ProblemError

    problem = read_problem(_PROBLEM)
    plan = {
        "rows": [
            {"job": "Lime Walk 7", "step": 0, "resource": "hollowing", "start_min": 130, "end_min": 140, "cutters": []},
            {"job": "Lime Walk 7", "step": 1, "resource": "Heron", "start_min": 300, "end_min": 332, "cutters": ["6F-1"]},
        ],
        "undone": ["Gate 1"], "tiers": {}, "seed": 0, "seconds": 1.0, "versions": {}, "why": {},
    }  # fmt: skip
    return Reader(
        lambda b: verify(problem, read_plan(_json(b))), [json.dumps(plan).encode()], (ProblemError, _NoJson)
    )


def _make_log() -> Reader:
    from zoneinfo import ZoneInfo

    from engine.errors import BadInput
    from engine.files import text_of
    from planner.errors import PlannerError
    from planner.services.controller_log import read_log

    zone = ZoneInfo("Europe/London")
    good = (
        "event,kind,at,job_id,words\n1,start,2026-10-21T08:00:00,3,\n2,pause,2026-10-21T08:05:00+01:00,3,chips\n"
        '3,resume,2026-10-21T08:09:00Z,,\n4,end,2026-10-21 08:30,3,"finished, clean"\n'
    )
    plain = "kind,at,event\r\n" + "".join(f"fault,2026-10-21T09:{n:02}:00,f{n}\r\n" for n in range(20))

    def read(content: bytes) -> object:
        return list(read_log(text_of(content, "log.csv"), "log.csv", zone))

    return Reader(read, [good.encode(), plain.encode()], (PlannerError, BadInput))


def _in_memory() -> Path:
    """Return a fresh folder, where the computer has one on a disk that is memory."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="lantern-fuzz-", dir=memory if memory.is_dir() else None))


def _make_copy() -> Reader:
    from planner.config import Settings
    from planner.database import migrate
    from planner.errors import PlannerError
    from planner.services.backup import backup, contents_of

    folder = _in_memory()
    settings = Settings(f"sqlite:///{folder / 'a.db'}", folder, "UTC")
    migrate.upgrade(settings.database_url)
    (settings.packages / "00001-a").mkdir(parents=True)
    (settings.packages / "00001-a" / "program.nc").write_text("M2\n")
    backup(settings, folder / "copy.zip")
    good = (folder / "copy.zip").read_bytes()
    stored = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(good)) as kept, zipfile.ZipFile(stored, "w") as plain:
        for name in kept.namelist():
            plain.writestr(name, kept.read(name))
    spoiled = folder / "spoiled.zip"

    def read(content: bytes) -> object:
        spoiled.write_bytes(content)
        return contents_of(spoiled)

    return Reader(read, [good, stored.getvalue()], (PlannerError,))


def _pages() -> tuple[Any, Any]:
    """Return pages on a small season, and their client."""
    from planner.config import Settings
    from planner.database import migrate
    from planner.database.session import session_factory, unit_of_work
    from tests.bench.pages import fill
    from web import create_app

    folder = _in_memory()
    url = f"sqlite:///{folder / 'fuzz.db'}"
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        fill(db, 30)
    factory.kw["bind"].dispose()
    app = create_app(Settings(url, folder, "Europe/London"), clock=lambda: NOW, demo=True)
    app.config["WTF_CSRF_ENABLED"] = False
    app.logger.disabled = True
    return app, app.test_client()


def _answered(answer: Any) -> object:
    status = answer.status_code
    text = answer.get_data(as_text=True) if status >= 400 else ""
    answer.close()
    if status >= 500:
        raise Broken(f"answered {status}")
    if "Traceback" in text:
        raise Broken("a traceback was shown")
    return status


def _make_api() -> Reader:
    """Bodies: the first two bytes choose the operation, the rest is its body."""
    from web.api import OPERATIONS

    _, client = _pages()
    written = [one for one in OPERATIONS if one.body]
    good = [
        bytes((number, 0))
        + json.dumps({name: _example(schema) for name, schema in one.body.items()}).encode()
        for number, one in enumerate(written)
    ]

    def read(content: bytes) -> object:
        one = written[(content[0] if content else 0) % len(written)]
        path = "/api/v1" + one.rule.replace("<int:", "<")
        while "<" in path:
            start, end = path.index("<"), path.index(">")
            path = path[:start] + "3" + path[end + 1 :]
        return _answered(
            client.open(path, method=one.method, data=content[2:], content_type="application/json")
        )

    return Reader(read, good, ())


def _example(schema: dict[str, Any]) -> Any:
    if "enum" in schema:
        return schema["enum"][0]
    if schema.get("format") == "date-time":
        return "2026-10-21T09:15:00+01:00"
    kinds = {"string": "a word", "integer": 3, "number": 1.5, "array": [], "object": {}, "boolean": True}
    return kinds[schema["type"]]


def _make_forms() -> Reader:
    """Forms and uploads of the pages: the first two bytes choose the page, the rest is what is sent."""
    app, client = _pages()
    rules = [
        rule for rule in app.url_map.iter_rules()
        if "POST" in (rule.methods or ()) and not str(rule).startswith(("/api/", "/sign-in", "/welcome", "/people"))
    ]  # fmt: skip
    fields = b"job_id=3&machine_id=3&tag=00003&reason=x&rating=7&hours=2&number=00003&kind=squash&name=a&width_mm=120"
    part = (
        b"--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.svg\"\r\nContent-Type: image/svg+xml\r\n\r\n"
        + _SVG.encode() + b"\r\n--b\r\nContent-Disposition: form-data; name=\"name\"\r\n\r\nFox\r\n--b--\r\n"
    )  # fmt: skip
    good = [bytes((n, 0)) + fields for n in range(len(rules))] + [
        bytes((n, 1)) + part for n in range(len(rules))
    ]

    def read(content: bytes) -> object:
        rule = rules[(content[0] if content else 0) % len(rules)]
        path = str(rule)
        while "<" in path:
            start, end = path.index("<"), path.index(">")
            path = path[:start] + "3" + path[end + 1 :]
        several = len(content) > 1 and content[1] % 2
        kind = "multipart/form-data; boundary=b" if several else "application/x-www-form-urlencoded"
        return _answered(client.post(path, data=content[2:], content_type=kind))

    return Reader(read, good, ())


# --- trying --------------------------------------------------------------------------------------------


@contextmanager
def _in_time() -> Iterator[None]:
    def late(_number: int, _frame: object) -> None:
        raise Broken(f"more than {LONGEST_S} s of the processor")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def one_line(refusal: Exception) -> None:
    """Raise `Broken` where a refusal is no clear line."""
    text = str(refusal)
    if not text.strip() or len(text.splitlines()) != 1 or len(text) > _LONGEST_LINE or not text.isprintable():
        raise Broken(f"not one clear line: {text[:200]!r} ({len(text)} characters)")


def tried(reader: Reader, content: bytes) -> str:
    """Read one input; return `taken` or `refused`, or raise `Broken`."""
    try:
        with _in_time(), warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter(
                "ignore", ResourceWarning
            )  # a form that was broken off leaves its parts to Python
            reader.read(content)
    except Broken:
        raise
    except reader.refusals as refusal:
        one_line(refusal)
        return "refused"
    except Exception as other:
        raise Broken(f"{type(other).__name__}: {other}"[:300]) from other
    return "taken"


def spoiled(reader: Reader, name: str, seed: int, number: int) -> bytes:
    """Return one input by its number."""
    return mangled(reader.good, random.Random(f"{name} {seed} {number}"))


@dataclass
class Tally:
    """What came of one reader."""

    counts: Counter[str]
    slowest_s: float
    broken: list[tuple[int, str]]


def run(name: str, inputs: int, seed: int = 0, *, first: int = 0, most_broken: int = 10) -> Tally:
    """Try one reader with so many inputs; it stops early where it broke often."""
    reader = readers()[name]()
    for good in reader.good:
        if tried(reader, good) != "taken" and name != "forms":
            raise Broken(f"{name}: a good input was refused: {good[:200]!r}")
    tally = Tally(Counter(), 0.0, [])
    for number in range(first, first + inputs):
        content = spoiled(reader, name, seed, number)
        began = time.perf_counter()
        try:
            tally.counts[tried(reader, content)] += 1
        except Broken as broken:
            tally.counts["broken"] += 1
            tally.broken.append((number, str(broken)))
            if len(tally.broken) >= most_broken:
                break
        tally.slowest_s = max(tally.slowest_s, time.perf_counter() - began)
    return tally


def _guided(name: str, inputs: int) -> int:
    """Let coverage steer: the engine's modules are watched, and our own ways of spoiling are used."""
    import atheris

    with atheris.instrument_imports(include=["engine", "planner.optimizer", "svgelements", "web"]):
        reader = readers()[name]()

    def one(content: bytes) -> None:
        try:
            tried(reader, content)
        except Broken:
            traceback.print_exc()
            raise

    def changed(content: bytes, longest: int, seed: int) -> bytes:
        chance = random.Random(seed)
        if chance.random() < 0.5:
            return bytes(atheris.Mutate(content, longest))
        return mangled([content, *reader.good], chance)[:longest]

    with tempfile.TemporaryDirectory() as corpus:
        for number, good in enumerate(reader.good):
            (Path(corpus) / str(number)).write_bytes(good)
        asked = [sys.argv[0], f"-runs={inputs}", f"-timeout={LONGEST_S}", f"-rss_limit_mb={LARGEST_MB * 2}",
                 "-max_len=20000", "-print_final_stats=1", corpus]  # fmt: skip
        atheris.Setup(asked, one, custom_mutator=changed)
        atheris.Fuzz()
    return 0


def main(arguments: list[str]) -> int:
    """Try the readers and print a line for each; return 1 where one broke."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench fuzz")
    asked.add_argument("--reader", action="append", choices=list(readers()))
    asked.add_argument("--inputs", type=int, default=2000)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--first", type=int, default=0, help="Number of the first input.")
    asked.add_argument("--only", type=int, help="One input by its number, with its traceback.")
    asked.add_argument("--guided", action="store_true")
    options = asked.parse_args(arguments)
    names = options.reader or list(readers())
    if options.guided:
        return _guided(names[0], options.inputs)
    if options.only is not None:
        reader = readers()[names[0]]()
        content = spoiled(reader, names[0], options.seed, options.only)
        print(content[:2000])
        print(reader.read(content))
        return 0
    failed = False
    print(
        f"{'reader':<11}{'inputs':>9}{'taken':>9}{'refused':>9}{'broken':>8}{'a second':>10}{'slowest':>9}{'memory':>9}"
    )
    for name in names:
        began = time.perf_counter()
        tally = run(name, options.inputs, options.seed, first=options.first)
        seconds = time.perf_counter() - began
        memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # of the whole process
        total = sum(tally.counts.values())
        print(
            f"{name:<11}{total:>9}{tally.counts['taken']:>9}{tally.counts['refused']:>9}{tally.counts['broken']:>8}"
            f"{total / seconds:>10.0f}{tally.slowest_s:>7.2f} s{memory_mb:>6.0f} MB", flush=True,
        )  # fmt: skip
        for number, words in tally.broken:
            print(f"  --reader {name} --seed {options.seed} --only {number}: {words}", flush=True)
        failed |= bool(tally.broken) or memory_mb > LARGEST_MB
    return 1 if failed else 0
