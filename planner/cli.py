"""What can be asked for on the command line? One command a task; every refusal is one clear line."""

from __future__ import annotations

import os
from importlib.metadata import entry_points
from typing import Any

import click

from planner.commands import (
    ahead,
    auditing,
    batching,
    bringing,
    charting,
    keeping,
    planning,
    preparing,
    reviewing,
    touching,
)
from planner.commands.common import BAD_INPUT, refuse

# jobs run side by side in processes; threads inside them only get in the way (set before numpy is loaded)
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


class _Commands(click.Group):
    """Commands that end in one line where the disk or the database gives up under them."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except OSError as error:
            refuse(
                f"{error.filename or 'the disk'}: {error.strerror or error}; nothing half is kept", BAD_INPUT
            )
        except Exception as error:
            cause = getattr(error, "orig", None)  # of the database's driver
            if cause is None or not type(error).__module__.startswith("sqlalchemy"):
                raise
            told = (str(cause).splitlines() or [type(cause).__name__])[0]
            refuse(f"the database does not answer: {told}; nothing of this step was kept", BAD_INPUT)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lanternwright")
def main() -> None:
    """Plan a season of carved, lit lanterns, from touches and drawings to programs and a fleet plan."""


for _command in (
    preparing.prepare, touching.touches, charting.chart, preparing.wedge, bringing.enter, bringing.log,
    ahead.choose, ahead.benches, ahead.forecast, batching.prepare_season, planning.plan, planning.replan,
    planning.what_if, planning.explain, reviewing.review, auditing.check, keeping.db, keeping.make_backup,
    keeping.bring_back,
):  # fmt: skip
    main.add_command(_command)
for _entry in entry_points(group="lanternwright.commands"):  # the floors above bring their own commands
    main.add_command(_entry.load(), _entry.name)


if __name__ == "__main__":
    main()
