"""Do the floors keep to the import contracts of pyproject.toml, and would a break be seen?"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

TOP = Path(__file__).resolve().parents[2]
LINT_IMPORTS = Path(sys.executable).with_name("lint-imports")


def _settings() -> dict[str, Any]:
    settings: dict[str, Any] = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["tool"][
        "importlinter"
    ]
    return settings


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [str(LINT_IMPORTS), "--no-logo", "--no-cache", *arguments]
    return subprocess.run(command, cwd=TOP, capture_output=True, text=True, timeout=120, check=False)


def test_every_contract_is_kept() -> None:
    """Each contract is judged, and none is broken."""
    ended = _run()
    said = ended.stdout + ended.stderr
    assert ended.returncode == 0, said
    for contract in _settings()["contracts"]:
        assert f"{contract['name']} KEPT" in said


def test_a_broken_contract_is_seen(tmp_path: Path) -> None:
    """A contract that the code breaks (the order of the work needs the records) ends with an error."""
    planted = tmp_path / "contracts.toml"
    planted.write_text(
        '[tool.importlinter]\nroot_packages = ["engine"]\n'
        '[[tool.importlinter.contracts]]\nname = "Planted"\n'
        'type = "forbidden"\nsource_modules = ["engine.prepare"]\nforbidden_modules = ["engine.records"]\n',
        "utf-8",
    )
    ended = _run(str(planted))
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "Planted BROKEN" in ended.stdout


def test_the_floors_that_matter_have_a_contract() -> None:
    """The engine, the optimizer, the web and the proof are each the source of a contract."""
    sources = {
        module for contract in _settings()["contracts"] for module in contract.get("source_modules", ())
    }
    assert {"engine", "planner.optimizer", "web", "engine.proof"} <= sources


def test_every_package_of_ours_is_judged() -> None:
    """No package with code stands outside the contracts, apart from migrations and tests."""
    packages = {folder.parent.name for folder in TOP.glob("*/__init__.py")} - {"migrations", "tests"}
    assert packages == set(_settings()["root_packages"])
