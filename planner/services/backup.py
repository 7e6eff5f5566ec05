"""How is everything kept elsewhere, and brought back? One file with all tables and packages, for each store.

The tables are read in one transaction, so a copy taken while people write is one moment's state. The file
says of each of its parts which digest it must have; one that was cut short or changed is not taken.
"""

from __future__ import annotations

import hashlib
import io
import json
import lzma
import os
import re
import zipfile
import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from sqlalchemy import (
    Column,
    Connection,
    Date,
    DateTime,
    Engine,
    LargeBinary,
    Table,
    Time,
    func,
    insert,
    select,
    text,
)

from planner.config import Settings
from planner.database import migrate
from planner.database.columns import Points, UtcDateTime
from planner.database.session import engine_for
from planner.database.tables import Base
from planner.errors import Conflict, Refused

_FORMAT = 1
_EPOCH = (1980, 1, 1, 0, 0, 0)  # of every part: equal contents, equal file
_MOST_BYTES = 20_000_000_000
_MOST_CONTENTS = 12_000_000
_MOST_DIRECTORY = 20_000_000  # bytes of an archive's list of parts
_MOST_PART = 200_000_000  # bytes of one file of a package
_TIGHTEST = 300  # packing anything of ours makes it less than so many times smaller
_ROOM = 1_000_000  # parts up to this may be packed as tightly as they will
_LONGEST_LINE = 100_000_000
_LARGEST_WHOLE = 2**63 - 1  # of both stores
_BLOCK = 500


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds."""

    rows: int
    files: int
    bytes: int


def backup(settings: Settings, out: Path) -> Copied:
    """Write all tables and job packages into one file that only its owner may read: it holds keys.

    Parameters
    ----------
    settings : Settings
        Database and folder [-].
    out : Path
        The file; one that is there is replaced once the new one is whole [-].
    """
    beside = out.with_name(f".{out.name}.part")
    digests: dict[str, str] = {}
    rows = 0
    engine = engine_for(settings.database_url)
    try:
        with (
            os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file,
            zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as kept,
        ):
            with _one_moment(engine) as connection:
                revision = connection.scalar(text("SELECT version_num FROM alembic_version"))
                for table in Base.metadata.sorted_tables:
                    count, digest = _write_table(kept, connection, table)
                    rows, digests[_part(table)] = rows + count, digest
            for path in _packages(settings):
                name = f"packages/{path.relative_to(settings.packages).as_posix()}"
                content = path.read_bytes()
                _put(kept, name, content)
                digests[name] = hashlib.sha256(content).hexdigest()
            said = {"format": _FORMAT, "revision": revision, "rows": rows, "sha256": digests}
            _put(kept, "contents.json", json.dumps(said, indent=1, sort_keys=True).encode())
        os.replace(beside, out)
    finally:
        engine.dispose()
        beside.unlink(missing_ok=True)
    return Copied(rows, sum(name.startswith("packages/") for name in digests), out.stat().st_size)


def restore(settings: Settings, source: Path) -> Copied:
    """Bring a copy back into an empty database and its folder; nothing is kept where any part is wrong.

    Parameters
    ----------
    settings : Settings
        Database and folder; the database has no rows yet [-].
    source : Path
        From `backup` [-].
    """
    with _opened(source) as kept:
        said = _checked(kept, source.name)
        migrate.upgrade(settings.database_url, said["revision"])
        engine = engine_for(settings.database_url)
        try:
            with engine.begin() as connection:
                _refuse_rows(connection)
                rows = sum(
                    _read_table(kept, connection, table, said) for table in Base.metadata.sorted_tables
                )
                if rows != said["rows"]:
                    raise Refused(f"{source.name}: {rows} rows, expected {said['rows']}")
                _go_on_counting(connection)
                # files come before the rows count: where the power fails between, it is all done again
                files = [name for name in said["sha256"] if name.startswith("packages/")]
                for name in files:
                    path = settings.folder / PurePosixPath(name)
                    path.parent.mkdir(parents=True, exist_ok=True)
                    path.write_bytes(kept.read(name))
        finally:
            engine.dispose()
        migrate.upgrade(settings.database_url)
    return Copied(rows, len(files), source.stat().st_size)


def contents_of(source: Path) -> dict[str, Any]:
    """Return what a copy says of itself, once every part is there and whole.

    Parameters
    ----------
    source : Path
        From `backup` [-].
    """
    with _opened(source) as kept:
        return _checked(kept, source.name)


# what the archive's reader raises for one that was damaged, ciphered, or packed in another way
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
)


def _opened(source: Path) -> zipfile.ZipFile:
    if not source.is_file():
        raise Refused(f"{source.name}: there is no such file")
    try:
        _refuse_long_directory(source)
        return zipfile.ZipFile(source)
    except (*_DAMAGED, OSError) as bad:
        raise Refused(f"{source.name}: no copy made by `lanternwright backup`, or cut short") from bad


def _refuse_long_directory(source: Path) -> None:
    """Refuse an archive whose list of parts would fill the memory before any part is looked at.

    Its length stands in the last record of the file, and in the one before it where the list is long
    (APPNOTE.TXT of the ZIP format, 4.3.14 and 4.3.16; from memory).
    """
    with source.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - 66_000))
        end = file.read()
        at = end.rfind(b"PK\5\6")
        lengths = [int.from_bytes(end[at + 12 : at + 16], "little")] if at >= 0 else []
        longer = end.rfind(b"PK\6\6")
        if longer >= 0:
            lengths.append(int.from_bytes(end[longer + 40 : longer + 48], "little"))
    if max(lengths, default=0) > _MOST_DIRECTORY:
        raise Refused(
            f"{source.name}: a list of parts of {max(lengths) / 1e6:.0f} MB, "
            f"expected {_MOST_DIRECTORY / 1e6:g} MB at most"
        )


# --- writing -------------------------------------------------------------------------------------------


def _one_moment(engine: Engine) -> Connection:
    """Return a connection that sees one state of the database, whatever is written meanwhile."""
    if engine.dialect.name == "postgresql":
        return engine.connect().execution_options(isolation_level="REPEATABLE READ")
    return engine.connect()  # a transaction on SQLite sees the state of its first look


def _part(table: Table) -> str:
    return f"tables/{table.name}.jsonl"


def _put(kept: zipfile.ZipFile, name: str, content: bytes) -> None:
    described = zipfile.ZipInfo(name, _EPOCH)
    described.compress_type = zipfile.ZIP_DEFLATED
    described.external_attr = 0o600 << 16
    kept.writestr(described, content)


def _write_table(kept: zipfile.ZipFile, connection: Connection, table: Table) -> tuple[int, str]:
    digest, count = hashlib.sha256(), 0
    described = zipfile.ZipInfo(_part(table), _EPOCH)
    described.compress_type = zipfile.ZIP_DEFLATED
    described.external_attr = 0o600 << 16
    with kept.open(described, "w", force_zip64=True) as part:
        for row in _rows(connection, table):
            line = (json.dumps(row, ensure_ascii=False, sort_keys=True) + "\n").encode()
            digest.update(line)
            part.write(line)
            count += 1
    return count, digest.hexdigest()


def _rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    last = 0
    while True:
        found = connection.execute(
            select(table).where(table.c.id > last).order_by(table.c.id).limit(_BLOCK)
        ).all()
        if not found:
            return
        for row in found:
            yield {name: _out(value) for name, value in row._mapping.items()}
        last = found[-1].id


def _out(value: Any) -> Any:
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, bytes):
        return b64encode(value).decode()
    if isinstance(value, np.ndarray):
        written = io.BytesIO()
        np.save(written, value, allow_pickle=False)
        return b64encode(written.getvalue()).decode()
    return value


def _packages(settings: Settings) -> list[Path]:
    if not settings.packages.is_dir():
        return []
    return sorted(
        path
        for path in settings.packages.rglob("*")
        if path.is_file()
        and not path.is_symlink()
        # what a writer left behind that was broken off is no package
        and not any(part.startswith(".") for part in path.relative_to(settings.packages).parts)
    )


# --- reading -------------------------------------------------------------------------------------------


def _checked(kept: zipfile.ZipFile, name: str) -> dict[str, Any]:
    """Return what the file says of itself, once every part is there and has its digest."""
    try:
        return _judged(kept, name)
    except (*_DAMAGED, OSError) as bad:
        raise Refused(f"{name}: the file was damaged or changed; nothing was brought back") from bad


def _judged(kept: zipfile.ZipFile, name: str) -> dict[str, Any]:
    contents = kept.NameToInfo.get("contents.json")
    if contents is None or contents.file_size > _MOST_CONTENTS:
        raise Refused(f"{name}: it does not say what it holds, expected contents.json")
    try:
        said: dict[str, Any] = json.loads(kept.read("contents.json"))
        digests = said["sha256"]
        if said["format"] != _FORMAT:
            raise Refused(f"{name}: format {str(said['format'])[:20]!r}, expected {_FORMAT}")
        digests = {str(part): str(digest) for part, digest in digests.items()}
        revision, _ = str(said["revision"]), int(said["rows"])
    except (AttributeError, KeyError, TypeError, ValueError, RecursionError) as bad:
        raise Refused(f"{name}: it does not say what it holds, expected contents.json") from bad
    _refuse_bombs(kept, name)
    _refuse_paths(digests, name)
    for part, digest in digests.items():
        if part not in kept.NameToInfo or _digest(kept, part) != digest:
            raise Refused(f"{name}: {part[:80]!r} is missing or was changed; nothing was brought back")
    missing = [t.name for t in Base.metadata.sorted_tables if _part(t) not in digests]
    known = set(migrate.revisions())
    if revision not in known or (missing and revision == migrate.newest()):
        raise Refused(f"{name}: made by a version that this one does not know ({revision[:40]!r})")
    return said


def _refuse_bombs(kept: zipfile.ZipFile, name: str) -> None:
    """Refuse what would unpack to far more than any copy of ours, before it is unpacked."""
    parts = kept.infolist()
    if sum(part.file_size for part in parts) > _MOST_BYTES:
        raise Refused(f"{name}: more than {_MOST_BYTES} bytes when unpacked")
    if sum(part.compress_size for part in parts) > kept.start_dir:
        raise Refused(f"{name}: parts lie over each other; no copy of ours")
    for part in parts:
        if part.file_size > _TIGHTEST * part.compress_size + _ROOM:
            raise Refused(f"{name}: {part.filename[:80]!r} is packed tighter than any file of ours")
        if part.filename.startswith("packages/") and part.file_size > _MOST_PART:
            raise Refused(f"{name}: {part.filename[:80]!r} has {part.file_size} bytes, expected {_MOST_PART}")


_NAME = re.compile(r"[\w .,()+=@#-]{1,120}")


def _refuse_paths(names: Iterable[str], name: str) -> None:
    """Refuse parts that would be written elsewhere, under names no package has, or one inside another."""
    known = {_part(table) for table in Base.metadata.sorted_tables}
    files = set()
    for part in names:
        steps = part.split("/")
        plain = all(_NAME.fullmatch(step) and not step.startswith(".") for step in steps)
        if part not in known and not (steps[0] == "packages" and len(steps) > 1 and plain):
            raise Refused(f"{name}: the part {part[:80]!r} leads elsewhere, or is none of ours")
        files.add(part)
    for part in files:
        if any(str(above) in files for above in PurePosixPath(part).parents):
            raise Refused(f"{name}: the part {part[:80]!r} lies inside a file")


def _digest(kept: zipfile.ZipFile, part: str) -> str:
    digest = hashlib.sha256()
    with kept.open(part) as opened:
        while block := opened.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _refuse_rows(connection: Connection) -> None:
    for table in Base.metadata.sorted_tables:
        count = connection.scalar(select(func.count()).select_from(table)) or 0
        if count:
            raise Conflict(
                f"the database has {count} {table.name.replace('_', ' ')} already; a copy is brought back "
                "into an empty one, name another --folder"
            )


def _read_table(kept: zipfile.ZipFile, connection: Connection, table: Table, said: dict[str, Any]) -> int:
    if _part(table) not in said["sha256"]:
        return 0
    count, block = 0, []
    with kept.open(_part(table)) as part:
        while line := part.readline(_LONGEST_LINE):
            count += 1
            block.append(_row_of(table, line, f"line {count} of {table.name}"))
            if len(block) == _BLOCK:
                connection.execute(insert(table), block)
                block = []
    if block:
        connection.execute(insert(table), block)
    return count


def _row_of(table: Table, line: bytes, where: str) -> dict[str, Any]:
    """Return a row's values; anybody can write a copy, so nothing of it is taken for granted."""
    try:
        row = json.loads(line)
        return {name: _in(table.columns[name], value) for name, value in row.items()}
    except (
        ArithmeticError,
        AttributeError,
        KeyError,
        MemoryError,
        RecursionError,
        TypeError,
        ValueError,
    ) as bad:
        raise Refused(f"{where} is no row of ours; nothing was brought back") from bad


def _in(column: Column[Any], value: Any) -> Any:
    if value is None:
        return None
    kind = column.type
    if isinstance(kind, Points):
        return np.load(io.BytesIO(b64decode(value)), allow_pickle=False)
    if isinstance(kind, LargeBinary):
        return b64decode(value)
    if isinstance(kind, UtcDateTime | DateTime):
        return datetime.fromisoformat(value)
    if isinstance(kind, Date):
        return date.fromisoformat(value)
    if isinstance(value, int) and abs(value) > _LARGEST_WHOLE:
        raise ValueError(value)
    return time.fromisoformat(value) if isinstance(kind, Time) else value


def _go_on_counting(connection: Connection) -> None:
    """Let PostgreSQL number new rows after the ones that came; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in Base.metadata.sorted_tables:
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                f"(SELECT coalesce(max(id), 0) + 1 FROM {table.name}), false)"
            )
        )
