"""Do the commands of plans answer in words, from a file and from a season?"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from planner.cli import main
from planner.database.migrate import upgrade
from planner.database.session import session_factory
from seed_demo.season import write_base

PROBLEM = {
    "tiers": ["undone", "late", "stored_nights"],
    "resources": [{"name": name, "open": [[0, 100]]} for name in ("Heron", "Wren")],
    "jobs": [
        {
            "name": f"lantern {n}",
            "deadline_min": 100,
            "steps": [{"options": [{"resource": name, "run_min": 45} for name in ("Heron", "Wren")]}],
        }
        for n in range(5)
    ],
}


@pytest.fixture
def problem(tmp_path: Path) -> Path:
    """Five lanterns of 45 min where four have room."""
    path = tmp_path / "problem.json"
    path.write_text(json.dumps(PROBLEM))
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_plan_and_explain(problem: Path, tmp_path: Path) -> None:
    """One of five is undone; the two machines' work and the deadline clash, and that is said."""
    out = tmp_path / "plan.json"
    result = run("plan", "--problem", problem, "--out", out, "--seconds", 1, "--workers", 1)
    assert result.exit_code == 0, result.output
    plan = json.loads(out.read_text())
    assert len(plan["undone"]) == 1
    told = run("explain", plan["undone"][0], "--problem", problem, "--plan", out)
    assert told.exit_code == 0, told.output
    assert "Heron does 2 other steps of 90 min" in told.output
    assert "it must be ready by minute 100" in told.output
    refused = run("explain", "lantern 9", "--problem", problem, "--plan", out)
    assert refused.exit_code == 2 and "no such job" in refused.output


def test_compare_a_copy(problem: Path) -> None:
    """With Wren down two have room, which is proven; an unknown machine is refused in one line."""
    result = run("compare", "--problem", problem, "--down", "Wren", "--seconds", 1)
    assert result.exit_code == 0, result.output
    assert "3 not ready (proven: at least 3 by weight" in result.output
    every = run("compare", "--problem", problem, "--outages", 1)
    assert every.output.count("down: not all ready, proven (at least 3 by weight)") == 2
    refused = run("compare", "--problem", problem, "--down", "Ferret")
    assert refused.exit_code == 2 and "Ferret" in refused.output


def test_plan_with_a_chance_to_meet(problem: Path, tmp_path: Path) -> None:
    """The chance, the target and the curve are told and kept beside the plan."""
    out = tmp_path / "plan.json"
    result = run("plan", "--problem", problem, "--out", out, "--seconds", 1, "--workers", 1, "--ready", 0.5)
    assert result.exit_code == 0, result.output
    assert "all ready in time:" in result.output and "shifts planned to 100%" in result.output
    ready = json.loads(out.read_text())["ready"]
    assert ready["target"] == 0.5 and len(ready["curve"]) >= 5


def test_forecast_of_a_season(tmp_path: Path) -> None:
    """The demo season before its first job: stations, nights, produce, and what is assumed."""
    url = f"sqlite:///{tmp_path / 'lanternwright.db'}"
    upgrade(url)
    write_base(session_factory(url), datetime(2026, 10, 20, tzinfo=UTC))
    result = run("forecast", "--folder", tmp_path, "--seasons", 300)
    assert result.exit_code == 0, result.output
    assert "120 stations; replacements in all 1" in result.output
    assert "Thu 29 Oct  17.0" in result.output
    refused = run("forecast", "--folder", tmp_path, "--down", "Ferret")
    assert refused.exit_code == 2 and "Ferret" in refused.output
