"""`goodwater check SITE`."""

from __future__ import annotations

import argparse

from monitor.check import report
from monitor.commands.common import add_site
from monitor.config import load


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)


def run(options: argparse.Namespace) -> int:
    print(report(load(options.site)))
    return 0
