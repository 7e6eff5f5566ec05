"""Does the review's command answer in words, and refuse in one line?"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from click.testing import CliRunner, Result

from planner.cli import main
from planner.database.migrate import upgrade
from planner.database.session import session_factory
from seed_demo.season import write_base


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["review", *(str(argument) for argument in arguments)])


def test_review_of_a_season_without_runs(tmp_path: Path) -> None:
    """Nothing was reported yet: every figure is n/a or nought, nothing is perfect."""
    url = f"sqlite:///{tmp_path / 'lanternwright.db'}"
    upgrade(url)
    write_base(session_factory(url), datetime(2026, 10, 20, tzinfo=UTC))
    said = run("--from", "2020-10-24", "--to", "2020-10-25", "--folder", tmp_path)
    assert said.exit_code == 0, said.output
    assert "nothing can be said" in said.output
    oee = next(line for line in said.output.splitlines() if line.startswith("OEE index"))
    assert "n/a" in oee and "%" not in oee
    assert "cost n/a" in said.output


def test_refusals(tmp_path: Path) -> None:
    """Days in the wrong order, and a folder that is not there."""
    wrong = run("--from", "2026-10-25", "--to", "2026-10-24", "--folder", tmp_path)
    assert wrong.exit_code == 2 and "--to 2026-10-24" in wrong.output
    nowhere = run("--from", "2026-10-24", "--to", "2026-10-25", "--folder", tmp_path / "nowhere")
    assert nowhere.exit_code == 2 and "no such folder" in nowhere.output
