"""How far each of a logger's files has been read and stored, kept beside the store between two runs.

Without it nothing is lost: a file is read again from its beginning and the store's key (channel, time) lets
nothing in twice. It only saves the daemon a year of duplicates at each start.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from monitor.intake.logger_rows import Heading

log = logging.getLogger(__name__)

# So many bytes before a place prove that a file is still the one that was read.
PROOF_BYTES = 1024


@dataclass(frozen=True, slots=True)
class Place:
    """Where reading goes on in a file, and what it needs to know of what lies before."""

    offset: int = 0
    proof: str = ""  # of the bytes before the offset
    last_ms: int = 0  # time of the last row
    heading: Heading | None = None  # None: not read yet


START = Place()


def proof_of(before: bytes) -> str:
    """A digest of the last bytes before a place."""
    return hashlib.sha256(before[-PROOF_BYTES:]).hexdigest()[:16]


_PLACES: TypeAdapter[dict[str, Place]] = TypeAdapter(dict[str, Place])


def load_places(path: Path, form: str) -> dict[str, Place]:
    """The places kept for a logger; none when they were kept under other settings, or cannot be read."""
    try:
        kept = json.loads(path.read_bytes())
        if kept["form"] == form:
            return _PLACES.validate_python(kept["files"])
        log.info("%s: the logger's settings have changed, its files are read anew", path.name)
    except FileNotFoundError:
        pass
    except (OSError, ValueError, KeyError, TypeError, ValidationError) as error:
        log.warning("%s cannot be read (%s): the files are read anew", path, error)
    return {}


def save_places(path: Path, form: str, places: Mapping[str, Place]) -> None:
    """Keep them; a half-written file never replaces a whole one.

    Raises: OSError when it cannot be written.
    """
    kept = {"form": form, "files": _PLACES.dump_python(dict(places), mode="json")}
    beside = path.with_suffix(".new")
    beside.write_text(json.dumps(kept), encoding="utf-8")
    os.replace(beside, path)  # noqa: PTH105 - the name says what it does
