"""`goodwater run SITE`."""

from __future__ import annotations

import argparse

from monitor import logs, supervisor
from monitor.clock import PlayedClock
from monitor.commands.common import add_site
from monitor.config import load


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "--clock",
        metavar="ANCHORS",
        type=PlayedClock.parse,
        help="judge by a played clock (machine:shop,machine:shop,... in ms)",
    )


def run(options: argparse.Namespace) -> int:
    load(options.site)  # a mistake is told here, at once, not by a child in its log
    logs.start()
    return supervisor.run(options.site, str(options.clock) if options.clock else None)
