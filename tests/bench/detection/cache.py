"""What was worked out before is not worked out again: files under a key of the code and the parameters.

The folder is GOODWATER_BENCH_CACHE, or `goodwater-detection` in the machine's folder for temporary files. A
file is written beside and then renamed, so a kill leaves a whole file or none.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import pickle
import tempfile
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[3]
# What decides a simulated run, and what decides the alarms made of it.
SIMULATOR = ("simulator/*.py", "simulator/shops/*.toml", "tests/bench/detection/record.py")
WATCH = ("monitor/**/*.py", "config/demo-shop.toml", "tests/bench/judge.py", "simulator/score.py")


def folder() -> Path:
    """Where the files lie."""
    named = os.environ.get("GOODWATER_BENCH_CACHE")
    return Path(named) if named else Path(tempfile.gettempdir()) / "goodwater-detection"


@cache
def version(patterns: tuple[str, ...], root: Path = REPOSITORY) -> str:
    """A hash of the text of all files that these patterns name."""
    found = hashlib.sha256()
    for path in sorted({path for pattern in patterns for path in root.glob(pattern)}):
        found.update(str(path.relative_to(root)).encode())
        found.update(path.read_bytes())
    return found.hexdigest()[:16]


def key(parts: Mapping[str, Any] | Iterable[Any]) -> str:
    """A name for these parameters; the same ones always give the same name."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def place(kind: str, name: str) -> Path:
    """The file of one entry; its folder is made."""
    where = folder() / kind
    where.mkdir(parents=True, exist_ok=True)
    return where / name


def kept(kind: str, name: str, make: Callable[[], Any]) -> Any:
    """What `make` gives: from the file when it was made before. A file that cannot be read is made again."""
    path = place(kind, name)
    if path.is_file():
        try:
            return read(path)
        except (OSError, EOFError, pickle.UnpicklingError, AttributeError, ImportError):
            path.unlink()
    made = make()
    write(path, made)
    return made


def read(path: Path) -> Any:
    """What was written to a file."""
    with gzip.open(path, "rb") as file:
        return pickle.load(file)


def write(path: Path, what: Any) -> None:
    """A whole file or none: written beside and renamed."""
    beside = path.with_name(f"{path.name}.{os.getpid()}.part")
    with gzip.open(beside, "wb", compresslevel=1) as file:
        pickle.dump(what, file, protocol=5)
    beside.replace(path)
