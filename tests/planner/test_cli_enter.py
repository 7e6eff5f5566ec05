"""Does a season come in from the command line, out of tables with their files beside them?"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from planner.cli import main
from seed_demo.fleet import machine_files


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A folder that is not there yet; the first table makes its database."""
    return tmp_path / "house"


def _run(house: Path, sheet: str, text: str, *more: str) -> Result:
    house.mkdir(exist_ok=True)
    table = house / f"{sheet}.csv"
    table.write_text(text)
    return CliRunner().invoke(
        main, ["enter", sheet, str(table), "--by", "Ines", "--folder", str(house), *more]
    )


def test_tables_come_in(house: Path) -> None:
    """Season and machine, whose file lies beside its table; each row is told."""
    season = (
        "name,site,time_zone,opening_night,last_night,dusk\n"
        "Autumn,Hill,Europe/London,2026-10-24,2026-10-26,17:40\n"
    )
    assert "season Autumn, 3 nights" in _run(house, "seasons", season).output
    (house / "wren.json").write_text(machine_files()["Wren"])
    told = _run(house, "machines", "file,largest_mm,fixtures\nwren.json,320,ring\n", "--season", "Autumn")
    assert (told.exit_code, told.output) == (0, "machine Wren\n")
    many = "name,area,size\n" + "".join(f"Lane {n},Lane,large\n" for n in range(30))
    assert _run(house, "stations", many).output.endswith("and 10 more\n")


def test_the_header_is_shown(house: Path) -> None:
    """The columns of a sheet, to be filled in; no database is asked."""
    shown = CliRunner().invoke(main, ["enter", "nights", "--header"])
    assert shown.output.strip() == "night,temperature_c"


@pytest.mark.parametrize(
    ("sheet", "text", "more", "words"),
    [
        ("nights", "night,temperature_c\n2026-10-24,9\n", (), "enter the season first"),
        ("machines", "file,largest_mm,fixtures\n../out.json,320,ring\n", (), "no file '../out.json' beside"),
        ("machines", "file,largest_mm,fixtures\n/etc/hosts,320,ring\n", (), "no file '/etc/hosts' beside"),
        ("people", "name\nx\n", (), "there is no sheet 'people'"),
        ("stations", "name,area,size\nx,y,large\n", ("--season", "Spring"), "there is no season 'Spring'"),
    ],
)
def test_refused_in_one_line(house: Path, sheet: str, text: str, more: tuple[str, ...], words: str) -> None:
    """Exit code 2 and a line that says what was wrong."""
    (house.parent / "out.json").write_text("{}")
    told = _run(house, sheet, text, *more)
    assert told.exit_code == 2
    assert words in told.output and told.output.count("\n") == 1


def test_who_must_be_said(house: Path) -> None:
    """A table without a name of who enters it is refused."""
    house.mkdir()
    table = house / "lots.csv"
    table.write_text("name\n")
    told = CliRunner().invoke(main, ["enter", "lots", str(table), "--folder", str(house)])
    assert told.exit_code == 2 and "--by is missing" in told.output
