"""What the guard remembers beyond its own end: its vigils, and what it still owes to people. One file."""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.guard.vigil import Turn, Vigil

log = logging.getLogger(__name__)

FORMAT = "goodwater.guard/1"
_FILE = "guard.json"


@dataclass(frozen=True, slots=True)
class Owed:
    """A turn that one person is still to be told by one way."""

    number: int
    watch: str
    person: str
    way: int
    turn: Turn


@dataclass
class Memory:
    """All of it."""

    vigils: dict[str, Vigil] = field(default_factory=dict)
    owed: list[Owed] = field(default_factory=list)
    number: int = 0  # of the last Owed


def remembered(folder: Path, now_ms: int) -> Memory:
    """What was kept; a file that cannot be read is set aside, and the guard begins anew.

    Raises: OSError when the folder cannot be read.
    """
    path = folder / _FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Memory()
    except UnicodeDecodeError:
        text = ""
    try:
        return _parsed(json.loads(text))
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        aside = path.with_name(f"{_FILE}.damaged-{now_ms}")
        path.rename(aside)
        log.error("%s is damaged (%s): set aside as %s, the guard begins anew", path, error, aside.name)
        return Memory()


def keep(folder: Path, memory: Memory) -> None:
    """Write it so that a power cut leaves the old file or the new one, never half of one. Raises: OSError."""
    said: dict[str, Any] = {
        "format": FORMAT,
        "number": memory.number,
        "vigils": {name: asdict(vigil) for name, vigil in memory.vigils.items()},
        "owed": [asdict(owed) for owed in memory.owed],
    }
    new = folder / f"{_FILE}.new"
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
        json.dump(said, file)
        file.flush()
        os.fsync(file.fileno())
    new.replace(folder / _FILE)


def _parsed(said: Mapping[str, Any]) -> Memory:
    if said["format"] != FORMAT:
        raise ValueError(f"its format is {said['format']!r}, not {FORMAT!r}")
    owed = [Owed(**{**row, "turn": Turn(**row["turn"])}) for row in said["owed"]]
    return Memory({name: Vigil(**row) for name, row in said["vigils"].items()}, owed, said["number"])
