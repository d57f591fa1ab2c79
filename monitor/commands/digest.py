"""`goodwater digest SITE`."""

from __future__ import annotations

import argparse
import contextlib
import json
import time
from pathlib import Path

from monitor.cli import Refused
from monitor.commands.common import add_site
from monitor.commands.figures import digest_of
from monitor.config import load
from monitor.reports.figures import as_json
from monitor.reports.week import Week, due_by
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "--week", metavar="WEEK", help="an ISO week like 2031-W07 (default: the last one that is over)"
    )
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", metavar="DIR", type=Path, help="the folder for HTML, text, PNG and JSON")
    where.add_argument("--json", action="store_true", help="print the figures as JSON, and write nothing")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone, now_ms = site.plant.site.timezone, time.time_ns() // 1_000_000
    try:
        week = Week.parse(options.week, zone) if options.week else due_by(now_ms, zone)
    except ValueError as error:
        raise Refused(f"--week: {error}") from None
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        digest = digest_of(site, connection, week, now_ms)
    if options.json:
        print(json.dumps(as_json(digest), ensure_ascii=False, allow_nan=False))
        return 0
    from monitor.reports.made import write  # pictures are loaded where they are made

    try:
        files = write(digest, options.out)
    except OSError as error:
        if isinstance(error, PermissionError):
            raise
        raise Refused(f"{error.filename or options.out}: {error.strerror}") from error
    for file in files:
        print(file)
    return 0
