"""The files of the data folder, and how they are opened."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

STORE = "goodwater.db"
_LOCK = "goodwater.lock"
_RESERVE = "reserve"
_RESERVE_BYTES = 4_000_000
_LOG_BYTES = 16_000_000
# Each channel's newest reading lies on a page of its own, so nearly every reading writes a page: small ones
# spare memory cards, for reads that take a tenth longer. Measured: docs/performance.md.
PAGE_BYTES = 1_024
_LOG_FOLDED_BYTES = 4_096_000  # the log is folded into the file when it has grown so far
_LOOKING_S = 1.0


class StoreMissing(Exception):
    """There is no store yet: the watch has never run with this data folder."""


class AlreadyRunning(Exception):
    """Another daemon holds this data folder."""


class StoreMoved(Exception):
    """The file that is written to is no longer the one in the data folder."""


def file_mark(data: Path) -> tuple[int, int] | None:
    """What tells the store's file from another of the same name; None when there is none."""
    try:
        found = (data / STORE).stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def open_writer(data: Path) -> sqlite3.Connection:
    """The one connection that writes readings and state: WAL, full sync, transactions begun by hand."""
    connection = _connect(f"{(data / STORE).resolve().as_uri()}?mode=rwc")
    try:
        connection.execute(f"pragma page_size = {PAGE_BYTES}")  # of a new file; an older one keeps its own
        connection.execute("pragma journal_mode = wal")
        connection.execute("pragma synchronous = full")
        (page_bytes,) = connection.execute("pragma page_size").fetchone()
        connection.execute(f"pragma wal_autocheckpoint = {_LOG_FOLDED_BYTES // page_bytes}")
        # A log that grew under a long read gives its disk back once it is emptied.
        connection.execute(f"pragma journal_size_limit = {_LOG_BYTES}")
    except BaseException:
        connection.close()
        raise
    return connection


def open_inbox(data: Path) -> sqlite3.Connection:
    """A connection for putting a row into the inbox.

    Raises: StoreMissing.
    """
    _must_exist(data)
    return _connect(f"{(data / STORE).resolve().as_uri()}?mode=rw")


def open_reader(data: Path) -> sqlite3.Connection:
    """A connection that cannot write.

    Raises: StoreMissing.
    """
    _must_exist(data)
    connection = _connect(f"{(data / STORE).resolve().as_uri()}?mode=ro")
    connection.execute("pragma query_only = on")
    return connection


def _connect(uri: str) -> sqlite3.Connection:
    # isolation_level None: transactions begin and end where the code says so.
    # Each connection is used by one thread only, but not always by the one that opened it.
    connection = sqlite3.connect(uri, uri=True, timeout=10.0, isolation_level=None, check_same_thread=False)
    connection.row_factory = sqlite3.Row
    return connection


def _must_exist(data: Path) -> None:
    if not (data / STORE).exists():
        raise StoreMissing(f"nothing is stored in {data} yet; `goodwater run SITE` begins the watch")


@contextlib.contextmanager
def hold(data: Path) -> Iterator[IO[bytes]]:
    """Hold the data folder for one daemon.

    Raises: AlreadyRunning, with the other's process id; OSError when the folder cannot be written.
    """
    data.mkdir(parents=True, exist_ok=True)
    with (data / _LOCK).open("a+b", buffering=0) as lock:
        if not _locked(lock):
            lock.seek(0)
            other = lock.read().decode().strip() or "unknown"
            raise AlreadyRunning(f"a watch over {data} is running already (process {other})")
        with contextlib.suppress(OSError):  # a full disk: held all the same, though nobody can read by whom
            lock.truncate(0)
            lock.write(str(os.getpid()).encode())
        yield lock


def _locked(lock: IO[bytes]) -> bool:
    """Take the lock. Whoever only looks (`holder`) has it for a moment, so one refusal means nothing."""
    end = time.monotonic() + _LOOKING_S
    while True:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                return False
            time.sleep(0.02)
        else:
            return True


def holder(data: Path) -> int | None:
    """The process id of the daemon that holds the folder; None when nobody does."""
    path = data / _LOCK
    if not path.exists():
        return None
    with path.open("r") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            text = lock.read().strip()
            return int(text) if text.isdecimal() else 0
    return None


def keep_reserve(data: Path) -> None:
    """Set some disk aside, to be given back when the disk is full; best effort."""
    path = data / _RESERVE
    with contextlib.suppress(OSError):
        if path.exists() and path.stat().st_size == _RESERVE_BYTES:
            return
        if os.statvfs(data).f_bavail * os.statvfs(data).f_frsize > 10 * _RESERVE_BYTES:
            path.write_bytes(b"\0" * _RESERVE_BYTES)


def has_lived(data: Path) -> bool:
    """Whether a watch has ever run well with this folder."""
    return (data / _RESERVE).exists()


def release_reserve(data: Path) -> bool:
    """Give the reserve back to a full disk; whether there was one."""
    with contextlib.suppress(OSError):
        (data / _RESERVE).unlink()
        return True
    return False
