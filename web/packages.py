"""What lies in a job package? Only the files a package may hold, and only inside the packages' folder."""

from __future__ import annotations

import io
import json
import os
import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from PIL import Image
from werkzeug.security import safe_join

_NAMES = re.compile(r"job\.json|lit\.png|flat\.svg|sheet\.html|program(_[0-9]{1,3})?\.nc")
_TYPES = {
    ".json": "application/json",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".html": "text/html",
    ".nc": "text/plain",
}


@dataclass(frozen=True, slots=True)
class Package:
    """A job package as found on disk."""

    folder: Path
    files: tuple[str, ...]
    """Names of the files that are there, of those a package may hold."""
    description: dict[str, Any]
    """What job.json says; empty where it cannot be read."""

    @property
    def programs(self) -> tuple[str, ...]:
        """The programs in the order of their numbers."""
        found = (name for name in self.files if name.endswith(".nc"))
        return tuple(sorted(found, key=lambda name: (len(name), name)))


def is_known(name: str) -> bool:
    """Return whether a job package may hold a file of this name.

    Parameters
    ----------
    name : str
        The file's name [-].
    """
    return _NAMES.fullmatch(name) is not None


def type_of(name: str) -> str:
    """Return the media type of a file of a job package.

    Parameters
    ----------
    name : str
        The file's name [-].
    """
    return _TYPES[Path(name).suffix]


def folder_of(packages: Path, folder: str) -> Path | None:
    """Return where a package lies; None when it is not inside the packages' folder.

    Parameters
    ----------
    packages : Path
        The folder of the job packages [-].
    folder : str
        The package's folder under it, with forward slashes [-].
    """
    found = safe_join(str(packages.resolve()), folder) if folder else None
    if found is None or not Path(found).resolve().is_relative_to(packages.resolve()):
        return None
    return Path(found)


def package_of(packages: Path, folder: str) -> Package | None:
    """Return a package as it lies on disk; None where there is none.

    Parameters
    ----------
    packages : Path
        The folder of the job packages [-].
    folder : str
        The package's folder under it [-].
    """
    found = folder_of(packages, folder)
    if found is None or not found.is_dir():
        return None
    files = tuple(sorted(path.name for path in found.iterdir() if is_known(path.name) and path.is_file()))
    return Package(found, files, _description(found / "job.json"))


def _description(path: Path) -> dict[str, Any]:
    try:
        said = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) else {}


def changed_ns(packages: Path, name: str) -> int | None:
    """Return when a picture was last written [ns]; None where there is none.

    Parameters
    ----------
    packages : Path
        The folder of the job packages [-].
    name : str
        Path of the picture under it [-].
    """
    found = _place_of(packages, name)
    try:
        return None if found is None else os.stat(found).st_mtime_ns
    except OSError:
        return None


@lru_cache(maxsize=20_000)
def _place_of(packages: Path, name: str) -> str | None:
    """Return where a picture lies; asked for hundreds of times a page, so it is worked out once."""
    found = folder_of(packages, name)
    return None if found is None else str(found)


@lru_cache(maxsize=600)
def small_picture(path: Path, written_ns: int, size_px: int = 144) -> bytes | None:
    """Return a lit look in small, as JPEG; None where it is no picture.

    Parameters
    ----------
    path : Path
        The picture [-].
    written_ns : int
        When it was written; a newer one is read anew [ns].
    size_px : int
        Longest side [-].
    """
    try:
        with Image.open(path) as picture:
            small = picture.convert("RGB")
    except (OSError, ValueError):
        return None
    small.thumbnail((size_px, size_px))
    written = io.BytesIO()
    small.save(written, "JPEG", quality=82)
    return written.getvalue()
