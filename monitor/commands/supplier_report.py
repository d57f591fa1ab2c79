"""`goodwater supplier-report SITE SUMP`."""

from __future__ import annotations

import argparse
import contextlib
import time
from pathlib import Path

from monitor.cli import Refused
from monitor.commands.common import add_site
from monitor.commands.figures import accounts, first_lines
from monitor.config import load
from monitor.reports.rendered import rendered
from monitor.reports.supplier import as_text, supplier_page
from monitor.reports.week import Week
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("sump", metavar="SUMP", help="the sump's id in the site file")
    parser.add_argument(
        "--week", metavar="WEEK", help="the last week told, like 2031-W07 (default: this one)"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="a page to print (HTML) instead of text; not overwritten"
    )


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone = site.plant.site.timezone
    sump = next((one for one in site.plant.sump if one.id == options.sump), None)
    if sump is None:
        known = ", ".join(one.id for one in site.plant.sump) or "none"
        raise Refused(f'no sump "{options.sump}" in {options.site}; there are: {known}')
    try:
        now_ms = time.time_ns() // 1_000_000
        week = Week.parse(options.week, zone) if options.week else Week.of(now_ms, zone)
    except ValueError as error:
        raise Refused(f"--week: {error}") from None
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        page = supplier_page(
            connection,
            site.plant,
            sump,
            week,
            accounts=accounts(site, connection),
            first_line=first_lines(site),
        )
    if options.out is None:
        print(as_text(page), end="")
        return 0
    try:
        with options.out.open("x", encoding="utf-8") as file:
            file.write(rendered("supplier.html", page=page))
    except FileExistsError:
        raise Refused(f"{options.out} is there already; nothing is overwritten") from None
    except OSError as error:
        if isinstance(error, PermissionError):
            raise
        raise Refused(f"{options.out}: {error.strerror}") from error
    print(options.out)
    return 0
