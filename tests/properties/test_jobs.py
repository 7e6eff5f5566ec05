"""Random jobs hold their bars: a few of those that `python -m tests.bench jobs` draws."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_random_jobs_are_true_and_timed():
    """Four jobs on four kinds of machine: outline, depth, travel and time within the bars of the bench.

    Time is judged by the bench's own integrator, the cut by reading the program back.
    """
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "jobs", "--jobs", "4"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "4 cut" in done.stdout.splitlines()[-1]
