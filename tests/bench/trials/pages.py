"""Is every change that was confirmed kept, and none half, though the pages are killed under their users?"""

from __future__ import annotations

import json
import re
import socket
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPException
from itertools import count as counting
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

from sqlalchemy import select

from planner.config import Settings
from planner.database import tables
from planner.database.session import reading
from tests.bench.small import WINDOW
from tests.bench.trials.judging import Missed, Wrong, count, judged, one_in_force, opened
from tests.bench.trials.processes import LONGEST_S, command, killed
from tests.bench.trials.seasons import Bench

_GONE_S = 60.0
_BUSY_S = 1.0  # a lead who would go on for ever is left alone for so long


@contextmanager
def served(settings: Settings) -> Iterator[tuple[str, ForkServerProcess]]:
    """Serve the pages in a process of its own and give their address; no worker of theirs outlives them."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (settings.folder / "demo-season").write_text("for trials\n")
    process = command(settings, "serve", "--port", str(port))
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + LONGEST_S
        while not answers(address):
            if time.monotonic() > until or not process.is_alive():
                raise Wrong("the pages were not served")
            time.sleep(0.02)
        yield address, process
    finally:
        killed(process)


def answers(address: str) -> bool:
    """Return whether somebody answers there."""
    with suppress(OSError, HTTPException):
        urllib.request.urlopen(f"{address}/api/v1/me", timeout=5).read()
        return True
    return False


def workers_of(parent: int) -> list[int]:
    """Return the workers that were begun by a process, told by the words they were begun with."""
    found = []
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            words = place.read_bytes().decode(errors="replace").split("\0")
            if "planner.worker" in words and str(parent) in words:
                found.append(int(place.parent.name))
    return found


def none_outlive(parent: int) -> None:
    """Wait until no worker of a killed process is left; refuse one that stays."""
    until = time.monotonic() + _GONE_S
    while left := workers_of(parent):
        if time.monotonic() > until:
            raise Wrong(f"{len(left)} workers outlived the pages by {_GONE_S:.0f} s")
        time.sleep(0.05)


class Lead:
    """Somebody who changes things through the pages and the interface for programs."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        self.token = self.get("/me")["csrf_token"]

    def get(self, path: str) -> Any:
        """Return what a path says."""
        with self.open.open(f"{self.address}/api/v1{path}", timeout=20) as answer:
            return json.loads(answer.read())

    def send(self, path: str, **body: Any) -> Any:
        """Send a change; return the answer, or the refusal's status."""
        asked = urllib.request.Request(
            f"{self.address}/api/v1{path}", json.dumps(body).encode(), method="POST",
            headers={"Content-Type": "application/json", "X-CSRFToken": self.token},
        )  # fmt: skip
        try:
            with self.open.open(asked, timeout=20) as answer:
                return json.loads(answer.read())
        except urllib.error.HTTPError as refused:
            return refused.code

    def bring(self, name: str, drawing: bytes) -> int:
        """Upload a drawing as a form does, and return the number of its version."""
        part = '--x\r\nContent-Disposition: form-data; name="file"; filename="{}.svg"\r\n\r\n'
        asked = urllib.request.Request(
            f"{self.address}/try", part.format(name).encode() + drawing + b"\r\n--x--\r\n", method="POST",
            headers={"Content-Type": "multipart/form-data; boundary=x", "X-CSRFToken": self.token},
        )  # fmt: skip
        with self.open.open(asked, timeout=20) as answer:
            led_to = re.search(r"/try/(\d+)$", urllib.parse.urlparse(answer.url).path)
            if led_to is None:
                raise ValueError(f"the drawing was not taken: {answer.url}")
            return int(led_to[1])


def _killed_while(
    bench: Bench, work: str, settings: Settings, busy: Callable[[Lead], Iterator[int]]
) -> tuple[list[int], float]:
    """Kill the pages under a busy lead; return what was confirmed, and how long until they answer again."""
    confirmed: list[int] = []
    with served(settings) as (address, process):
        lead = Lead(address)

        def work_on() -> None:
            with suppress(OSError, HTTPException):
                for number in busy(lead):
                    confirmed.append(number)

        began = time.monotonic()
        busy_lead = threading.Thread(target=work_on)
        busy_lead.start()
        if work in bench.spans:
            time.sleep(bench.chance.uniform(0, bench.spans[work]))
        else:
            busy_lead.join(_BUSY_S)
            bench.spans[work] = time.monotonic() - began
        missed = not busy_lead.is_alive()
        killed(process)
        busy_lead.join()
    if missed:
        raise Missed
    judged(settings)
    began = time.monotonic()
    with served(settings) as (address, again):
        Lead(address).get("/tonight")
        seconds = time.monotonic() - began
    judged(settings)
    for parent in (process.pid, again.pid):
        none_outlive(parent or 0)
    return confirmed, seconds


def _all_kept(settings: Settings, table: Any, confirmed: list[int]) -> None:
    wanted = set(confirmed)
    kept = count(settings, table, table.id.in_(wanted))
    if kept != len(wanted):
        raise Wrong(f"{len(wanted)} were confirmed, {kept} are kept")


def reporting(bench: Bench) -> float:
    """Kill the pages while a lead reports a machine down and up and asks for drafts."""
    settings = bench.fresh("planned")

    def busy(lead: Lead) -> Iterator[int]:
        while True:
            for said in (
                lead.send("/machines/1/down", hours=2, reason="belt torn"),
                lead.send("/machines/1/up"),
            ):
                if isinstance(said, dict):
                    yield said["change_id"]
            lead.send("/drafts")

    confirmed, seconds = _killed_while(bench, "web reporting", settings, busy)
    _all_kept(settings, tables.Change, confirmed)
    return seconds


def publishing(bench: Bench) -> float:
    """Kill the pages while a lead puts draft after draft in force and takes each back."""
    settings = bench.fresh("drafts")
    with opened(settings) as factory, reading(factory) as db:
        drafts = list(db.scalars(select(tables.Plan.id).where(tables.Plan.state == "draft")))
    told: list[Any] = []

    def busy(lead: Lead) -> Iterator[int]:
        for draft in drafts:
            told.append(taken := lead.send(f"/drafts/{draft}/take"))
            if not isinstance(taken, dict):
                return
            yield taken["change_id"]
            told.append(lead.send(f"/changes/{taken['change_id']}/undo"))

    confirmed, seconds = _killed_while(bench, "web publishing", settings, busy)
    if refused := [said for said in told if not isinstance(said, dict)]:
        raise Wrong(f"a lead was told {refused[0]}")
    _all_kept(settings, tables.Change, confirmed)
    one_in_force(settings)
    return seconds


def importing(bench: Bench) -> float:
    """Kill the pages while a lead brings drawing after drawing."""
    settings = bench.fresh("planned")

    def busy(lead: Lead) -> Iterator[int]:
        for number in counting(1):
            yield lead.bring(f"Drawing {number}", WINDOW.replace(b"{0}", str(10 + number % 30).encode()))

    confirmed, seconds = _killed_while(bench, "web importing", settings, busy)
    _all_kept(settings, tables.DesignVersion, confirmed)
    return seconds
