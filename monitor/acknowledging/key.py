"""The key that signs links: made once, kept in the data folder, readable by nobody else."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

_FILE = "acknowledge.key"
_BYTES = 32


def read_key(data: Path) -> bytes | None:
    """The key; None where no link was ever made, or the file is not what was written.

    Raises: OSError other than that it is not there.
    """
    try:
        key = (data / _FILE).read_bytes()
    except FileNotFoundError:
        return None
    return key if len(key) == _BYTES else None


def ready_key(data: Path) -> bytes:
    """The key, made now where there is none. A new one ends all links there were. Raises: OSError."""
    known = read_key(data)
    if known is not None:
        return known
    key, path = secrets.token_bytes(_BYTES), data / _FILE
    new = path.with_name(f"{_FILE}.{os.getpid()}")
    with contextlib.suppress(FileNotFoundError):
        new.unlink()
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(key)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    return key
