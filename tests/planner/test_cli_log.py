"""Does a controller's log come in from the command line, and is a wrong one refused in one line?"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from click.testing import CliRunner

from planner.cli import main
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)


def test_a_log_from_the_command_line(tmp_path: Path) -> None:
    """Kept once, known the second time; a machine nobody knows and a kind nobody knows end with 2."""
    url = f"sqlite:///{tmp_path / 'lanternwright.db'}"
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        db.add(
            tables.Machine(
                name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring",
                recorded_at=AT, recorded_by="Ann",
            )
        )  # fmt: skip
    factory.kw["bind"].dispose()
    file = tmp_path / "wren.csv"
    file.write_text("event,kind,at,code\n1,fault,2026-10-21T07:00:00+01:00,12\n")

    def brought(machine: str) -> tuple[int, str]:
        arguments = ["log", str(file), "--machine", machine, "--by", "Tom", "--folder", str(tmp_path)]
        told = CliRunner().invoke(main, arguments)
        return told.exit_code, told.output

    assert brought("Wren")[1].startswith("1 reports kept, 0 were kept before")
    assert brought("Wren")[1].startswith("0 reports kept, 1 were kept before")
    code, words = brought("Robin")
    assert code == 2 and "there is no machine 'Robin'" in words
    file.write_text("event,kind,at\n1,explode,2026-10-21T07:00:00+01:00\n")
    code, words = brought("Wren")
    assert code == 2 and "wren.csv: line 2: kind is 'explode'" in words
