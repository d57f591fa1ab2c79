"""What several commands share: the site argument, the inbox, local times, tables of plain text."""

from __future__ import annotations

import argparse
import contextlib
import getpass
import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.cli import Refused
from monitor.readings import OperatorAction
from monitor.store import inbox
from monitor.store.files import open_inbox

_WAIT_S = 5.0


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


def hand_in(data: Path, action: OperatorAction, what: str, done: str) -> int:
    """Put what a person did into the inbox, wait for a running watch to take it up, and say what became of
    it; gives the command's exit code."""
    with contextlib.closing(open_inbox(data)) as connection:
        became = inbox.hand_in(connection, data, action, _WAIT_S)
    if became == "waiting":
        print(f"{what}: noted, but the watch has not taken it up yet (see `goodwater status`)")
        return 1
    print(f"{what}: {done if became == 'taken' else 'noted; it takes effect when the watch runs again'}")
    return 0


def login() -> str:
    """Who is at the keyboard.

    Raises: Refused where the login has no name.
    """
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without a name, as in containers
        raise Refused("your login has no name here: say who with --by NAME") from None


def plain(option: str, text: str) -> str:
    """A text from the command line, if it is one.

    Raises: Refused naming the option.
    """
    try:
        text.encode()
    except UnicodeEncodeError:
        raise Refused(f"{option} is not UTF-8 text") from None
    return text
