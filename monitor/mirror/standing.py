"""How a mirror stands, read from its ledger by whoever asks, whether the daemon runs or not."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.mirror.ledger import path_of


@dataclass(frozen=True, slots=True)
class Failing:
    """Since when something fails, and why."""

    since_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class Standing:
    """What the ledger says."""

    sent: int  # points
    sent_ms: int | None  # when the server last acknowledged
    again: int  # acknowledged, not there, sent once more
    unkept: int  # sent again and again, and never there
    refused: int
    twice: int  # values of one series and millisecond beyond the first, as seen at the last look
    looked_ms: int | None  # when the server was last asked what it kept
    writing: Failing | None
    reading: Failing | None
    readings_until_ms: dict[str, int]  # channel -> up to when it has been sent
    refusal: str
    unkept_first: str

    @property
    def well(self) -> bool:
        return self.writing is None and self.reading is None and not self.unkept and not self.refused


def standing(data: Path, mirror: str) -> Standing | None:
    """The standing of a mirror of the site file; None when it has never run.

    Raises: sqlite3.Error when the ledger cannot be read.
    """
    path = path_of(data, mirror)
    if not path.exists():
        return None
    uri = f"{path.resolve().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=10.0)) as connection:
        notes: dict[str, Any] = {
            k: json.loads(v) for k, v in connection.execute("select key, value from note")
        }
        places = dict(connection.execute("select strand, at from place").fetchall())
    return Standing(
        sent=notes.get("sent", 0),
        sent_ms=notes.get("sent_ms"),
        again=notes.get("again", 0),
        unkept=notes.get("unkept", 0),
        refused=notes.get("refused", 0),
        twice=notes.get("twice", 0),
        looked_ms=notes.get("looked_ms"),
        writing=_failing(notes.get("write")),
        reading=_failing(notes.get("read")),
        readings_until_ms={n.partition(" ")[2]: at for n, at in places.items() if n.startswith("reading ")},
        refusal=notes.get("refusal", ""),
        unkept_first=notes.get("unkept_first", ""),
    )


def _failing(note: dict[str, Any] | None) -> Failing | None:
    return None if not note else Failing(note["since_ms"], note["words"])
