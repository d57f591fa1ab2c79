"""`goodwater alarms SITE`."""

from __future__ import annotations

import argparse
import contextlib

from monitor.commands.alarm_named import beneath, kept_back
from monitor.commands.common import add_site, local, parse_time, table
from monitor.config import load
from monitor.daemon import wordings
from monitor.notify.message import wording_of
from monitor.plant.model import Plant
from monitor.readings import Transition
from monitor.store import reader
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("--all", action="store_true", help="every transition there was, oldest first")
    parser.add_argument("--since", metavar="TIME", help="with --all: only from this time on")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone = site.plant.site.timezone
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        if options.all:
            since_ms = parse_time(options.since, zone) if options.since else 0
            shown = [t for _, t in reader.transitions(connection, since_ms)]
        else:
            shown = reader.current_alarms(connection)
    if not shown:
        print("no alarm was ever raised" if options.all else "no alarm stands")
        return 0
    print(table([_row(t, site.plant) for t in shown], indent=""))
    return 0


def _row(transition: Transition, plant: Plant) -> list[str]:
    return [
        f"{transition.condition}#{transition.occurrence}",
        transition.priority,
        _state(transition, plant.site.timezone),
        local(transition.time_ms, plant.site.timezone),
        wording_of(transition, plant, wordings()).first_line,
    ]


def _state(transition: Transition, zone: str) -> str:
    by = f" by {transition.by}" if transition.by else ""
    if transition.silence is not None:
        by = f" {kept_back(transition, zone)}; beneath: {beneath(transition).value}"
    if transition.cause == "acknowledged" and transition.silence is None:
        return f"acknowledged{by}"
    said = {"chattering": "chattering", "burst": "told together"}
    state = said.get(transition.cause, transition.state.value)
    return f"{state}{by}"
