"""What is lost when a process is killed, a disk is full, a folder is read-only, or two people act at once?

`python -m tests.bench faults [--trials 50] [--fault NAME ...] [--seed 0] [--postgresql]`: each trial begins
with a fresh copy of a small season, breaks one thing at a random moment, judges the database and its packages
by every rule of `lanternwright check`, and takes up the work again. Prints trials, what was lost or wrong
(must be 0) and the time until all was done again; ends with 1 where anything was wrong. A kill that came when
the work had ended is no trial, and is drawn again.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests import postgresql
from tests.bench.trials import commands, disks, pages, together, workers
from tests.bench.trials.judging import Missed, Wrong
from tests.bench.trials.seasons import Bench, bench_in

FAULTS: dict[str, Callable[[Bench], float]] = {
    "kill worker preparing": workers.preparing,
    "kill worker planning": workers.planning,
    "kill worker publishing": workers.publishing,
    "kill command preparing": commands.preparing,
    "kill command preparing a season": commands.preparing_season,
    "kill command publishing": commands.publishing,
    "kill command importing": commands.importing,
    "kill command copying": commands.copying,
    "kill migration": commands.migrating,
    "kill web reporting": pages.reporting,
    "kill web publishing": pages.publishing,
    "kill web importing": pages.importing,
    "two leads publish": together.two_leads,
    "copy while people write": together.copy_while_writing,
    "worker hangs": workers.hanging,
    "worker of another clock": workers.other_clock,
    "full disk": disks.full,
    "read-only folder": disks.read_only,
}
ONE_FILE = ("kill command preparing", "full disk", "read-only folder")
"""Of these no server knows."""
MOUNTS = ("full disk", "read-only folder")
_MISSED_AT_MOST = 5  # times the trials: then the moment never comes while there is work


@dataclass
class Result:
    """What came of the trials of one fault."""

    fault: str
    trials: int = 0
    missed: int = 0
    wrong: list[str] = field(default_factory=list)
    back_s: list[float] = field(default_factory=list)


def tried(bench: Bench, fault: str, trials: int) -> Result:
    """Try one fault so many times."""
    result = Result(fault)
    while result.trials < trials:
        try:
            result.back_s.append(FAULTS[fault](bench))
        except Missed:
            result.missed += 1
            if result.missed > _MISSED_AT_MOST * trials:
                result.wrong.append("the moment never came while there was work")
                break
            continue
        except Wrong as wrong:
            result.wrong.append(str(wrong))
        finally:
            bench.put_away()
        result.trials += 1
    return result


def line_of(one: Result) -> str:
    """Return a result as a line of the table, and what was wrong below it."""
    seconds = one.back_s or [float("nan")]
    line = f"{one.fault:<32}{one.trials:>7}{len(one.wrong):>7}{one.missed:>8}"
    line += f"{median(seconds):>8.1f} s{max(seconds):>7.1f} s"
    return "\n".join([line, *(f"  {words}" for words in sorted(set(one.wrong)))])


def main(arguments: list[str]) -> int:
    """Try the faults and print a line for each; return 1 where anything was wrong."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench faults")
    asked.add_argument("--trials", type=int, default=50)
    asked.add_argument("--fault", action="append", choices=list(FAULTS))
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--postgresql", action="store_true", help="On a server of our own instead of SQLite.")
    asked.add_argument("--home", type=Path, help="Where the prepared seasons lie; made there if absent.")
    options = asked.parse_args(arguments)
    wrong = False
    with ExitStack() as held:
        home = options.home or Path(held.enter_context(tempfile.TemporaryDirectory(prefix="lantern-faults-")))
        server = held.enter_context(postgresql.server()) if options.postgresql else None
        bench = bench_in(home, options.seed, server)
        print(f"{'fault':<32}{'trials':>7}{'wrong':>7}{'missed':>8}{'median':>10}{'worst':>9}", flush=True)
        for fault in options.fault or FAULTS:
            if options.postgresql and fault in ONE_FILE:
                continue
            if fault in MOUNTS and not disks.may_mount():
                print(f"{fault:<32}  not tried: this user may not mount a small disk")
                continue
            one = tried(bench, fault, options.trials)
            print(line_of(one), flush=True)
            wrong |= bool(one.wrong)
    return 1 if wrong else 0
