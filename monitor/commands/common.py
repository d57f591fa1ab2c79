"""What several commands share: the site argument, local times, tables of plain text."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.cli import Refused


def add_site(parser: argparse.ArgumentParser) -> None:
    """The site file: first argument, or the environment variable GOODWATER_SITE."""
    default = os.environ.get("GOODWATER_SITE")
    parser.add_argument(
        "site",
        metavar="SITE",
        type=Path,
        nargs="?" if default else None,
        default=Path(default) if default else None,
        help="the site file (or set GOODWATER_SITE)",
    )


def local(time_ms: int, zone: str) -> str:
    """A time as the shop's clock shows it, with its offset."""
    moment = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone))
    return moment.strftime("%Y-%m-%d %H:%M:%S %z")


def parse_time(text: str, zone: str) -> int:
    """UTC milliseconds of `2031-02-14`, `2031-02-14 06:30` or any ISO time; without an offset it is local.

    Raises: Refused.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Refused(f'"{text}" is no time: write 2031-02-14 or 2031-02-14T06:30') from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return int(moment.timestamp() * 1000)


def age(then_ms: int, now_ms: int) -> str:
    """How long ago, in the largest unit that fits."""
    span = timedelta(milliseconds=max(0, now_ms - then_ms))
    if span < timedelta(minutes=2):
        return f"{span.seconds} s"
    if span < timedelta(hours=2):
        return f"{span.seconds // 60} min"
    hours = span.days * 24 + span.seconds // 3600
    return f"{hours} h" if hours < 72 else f"{span.days} days"


def table(rows: Sequence[Sequence[str]], indent: str = "  ") -> str:
    """Columns of plain text, as wide as they need to be."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))] if rows else []
    return "\n".join(
        indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )
