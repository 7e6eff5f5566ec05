"""Which packages are the tests run with, and is anything known against one of them?

`python -m tests.bench supply --lock` asks pip which versions `.[test]` would be today and writes them with
their digests to tests/lock.txt, for the computer it runs on. `python -m tests.bench supply --audit` holds
that list against the published advisories with `pip-audit` (not among the extras). Ends with 0 where every
package was looked up and nothing is known, 1 where something is known, 3 where advisories were not reached.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[2]
LOCK = TOP / "tests" / "lock.txt"
CLEAN, KNOWN, OUT_OF_REACH = 0, 1, 3
_ENTRY = re.compile(r"^(\S+)==(\S+) --hash=sha256:([0-9a-f]{64})$")


def locked() -> dict[str, str]:
    """Return the versions of the lock by name; a line that is neither entry nor comment is an error."""
    found = {}
    for line in LOCK.read_text().splitlines():
        if line.startswith("#"):
            continue
        entry = _ENTRY.match(line)
        if entry is None:
            raise ValueError(f"{LOCK.name}: {line[:60]!r} is no locked package")
        found[entry[1]] = entry[2]
    return found


def plain_name(name: str) -> str:
    """Return a package's name as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def write_lock() -> None:
    """Ask pip for today's versions and write them with their digests."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        asked = [
            "install",
            "-q",
            "--dry-run",
            "--ignore-installed",
            "--report",
            str(report),
            "-e",
            f"{TOP}[test]",
        ]
        subprocess.run([sys.executable, "-m", "pip", *asked], check=True)
        said = json.loads(report.read_text())
    LOCK.write_text(lock_of(said))


def lock_of(said: dict[str, Any]) -> str:
    """Return the text of a lock from what pip reports."""
    where = said["environment"]
    lines = [
        f"# Python {where['python_version']}, {where['sys_platform']}, {where['platform_machine']}: "
        "written by `python -m tests.bench supply --lock`"
    ]
    for one in said["install"]:
        name, version = plain_name(one["metadata"]["name"]), one["metadata"]["version"]
        digest = one["download_info"].get("archive_info", {}).get("hashes", {}).get("sha256")
        if digest is not None:  # the project itself has none
            lines.append(f"{name}=={version} --hash=sha256:{digest}")
    return "\n".join([lines[0], *sorted(lines[1:])]) + "\n"


def audit() -> tuple[int, str]:
    """Return how the audit ends and what it says, in words."""
    asked = [sys.executable, "-m", "pip_audit", "--no-deps", "--disable-pip", "-r", str(LOCK), "-f", "json"]
    done = subprocess.run([*asked, "--progress-spinner", "off"], capture_output=True, text=True, check=False)
    return judged(done.stdout, done.stderr)


def judged(out: str, complaints: str) -> tuple[int, str]:
    """Return how an audit ends by what pip-audit printed; a package that was not looked up is not clean."""
    try:
        packages = json.loads(out)["dependencies"]
    except (ValueError, KeyError, TypeError):
        last = (complaints.strip().splitlines() or ["nothing was said"])[-1]
        return OUT_OF_REACH, f"the advisories could not be reached: {last[:200]}"
    known = [
        f"{p['name']} {p.get('version')}: {', '.join(v['id'] for v in p['vulns'])}"
        for p in packages
        if p.get("vulns")
    ]
    missed = [p["name"] for p in packages if "skip_reason" in p]
    if known:
        return KNOWN, "; ".join(known)
    if missed or not packages:
        return (
            OUT_OF_REACH,
            f"{len(missed)} of {len(packages)} packages could not be looked up, {', '.join(missed[:3])}...",
        )
    return CLEAN, f"nothing is known against {len(packages)} packages"


def main(arguments: list[str]) -> int:
    """Write the lock or hold it against the advisories."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench supply")
    asked.add_argument("--lock", action="store_true")
    asked.add_argument("--audit", action="store_true")
    options = asked.parse_args(arguments)
    if options.lock:
        write_lock()
    if not options.audit:
        return CLEAN
    code, words = audit()
    print(words)
    return code
