"""Does the program need only what it says, and call nobody? Imports, wheel, licences, the network."""

# ruff: noqa: E501
from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import PackageNotFoundError, metadata, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.bench.supply import judged, locked, plain_name

TOP = Path(__file__).parents[2]
FREE = (
    "MIT",
    "ZPL",
    "BSD",
    "Apache",
    "LGPL",
    "PSF",
    "HPND",
    "ISC",
    "MPL",
    "Unlicense",
    "Python Software",
    "0BSD",
    "Zlib",
)


def _python(code: str, *, folder: Path | None = None) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder or TOP,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def test_the_engine_is_there_at_once() -> None:
    """Half a second of the processor at most, in the best of three runs: what is slow is loaded when it is needed."""
    code = "import time; t = time.process_time(); import engine.prepare; print(time.process_time() - t)"
    assert min(float(_python(code)) for _ in range(3)) < 0.5


_NO_NETWORK = """
import socket
class Shut(socket.socket):
    def connect(self, address):
        if self.family != socket.AF_UNIX: raise AssertionError(f"called {address}")
    def connect_ex(self, address): self.connect(address)
def shut(*a, **k): raise AssertionError(f"looked up {a[0]}")
socket.socket, socket.create_connection = Shut, shut
socket.getaddrinfo = socket.gethostbyname = shut
"""


@pytest.mark.slow
def test_nobody_is_called(tmp_path: Path) -> None:
    """A job is timed and prepared, a season planned, judged and copied, and every page shown: no socket is opened."""
    code = (
        _NO_NETWORK
        + f"""
from pathlib import Path
from planner.audit import audit
from planner.database.session import reading, session_factory, unit_of_work
from planner.services.backup import backup
from planner.services.planning import plan_season
from planner.services import preparing
from tests.bench.small import BY, NOW, build, settings_in
from web import create_app
settings = settings_in(Path({str(tmp_path)!r}))
build(settings, 1)
factory = session_factory(settings.database_url)
with reading(factory) as db: inputs = preparing.inputs_of(db, 1)
with unit_of_work(factory) as db: preparing.store_survey(db, preparing.survey(inputs), by=BY, at=NOW)
plan_season(factory, 1, by=BY, now=NOW, seconds=0.3, workers=1)
made = preparing.prepare_for(inputs, "Heron", settings.packages)
with unit_of_work(factory) as db: preparing.store_preparation(db, made, by=BY, at=NOW)
with reading(factory) as db: assert audit(db, settings.packages).breaches == ()
backup(settings, settings.folder / "copy.zip")
client = create_app(settings, clock=lambda: NOW, demo=True).test_client()
for page in ("/", "/tonight", "/floor", "/jobs", "/jobs/1", "/plan", "/machines", "/designs", "/venue"):
    assert client.get(page).status_code == 200, page
print("done")
"""
    )
    assert _python(code).strip() == "done"


def test_a_call_would_be_seen() -> None:
    """The shut network above can be told from an open one."""
    code = _NO_NETWORK + "\nimport urllib.request\nurllib.request.urlopen('http://192.0.2.1/', timeout=1)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode != 0 and ("looked up" in done.stderr or "called" in done.stderr)


def test_the_wheel_holds_what_is_needed_and_no_tests(tmp_path: Path) -> None:
    """Templates, styles, migrations and commands are in it; tests are not."""
    built = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(TOP)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr[-1000:]
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        names = set(wheel.namelist())
    kept = subprocess.run(
        ["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.split()
    wanted = {
        name for name in kept if name.startswith(("engine/", "planner/", "web/", "seed_demo/", "migrations/"))
    }
    there = {name for name in wanted if (TOP / name).exists()}
    assert there - names == set()
    assert not any(name.startswith("tests/") for name in names)


@pytest.mark.slow
def test_the_wheel_installs_and_runs_by_itself(tmp_path: Path) -> None:
    """Built, put into an empty folder without the project's tree, its commands and pages are there."""
    wheels, there = tmp_path / "wheels", tmp_path / "there"
    pip = [sys.executable, "-m", "pip"]
    build = [*pip, "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(wheels), str(TOP)]
    subprocess.run(build, check=True, capture_output=True)
    install = [*pip, "install", "-q", "--no-deps", "--target", str(there), str(next(wheels.glob("*.whl")))]
    subprocess.run(install, check=True, capture_output=True)
    code = f"""
import sys; sys.path.insert(0, {str(there)!r})
from pathlib import Path
from planner.config import Settings
from planner.database import migrate
import engine, planner, web
assert all(Path(m.__file__).is_relative_to({str(there)!r}) for m in (engine, planner, web))
folder = Path({str(tmp_path / "kept")!r}); folder.mkdir()
settings = Settings(f"sqlite:///{{folder / 'a.db'}}", folder, "UTC")
migrate.upgrade(settings.database_url)
client = web.create_app(settings, demo=True).test_client()
assert client.get("/").status_code == 200 and client.get("/static/pages.css").status_code == 200
print("done")
"""
    assert _python(code, folder=tmp_path).strip() == "done"


def _asked_for() -> dict[str, Requirement]:
    """Return what the project and its extra for tests ask for, by name."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    return {plain_name(Requirement(line).name): Requirement(line) for line in lines}


def test_the_lock_holds_every_package_of_the_tests() -> None:
    """Each is there with a digest, in a version that the project takes, with all that it needs in turn."""
    held = locked()
    for name, asked in _asked_for().items():
        assert asked.specifier.contains(held[name]), name
    seen: set[str] = set()
    left = list(_asked_for())
    while left:
        name = left.pop()
        if name in seen:
            continue
        seen.add(name)
        try:
            needs = [Requirement(line) for line in requires(name) or ()]
        except PackageNotFoundError:
            continue
        for need in needs:
            if need.marker is None or need.marker.evaluate({"extra": ""}):
                left.append(plain_name(need.name))
    assert seen - set(held) == set()


def test_an_audit_is_clean_only_where_all_was_looked_up() -> None:
    """What is known ends with 1; what could not be reached is said and ends with 3, never as clean."""
    plain = {"name": "a", "version": "1", "vulns": []}
    bad = plain | {"name": "b", "vulns": [{"id": "PYSEC-1"}]}
    missed = {"name": "c", "skip_reason": "not found"}
    assert judged(json.dumps({"dependencies": [plain]}), "")[0] == 0
    assert judged(json.dumps({"dependencies": [plain, bad, missed]}), "") == (1, "b 1: PYSEC-1")
    assert judged(json.dumps({"dependencies": [plain, missed]}), "")[0] == 3
    assert judged(json.dumps({"dependencies": []}), "")[0] == 3
    code, words = judged("", "Traceback\nConnectionError: no way there")
    assert code == 3 and "could not be reached: ConnectionError: no way there" in words


def _needed() -> list[str]:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    lines = [*project["dependencies"], *extras["pg"], *extras.get("cluster", ())]
    return sorted({re.split(r"[\[<>=; ]", line)[0] for line in lines})


def test_licences_are_listed_and_free() -> None:
    """Each package the program needs stands under Licences in DEVELOPERS.md, with a licence that lets it be used."""
    text = (TOP / "DEVELOPERS.md").read_text()
    told = dict(re.findall(r"^\| ([\w-]+) \| ([^|]+) \|$", text[text.index("### Licences") :], re.MULTILINE))
    for name in _needed():
        assert name in told, name
        assert any(word in told[name] for word in FREE), (name, told[name])
        try:
            said = metadata(name)
        except PackageNotFoundError:
            continue
        words = " ".join(
            [
                said.get("License-Expression") or "",
                said.get("License") or "",
                *(said.get_all("Classifier") or ()),
            ]
        )
        assert "GNU General" not in words or "Lesser" in words or "LGPL" in words, name
