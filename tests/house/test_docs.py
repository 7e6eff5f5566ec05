"""Do the documents say what the code does, and does the text keep to the house rules?"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

import click
import pytest

from planner.cli import main

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text("utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text("utf-8")
RUN = (TOP / ".ci" / "run").read_text("utf-8")
TEXT = {".py", ".md", ".toml", ".yaml", ".html", ".css", ".js", ".svg", ".json", ".csv", ".mako", ".ini", ""}
COMMANDS = [
    "python3 -m venv .venv && .venv/bin/pip install -q -e . && .venv/bin/lanternwright demo",
    "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest",
]


def _kept(folder: Path = TOP) -> Iterator[Path]:
    """Yield the text files of the tree, without what .gitignore names."""
    patterns = [".git", *(p.rstrip("/") for p in (TOP / ".gitignore").read_text("utf-8").split())]
    for path in sorted(folder.iterdir()):
        if any(fnmatch(path.name, pattern) for pattern in patterns):
            continue
        if path.is_dir():
            yield from _kept(path)
        elif path.suffix in TEXT:
            yield path


@cache
def _nodes(path: Path) -> tuple[ast.AST, ...]:
    """Return all nodes of a file's syntax; several rules look at them."""
    return tuple(ast.walk(ast.parse(path.read_text("utf-8"))))


def _found(pattern: str, paths: Iterator[Path] | list[Path]) -> list[str]:
    """Return file, line and finding of every match of a pattern."""
    return [
        f"{path.relative_to(TOP)}:{number}: {match[0]}"
        for path in paths
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        for match in re.finditer(pattern, line)
    ]


# --- the two documents ---------------------------------------------------------------------------------


def test_readme_has_exactly_the_two_commands() -> None:
    """A stranger copies one block and sees the demo, another one and sees the tests."""
    assert re.findall(r"^```\w*\n(.*?)\n```$", README, re.MULTILINE | re.DOTALL) == COMMANDS


def test_the_gate_runs_the_tests_as_the_readme_does() -> None:
    """.ci/run ends with the README's test command, so that its summary is the last thing shown."""
    assert RUN.rstrip().splitlines()[-1] == COMMANDS[1].split(" && ")[-1]
    assert COMMANDS[1].split(" && ")[-2] in RUN


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_links_lead_to_files_of_the_tree(document: str) -> None:
    """Every link and picture of a document is there."""
    links = re.findall(r"\]\(([^)#:]+)\)", (TOP / document).read_text("utf-8"))
    assert [link for link in links if not (TOP / link).exists()] == []


def test_no_document_is_named_that_is_not_there() -> None:
    """Code and documents refer to no paper that a reader of the tree does not have."""
    named = _found(r"\b([A-Z][A-Z_]+\.md|FORMAT[S])\b", _kept())  # the formats stand in DEVELOPERS.md
    assert [line for line in named if not (TOP / line.split(": ")[1]).exists()] == []


def _commands(group: click.Group, before: str = "lanternwright") -> dict[str, click.Command]:
    """Return every command that does something, by what is typed."""
    found: dict[str, click.Command] = {}
    for name, command in group.commands.items():
        typed = f"{before} {name}"
        found |= _commands(command, typed) if isinstance(command, click.Group) else {typed: command}
    return found


def _rows() -> dict[str, str]:
    """Return the rows of DEVELOPERS.md's table of commands, by command."""
    rows = re.findall(r"^\| `(lanternwright [a-z -]*[a-z])` (\|.*)$", DEVELOPERS, re.MULTILINE)
    return dict(rows)


def test_commands_in_the_table_are_those_of_the_program() -> None:
    """DEVELOPERS.md has one row for each command, and none for one that does not exist."""
    assert sorted(_rows()) == sorted(_commands(main))


def test_options_in_the_table_are_those_of_the_program() -> None:
    """Each command's row names its options, all of them and no others."""
    rows = _rows()
    for typed, command in _commands(main).items():
        real = {flag for one in command.params for flag in one.opts if flag.startswith("--")}
        assert set(re.findall(r"--[a-z-]+", rows.get(typed, ""))) == real, typed


def test_every_setting_is_documented() -> None:
    """Each environment variable of ours that the code reads stands in DEVELOPERS.md, and no other."""
    pattern = r"\bLANTERNWRIGHT_[A-Z][A-Z_]*[A-Z]\b"
    code = [path for path in _kept() if path.suffix == ".py" and "tests" not in path.parts]
    read = {line.split(": ")[1] for line in _found(pattern, code)}
    assert read == set(re.findall(pattern, DEVELOPERS))


def test_changes_name_this_version() -> None:
    """The version of the package is the newest one under Changes."""
    version = re.search(r'^version = "(.+)"$', (TOP / "pyproject.toml").read_text("utf-8"), re.MULTILINE)
    newest = re.search(r"^## Changes$.*?^### (\S+)", DEVELOPERS, re.MULTILINE | re.DOTALL)
    assert version and newest
    assert newest[1] == version[1]


# --- docstrings of the engine --------------------------------------------------------------------------

_NUMBER = re.compile(r"\b(Floats|Ints|float|int|ndarray|NDArray|ArrayLike)\b")
_UNIT = re.compile(r"\[[^\]]+\]")
_PARAMETERS = re.compile(r"^Parameters\n-+\n(.*?)(?=^\S[^\n]*\n-+$|\Z)", re.MULTILINE | re.DOTALL)


def _public_functions(tree: ast.Module) -> Iterator[ast.FunctionDef]:
    bodies = [tree.body] + [n.body for n in tree.body if isinstance(n, ast.ClassDef) and n.name[0] != "_"]
    for body in bodies:
        yield from (n for n in body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_"))


def _numbers(function: ast.FunctionDef) -> set[str]:
    """Return the parameters that are numbers or arrays of them, by their annotation."""
    a = function.args
    every = [*a.posonlyargs, *a.args, *a.kwonlyargs, *(one for one in (a.vararg, a.kwarg) if one)]
    return {one.arg for one in every if one.annotation and _NUMBER.search(ast.unparse(one.annotation))}


def _entries(docstring: str) -> dict[str, str]:
    """Return what the Parameters section says, by parameter."""
    section = _PARAMETERS.search(docstring)
    said: dict[str, str] = {}
    for entry in re.split(r"\n(?=\S)", section[1].strip("\n")) if section else []:
        head, _, text = entry.partition("\n")
        said |= {name.strip(" *"): text for name in head.split(":")[0].split(",")}
    return said


def _without_unit(function: ast.FunctionDef) -> list[str]:
    """Return what a docstring lacks: itself, or the unit of a number among the parameters."""
    docstring = ast.get_docstring(function)
    if docstring is None:
        return ["no docstring"]
    said = _entries(docstring)
    if not said:  # a short one says it in its sentence
        return ["no unit"] if _numbers(function) and not _UNIT.search(docstring) else []
    return [
        f"no unit for {name}" for name in sorted(_numbers(function)) if not _UNIT.search(said.get(name, ""))
    ]


@pytest.mark.parametrize("path", sorted((TOP / "engine").rglob("*.py")), ids=lambda path: path.stem)
def test_engine_says_its_units(path: Path) -> None:
    """Each number that goes into a public function of the engine has its unit, or [-], in brackets."""
    functions = list(_public_functions(ast.parse(path.read_text("utf-8"))))
    assert [f"{f.name}: {lack}" for f in functions for lack in _without_unit(f)] == []


_ENTRY = "\n\n    Parameters\n    ----------\n    a : type\n        Its meaning{unit}.\n    "


@pytest.mark.parametrize(
    ("kind", "docstring", "lacks"),
    [
        ("float", None, ["no docstring"]),
        ("float", "Do it.", ["no unit"]),
        ("float", "Do it [mm].", []),
        ("float", "Do it." + _ENTRY.format(unit=" [mm]"), []),
        ("float", "Do it [s]." + _ENTRY.format(unit=""), ["no unit for a"]),
        ("Wall", "Do it." + _ENTRY.format(unit=""), []),
    ],
)
def test_a_missing_unit_is_seen(kind: str, docstring: str | None, lacks: list[str]) -> None:
    """The rule above finds what it is for; records say their units themselves."""
    body = "..." if docstring is None else f'"""{docstring}"""'
    tree = ast.parse(f"def f(a: {kind}) -> None:\n    {body}\n")
    assert [lack for f in _public_functions(tree) for lack in _without_unit(f)] == lacks


# --- the text of the tree ------------------------------------------------------------------------------


def test_no_check_that_cannot_fail() -> None:
    """No test asserts a constant or a tuple, which always holds."""
    found = [
        f"{path.relative_to(TOP)}:{node.lineno}"
        for path in sorted((TOP / "tests").rglob("*.py"))
        for node in _nodes(path)
        if isinstance(node, ast.Assert) and isinstance(node.test, ast.Constant | ast.Tuple)
    ]
    assert found == []


def test_every_test_says_what_must_hold() -> None:
    """Each test has a docstring."""
    found = [
        f"{path.relative_to(TOP)}: {node.name}"
        for path in sorted((TOP / "tests").rglob("test_*.py"))
        for node in _nodes(path)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert found == []


def test_no_path_of_one_computer() -> None:
    """No file names a folder that only the computer of its writer has."""
    assert (
        _found(r"(?<![\w.:/-])/(home|root|tmp|opt|work|Users|usr/local|[a-z]+/main)/[\w.-]+", _kept()) == []
    )


def test_the_text_speaks_of_the_project_alone() -> None:
    """No file tells how it was written: no ticket numbers, no notes to oneself, no writer's programs."""
    words = (
        r"\b(TO[D]O|FIX[M]E|XX[X]|HA[C]K|issue [#]?\d+|pull reques[t]|"
        r"transcrip[t]|promp[t]s?|chatbo[t]|LL[M]s?|A[I])\b"
    )
    assert _found(words, _kept()) == []


def test_names_say_what_they_are() -> None:
    """No module, class, function or parameter is called by a word that says nothing."""
    empty = {"data", "info", "item", "items", "manager", "handler", "helper", "helpers", "util", "utils"}
    found = []
    for path in _kept():
        if path.suffix != ".py" or "tests" in path.parts or "migrations" in path.parts:
            continue
        names = {path.stem}
        for node in _nodes(path):
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                names.add(node.name)
            elif isinstance(node, ast.arg):
                names.add(node.arg)
        snake = {
            name: set(re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower().strip("_").split("_"))
            for name in names
        }
        found += [f"{path.relative_to(TOP)}: {name}" for name, parts in snake.items() if parts & empty]
    assert found == []
