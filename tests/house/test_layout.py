"""Does the tree look as DEVELOPERS.md draws it? The top level is a fixed list."""

from __future__ import annotations

from fnmatch import fnmatch
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
FOLDERS = {".ci", "engine", "migrations", "planner", "seed_demo", "tests", "web"}
FILES = {".gitignore", ".pre-commit-config.yaml", "DEVELOPERS.md", "README.md", "pyproject.toml"}


def _ignored(name: str) -> bool:
    patterns = (TOP / ".gitignore").read_text("utf-8").split()
    return name == ".git" or any(fnmatch(name, pattern.rstrip("/")) for pattern in patterns)


def test_top_level_is_the_fixed_list() -> None:
    """What git keeps at the top level is this list, nothing more and nothing less."""
    there = {path for path in TOP.iterdir() if not _ignored(path.name)}
    assert {path.name for path in there if path.is_dir()} == FOLDERS
    assert {path.name for path in there if not path.is_dir()} == FILES


def test_the_fixed_list_is_drawn() -> None:
    """DEVELOPERS.md has a line for every folder of the top level."""
    drawn = (TOP / "DEVELOPERS.md").read_text("utf-8")
    assert [name for name in sorted(FOLDERS) if f"\n{name}/" not in drawn] == []


def test_tests_are_no_package() -> None:
    """Test files do not import each other, so their folders need no __init__.py."""
    assert list((TOP / "tests").rglob("__init__.py")) == []


def test_every_test_folder_is_one_of_the_floors_or_a_kind_of_test() -> None:
    """Tests mirror the code; besides there are only the kinds that DEVELOPERS.md names."""
    kinds = {"bench", "browser", "house", "migrations", "properties", "references", "trust"}
    folders = {path.name for path in (TOP / "tests").iterdir() if path.is_dir() and not _ignored(path.name)}
    assert folders - kinds <= FOLDERS
