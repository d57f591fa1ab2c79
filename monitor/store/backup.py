"""A copy of the store made while the watch writes, checked, with a manifest that says what is in it.

The copy is of one moment: a read transaction holds it while SQLite's backup interface copies page by page.
It bears its final name only once it was read back and found whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from monitor.store import replaced
from monitor.store.files import STORE, open_reader
from monitor.store.reader import last_seq
from monitor.store.schema import MIGRATIONS

_PAGES_AT_ONCE = 2_000
_CHUNK = 1 << 20
_SPARE_BYTES = 16_000_000


class BackupError(Exception):
    """The copy could not be made, or is not what it should be; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds; a JSON file beside it, named after it."""

    site: str
    made: str  # ISO 8601, UTC
    bytes: int
    sha256: str
    last_event: int  # number of the last event of the stream
    first_reading: str | None  # by time, ISO 8601, UTC; None where there is none
    last_reading: str | None
    rows: dict[str, int]  # by table
    migrations: list[str]

    @classmethod
    def beside(cls, file: Path) -> Manifest | None:
        """The manifest of a backup; None when there is none.

        Raises: BackupError when it cannot be read.
        """
        path = manifest_path(file)
        try:
            return cls(**json.loads(path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError) as error:
            raise BackupError(f"{path} is no manifest of a backup ({error})") from error


def manifest_path(file: Path) -> Path:
    return file.with_name(f"{file.name}.json")


def back_up(
    data: Path, file: Path, site: str, now_ms: int, progress: Callable[[float], None] = lambda _: None
) -> Manifest:
    """Copy the store of a data folder to a file that is not there yet, check the copy, write its manifest.

    `progress` is given the share copied, 0..1. Raises: StoreMissing; BackupError; OSError.
    """
    if file.exists():
        raise BackupError(f"{file} is there already; nothing is overwritten")
    with contextlib.closing(open_reader(data)) as source:
        _has_room(data / STORE, file.parent)
        draft = file.with_name(f"{file.name}.draft")
        draft.unlink(missing_ok=True)
        try:
            _copy(source, draft, progress)
            manifest = _described(draft, site, now_ms)
            _sync(draft)
            _written(manifest_path(file), json.dumps(asdict(manifest), indent=2, ensure_ascii=False) + "\n")
            draft.rename(file)
        finally:
            draft.unlink(missing_ok=True)
    replaced.sync_folder(file.parent)
    return manifest


def _has_room(store: Path, folder: Path) -> None:
    needed = store.stat().st_size + _SPARE_BYTES
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise BackupError(
            f"{folder} has {free / 1e6:.0f} MB left, the backup needs {needed / 1e6:.0f} MB; "
            "choose another place, or make room"
        )


def _copy(
    source: sqlite3.Connection, draft: Path, progress: Callable[[float], None] = lambda _: None
) -> None:
    def stepped(_status: int, remaining: int, total: int) -> None:
        progress(1.0 - remaining / max(1, total))

    try:
        with contextlib.closing(sqlite3.connect(draft, isolation_level=None)) as copy:
            copy.execute("pragma synchronous = off")  # it is synced once, when it is whole
            # An open read transaction: otherwise every commit of the watch would begin the copy anew.
            source.execute("begin")
            source.execute("select count(*) from migration").fetchone()
            try:
                source.backup(copy, pages=_PAGES_AT_ONCE, progress=stepped)
            finally:
                source.execute("commit")
            copy.execute("pragma journal_mode = delete")  # one file, no log beside it
    except sqlite3.Error as error:
        if replaced.is_damage(error):
            raise BackupError(f"the store itself is damaged ({error}); {_IF_DAMAGED}") from error
        raise BackupError(f"the copy {draft} cannot be written: {error}") from error


_IF_DAMAGED = "keep the last good backup, and see docs/store.md"


def _described(file: Path, site: str, now_ms: int) -> Manifest:
    """The manifest of a copy that is whole.

    Raises: BackupError.
    """
    with _opened(file) as connection:
        _is_whole(connection, file)
        first_ms, last_ms = connection.execute("select min(time_ms), max(time_ms) from reading").fetchone()
        return Manifest(
            site=site,
            made=_iso(now_ms),
            bytes=file.stat().st_size,
            sha256=_sha256(file),
            last_event=last_seq(connection),
            first_reading=None if first_ms is None else _iso(first_ms),
            last_reading=None if last_ms is None else _iso(last_ms),
            rows=_rows(connection),
            migrations=[row[0] for row in connection.execute("select name from migration order by rowid")],
        )


def verified(file: Path) -> Manifest | None:
    """Check that a backup is the file its manifest describes, or where it has none is whole, and that this
    version can read it. Gives the manifest.

    Raises: BackupError.
    """
    if not file.is_file():
        raise BackupError(f"{file} is no file; name a backup that `goodwater backup` made")
    manifest = Manifest.beside(file)
    if manifest is not None and (file.stat().st_size, _sha256(file)) != (manifest.bytes, manifest.sha256):
        raise BackupError(f"{file} is not the file that {manifest_path(file).name} describes: it was changed")
    with _opened(file) as connection:
        if manifest is None:
            _is_whole(connection, file)
        known = {name for name, _ in MIGRATIONS}
        found = {row[0] for row in connection.execute("select name from migration")}
        if found - known:
            raise BackupError(f"{file} was made by a later version of Goodwater; install that version first")
    return manifest


def restore(data: Path, file: Path, manifest: Manifest | None, now_ms: int) -> str | None:
    """Put a verified backup in the place of the store; the name of the old one, which is kept.

    Call it while holding the data folder. A kill at any moment leaves the old store in place, or the new one
    to be put there by the next start. Raises: BackupError, OSError.
    """
    waiting = replaced.waiting_place(data)
    _has_room(file, data)
    waiting.unlink(missing_ok=True)
    try:
        with _opened(file) as source:
            _copy(source, waiting)
        with _opened(waiting) as connection:
            _is_whole(connection, waiting)
            if manifest is not None and _rows(connection) != manifest.rows:
                raise BackupError(f"{file} does not hold the rows that {manifest_path(file).name} lists")
        _sync(waiting)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise
    replaced.note_restored(data, file.name, now_ms)
    return replaced.put_in_place(data)


@contextlib.contextmanager
def _opened(file: Path) -> Iterator[sqlite3.Connection]:
    """A copy to read, which nobody writes to; one that was set aside has its log beside it.

    Raises: BackupError when it is no store.
    """
    log = file.with_name(f"{file.name}-wal")
    how = "mode=ro" if log.exists() else "mode=ro&immutable=1"
    try:
        connection = sqlite3.connect(f"{file.resolve().as_uri()}?{how}", uri=True, isolation_level=None)
        with contextlib.closing(connection):
            connection.execute("select count(*) from migration").fetchone()
            yield connection
    except sqlite3.Error as error:
        raise BackupError(f"{file} is no whole store of Goodwater: {error}") from error


def _is_whole(connection: sqlite3.Connection, file: Path) -> None:
    (finding,) = connection.execute("pragma integrity_check(1)").fetchone()
    if finding != "ok":
        words = " ".join(str(finding).split())[:300]
        raise BackupError(f"{file} is damaged ({words}); {_IF_DAMAGED}")


def _rows(connection: sqlite3.Connection) -> dict[str, int]:
    tables = [
        row[0]
        for row in connection.execute(
            "select name from sqlite_master where type = 'table' and name not like 'sqlite_%' order by name"
        ).fetchall()
    ]
    return {name: connection.execute(f'select count(*) from "{name}"').fetchone()[0] for name in tables}


def _sha256(file: Path) -> str:
    digest = hashlib.sha256()
    with file.open("rb") as opened:
        while chunk := opened.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _sync(file: Path) -> None:
    with file.open("rb+") as opened:
        replaced.sync_file(opened)


def _written(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _iso(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")
