"""The demo's whole way on three lanterns: touched, timed, planned, written, proved, nothing done twice."""

import json

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, session_factory
from planner.services.planning import published_plan
from seed_demo import season
from seed_demo.command import demo


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A demo of a root, a picture with a choice of machines, and the badge that is wrong on purpose."""
    folder = tmp_path_factory.mktemp("demo")
    chosen = {"Root Rune": None, "Running Fox": None, "Bad Badge": None}
    for want in season.wanted():
        if chosen.get(want.design, want) is None:
            chosen[want.design] = want
    patch = pytest.MonkeyPatch()
    patch.setattr(season, "wanted", lambda: tuple(chosen.values()))
    arguments = ["--folder", str(folder), "--no-serve", "--seconds", "2", "--processes", "1"]
    first = CliRunner().invoke(demo, arguments, catch_exceptions=False)
    again = CliRunner().invoke(demo, arguments, catch_exceptions=False)
    patch.undo()
    return folder, first, again


def test_it_ends_with_a_summary(small):
    """Two lanterns are planned and proved, the badge is refused with its reason; travel is told."""
    _, first, _ = small
    assert first.exit_code == 0
    told = first.stdout
    assert "2 of 2 opening jobs planned" in told
    assert "2 programs proven" in told
    assert "proven at least" in told
    assert "cut by no machine: spare · Bad Badge: an island" in told
    assert "as ordered: " in told


def test_every_row_of_the_plan_has_a_proven_program(small):
    """Outline and depth of each lie within 0.3 mm, as its package says, and its program is there."""
    folder, _, _ = small
    settings = Settings(f"sqlite:///{folder / 'lanternwright.db'}", folder, "UTC")
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        season_id = db.scalar(select(tables.Season.id))
        rows = published_plan(db, season_id).rows
        done = {(p.job_id, p.machine_id): p for p in db.scalars(select(tables.Preparation)) if p.folder}
        assert len(rows) == 2
        for row in rows:
            one = done[row.job_id, row.machine_id]
            package = json.loads((settings.packages / one.folder / "job.json").read_text())
            assert package["proof"]["outline_max_mm"] <= 0.3
            assert package["proof"]["depth_max_mm"] <= 0.3
            assert all(f["severity"] != "refuse" for f in package["findings"])


def test_a_second_run_finds_everything_done(small):
    """Nothing is touched, timed or written again: the packages keep their times of writing."""
    _, first, again = small
    assert again.exit_code == 0
    assert "touched all round" not in again.stderr
    assert "proved" not in again.stderr
    assert first.stdout.splitlines()[:2] == again.stdout.splitlines()[:2]
