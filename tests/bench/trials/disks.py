"""Is nothing lost where the disk is full, or takes nothing? On small disks of their own."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from planner.database import tables
from tests.bench.small import settings_in
from tests.bench.trials.judging import Wrong, count, judged
from tests.bench.trials.processes import run
from tests.bench.trials.seasons import JOBS, Bench

_PROGRESS = re.compile(r"\d+/\d+ ")  # a line that says how far the work is
_STEPS: tuple[tuple[str, ...], ...] = (
    ("plan", "--seconds", "0.3", "--workers", "1", "--at", "2026-10-21T09:00:00"),
    ("backup", "--out", "{}/copy.zip"),
    ("prepare-season", "--processes", "1"),
)


@contextmanager
def small_disk(megabytes: float) -> Iterator[Path]:
    """Give a disk of its own of so many megabytes; needs the right to mount."""
    folder = Path(tempfile.mkdtemp(prefix="lantern-disk-"))
    try:
        _mount("mount", "-t", "tmpfs", "-o", f"size={int(megabytes * 1024)}k", "tmpfs", str(folder))
        try:
            yield folder
        finally:
            _mount("umount", "-l", str(folder))
    finally:
        folder.rmdir()


def _mount(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True)


def may_mount() -> bool:
    """Return whether this user may mount a small disk."""
    with suppress(OSError, subprocess.CalledProcessError), small_disk(1):
        return True
    return False


def full(bench: Bench) -> float:
    """Fill the disk to a random rest, work on it: one line or done, nothing lost; with room again done."""
    with small_disk(24) as disk:
        settings = settings_in(disk / "season")
        shutil.copytree(bench.home / "planned", settings.folder)
        count(settings, tables.Job)
        rest = int(bench.chance.uniform(0, 400_000))
        room = max(0, shutil.disk_usage(disk).free - rest)
        with suppress(OSError), (disk / "ballast").open("wb") as ballast:
            ballast.write(bytes(room))
        for step in _STEPS:
            done = run(settings, *(word.format(disk) for word in step), well=False)
            said = [one for one in done.err.splitlines() if not _PROGRESS.match(one)]
            if done.code and len(said) != 1:
                raise Wrong(f"{step[0]}: not one line: {done.err.strip()[-200:]}")
        (disk / "ballast").unlink()
        judged(settings)
        if count(settings, tables.Job) != JOBS:
            raise Wrong("jobs were lost")
        began = time.monotonic()
        for step in _STEPS:
            run(settings, *(word.format(disk) for word in step))
        judged(settings)
        return time.monotonic() - began


def read_only(bench: Bench) -> float:
    """Work on a disk that takes nothing: one line each, and everything is as it was when it takes again."""
    with small_disk(24) as disk:
        settings = settings_in(disk / "season")
        shutil.copytree(bench.home / "planned", settings.folder)
        _mount("mount", "-o", "remount,ro", str(disk))
        for step in _STEPS:
            done = run(settings, *(word.format(disk) for word in step), well=False)
            if not done.code or len(done.err.strip().splitlines()) != 1:
                raise Wrong(f"{step[0]}: ended with {done.code}, said {done.err.strip()[-200:]!r}")
        _mount("mount", "-o", "remount,rw", str(disk))
        began = time.monotonic()
        judged(settings)
        for step in _STEPS:
            run(settings, *(word.format(disk) for word in step))
        judged(settings)
        return time.monotonic() - began
