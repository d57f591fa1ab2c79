"""A shop with a logger, and files of its readings."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from tests.heart.shop import MINUTE, SITE, START_MS

LOGGER = """
[[logger]]
id = "train"
files = ["train-*.csv"]
time = ["when"]
time_format = "%d.%m.%Y %H:%M:%S"
timezone = "Etc/GMT-1"
delimiter = "semicolon"
decimal = "comma"

[[instrument]]
id = "tap-node"
expected_interval = "5 min"
wire = { kind = "logger-file", logger = "train", values = { "tap.ec" = "EC tap", "tap.t" = "T tap" } }

[[instrument.channel]]
id = "tap.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 1.0
compensated = true

[[instrument.channel]]
id = "tap.t"
quantity = "temperature"
unit = "degC"
range = [0.0, 60.0]
resolution = 0.1

[[rule]]
kind = "limit"
id = "tap-high"
channel = "tap.ec"
above = "800 uS/cm"
"""
WITH_LOGGER = SITE + LOGGER


def iso(minute: float) -> str:
    """A time since the start, in UTC."""
    return datetime.fromtimestamp((START_MS + minute * MINUTE) / 1000, UTC).isoformat()


def plain(path: Path, rows: Iterable[tuple[str, str, object]], header: str = "time,channel,value") -> Path:
    """A file of the plain form."""
    path.write_text("\n".join([header, *(",".join(map(str, row)) for row in rows)]) + "\n", encoding="utf-8")
    return path


def di_file(path: Path, values: Iterable[tuple[float, object]]) -> Path:
    """The DI meter's readings: (minute, value)."""
    return plain(path, [(iso(minute), "di.ec", value) for minute, value in values])


def logged(path: Path, rows: Iterable[tuple[float, str, str]], heading: str = "when;T tap;EC tap") -> Path:
    """A file as the logger writes it, in its winter time: (minute, temperature, conductivity)."""
    lines = [heading]
    for minute, warm, ec in rows:
        moment = datetime.fromtimestamp((START_MS + minute * MINUTE) / 1000 + 3600, UTC)
        lines.append(f"{moment:%d.%m.%Y %H:%M:%S};{warm};{ec}")
    path.write_text("\n".join(lines), encoding="utf-8")
    return path
