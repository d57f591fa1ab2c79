"""A store that is another one than before: damaged and set aside, or put back from a backup.

What happened is written to a small note beside the store before any file is moved, and the note stays until
an event that says so is committed to the new store. So a kill at any moment neither loses a file nor the
word of it.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Literal

from monitor.readings import StoreReplaced
from monitor.store.files import STORE, StoreMissing, file_mark, has_lived, open_inbox

_NOTE = "store-replaced.json"
# What goes with a store: its log, and what says how far loggers' files were read into it. A mirror knows by
# itself that its store is another one.
_BESIDE = (f"{STORE}-wal", f"{STORE}-shm", "logger-*.json")
_IN_WAITING = "store-restored.db"
_WAIT_S = 0.2
_YEAR_2026_MS = 1_767_225_600_000
_HOUR_MS = 3_600_000


class StoreDamaged(Exception):
    """The store's file is damaged; it is set aside when the watch starts again."""


@dataclass(frozen=True, slots=True)
class _Note:
    what: Literal["set-aside", "restored"]
    found_ms: int
    detail: str
    file: str  # what the old file is called now
    inode: int = 0  # which file was found damaged


def is_damage(error: BaseException) -> bool:
    """Whether SQLite says that the file itself is not as it should be (not: full, locked, forbidden)."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def damage_in(data: Path, beat: Callable[[], None]) -> str | None:
    """What is wrong with the store's file, read anew from the disk; None when nothing is found.

    A large file takes minutes: `beat` is called all the while.
    """
    found: list[str | None] = [None]
    looking = threading.Thread(target=lambda: found.__setitem__(0, _looked_through(data)), name="store check")
    looking.start()
    beat()
    while looking.is_alive():
        looking.join(_WAIT_S)
        beat()
    return found[0]


def _looked_through(data: Path) -> str | None:
    try:
        with contextlib.closing(open_inbox(data)) as connection:
            (finding,) = connection.execute("pragma quick_check(1)").fetchone()
    except StoreMissing:
        return None
    except sqlite3.Error as error:
        return str(error) if is_damage(error) else None
    return None if finding == "ok" else " ".join(str(finding).split())[:300]


def emptied(data: Path) -> str | None:
    """What is wrong with a store that a watch has written to and that holds nothing any more."""
    path = data / STORE
    if has_lived(data) and path.exists() and path.stat().st_size == 0:
        return "the file is empty"
    return None


def note_damage(data: Path, finding: str, now_ms: int) -> None:
    """Have the store set aside when the watch starts next."""
    inode = (data / STORE).stat().st_ino
    _write(data, _Note("set-aside", now_ms, finding, _dated(data, "damaged", now_ms), inode))


def waiting_place(data: Path) -> Path:
    """Where a store that is to take the place of the present one is put first, whole."""
    return data / _IN_WAITING


def note_restored(data: Path, detail: str, now_ms: int) -> None:
    """Have the store that waits take its place, and the next watch know of it."""
    _write(data, _Note("restored", now_ms, detail, _dated(data, "before-restore", now_ms)))


def set_damaged_aside(data: Path) -> str | None:
    """Move a store that was found damaged to its dated name; that name, or None when there is nothing to do.

    Call it while holding the data folder. Raises: OSError.
    """
    note = _read(data)
    if note is None or note.what != "set-aside" or (data / note.file).exists():
        return None
    mark = file_mark(data)
    if mark is None or mark[1] != note.inode:  # somebody has put another file there meanwhile
        return None
    _move_aside(data, note.file)
    return note.file


def put_in_place(data: Path) -> str | None:
    """Have the store that waits take its place, the one there being moved to a dated name; that name, or
    None where there was none, or nothing waits.

    Call it while holding the data folder. Raises: OSError.
    """
    note = _read(data)
    if note is None or note.what != "restored" or not (data / _IN_WAITING).exists():
        return None
    if (data / STORE).exists() and not (data / note.file).exists():
        _move_aside(data, note.file)
    (data / _IN_WAITING).rename(data / STORE)
    sync_folder(data)
    return note.file if (data / note.file).exists() else None


def _move_aside(data: Path, name: str) -> None:
    """The store itself last: what was moved without it is moved on by the next try."""
    for pattern in _BESIDE:
        for path in data.glob(pattern):
            tail = path.name.removeprefix(STORE)
            path.rename(data / (f"{name}{tail}" if tail != path.name else f"{name}.{path.name}"))
    (data / STORE).rename(data / name)
    sync_folder(data)


def replaced(data: Path) -> StoreReplaced | None:
    """What the new store is still to be told of."""
    note = _read(data)
    if note is None:
        return None
    # Higher than any number before, as long as a condition became an alarm less than once an hour.
    hours = max(0, note.found_ms - _YEAR_2026_MS) // _HOUR_MS
    before = sum(1 for path in data.glob("goodwater.*.db"))
    return StoreReplaced(note.found_ms, note.what, note.file, note.detail, hours + 10 * before)


def told(data: Path) -> None:
    """The new store knows."""
    with contextlib.suppress(FileNotFoundError):
        (data / _NOTE).unlink()


def _dated(data: Path, word: str, now_ms: int) -> str:
    moment = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    names = (f"goodwater.{word}-{moment}{n}.db" for n in ("", *(f"-{n}" for n in range(2, 1000))))
    return next(name for name in names if not (data / name).exists())


def _write(data: Path, note: _Note) -> None:
    draft = data / f"{_NOTE}.draft"
    with draft.open("w", encoding="utf-8") as file:
        json.dump(asdict(note), file, ensure_ascii=False)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(data / _NOTE)
    sync_folder(data)


def _read(data: Path) -> _Note | None:
    try:
        return _Note(**json.loads((data / _NOTE).read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except (ValueError, TypeError):  # never so written by us; whoever did gets no alarm for it
        return None


def sync_file(file: BinaryIO) -> None:
    """Have what was written to a file on the disk."""
    file.flush()
    os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
