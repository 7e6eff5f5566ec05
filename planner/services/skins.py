"""Which skin belongs to a probe file? Fitted once; kept in memory, and in a folder where one is given."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, fields
from functools import lru_cache
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING
from zipfile import BadZipFile

import numpy as np

from planner.services.preparing import ENGINE_VERSION

if TYPE_CHECKING:
    from engine.records import Finding, Surface

_KNOWN_AHEAD = 12  # pieces whose skin is kept in memory
_folders: list[Path] = []  # of the newest program that serves pages; none for the command line


def keep_in(folder: Path) -> None:
    """Keep fitted skins in a folder from here on; it is made when the first one is kept.

    Parameters
    ----------
    folder : Path
        May be emptied at any time [-].
    """
    _folders[:] = [folder]


@lru_cache(maxsize=_KNOWN_AHEAD)
def fitted(touches: str, tip_mm: float) -> tuple[Surface, tuple[Finding, ...]]:
    """Return the skin of a probe file and what is odd about its touches.

    Parameters
    ----------
    touches : str
        The probe file [-].
    tip_mm : float
        Radius of the probe's tip [mm].
    """
    from engine.files import read_touches
    from engine.surface import fit_surface

    digest = hashlib.sha256(f"{ENGINE_VERSION} {tip_mm!r} {touches}".encode()).hexdigest()[:32]
    path = _folders[0] / f"{digest}.npz" if _folders else None
    found = _read(path) if path else None
    if found is None:
        found = fit_surface(read_touches(touches, "touches", tip_mm))
        if path:
            _keep(path, *found)
    return found


def _read(path: Path) -> tuple[Surface, tuple[Finding, ...]] | None:
    from engine.records import Finding, Severity, Surface

    try:
        with path.open("rb") as content, np.load(content, allow_pickle=False) as kept:
            values = {one.name: kept[one.name] for one in fields(Surface)}
            said = json.loads(str(kept["findings"]))
        for name in ("noise_mm", "rms_error_mm"):
            values[name] = float(values[name])
        return Surface(**values), tuple(
            Finding(**(one | {"severity": Severity(one["severity"])})) for one in said
        )
    except (OSError, KeyError, TypeError, ValueError, BadZipFile):
        return None  # not there, or of another version: it is fitted anew


def _keep(path: Path, surface: Surface, findings: tuple[Finding, ...]) -> None:
    """Write a skin as a whole; a full disk is no reason not to show it."""
    said = json.dumps([asdict(one) | {"severity": str(one.severity)} for one in findings])
    values = {one.name: getattr(surface, one.name) for one in fields(surface)}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as written:
            np.savez_compressed(written, findings=np.array(said), **values)
        os.replace(written.name, path)
    except OSError:
        return
