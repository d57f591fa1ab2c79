"""`goodwater notify-test SITE`."""

from __future__ import annotations

import argparse

from monitor.clock import MachineClock
from monitor.commands.common import add_site, table
from monitor.config import load
from monitor.daemon import surroundings
from monitor.notify.trial import try_all


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    attempts = try_all(site.plant, surroundings(site), MachineClock().now_ms())
    print(
        table([[a.person, a.way, "delivered" if a.ok else "FAILED", a.detail] for a in attempts], indent="")
    )
    return 0 if all(a.ok for a in attempts) else 1
