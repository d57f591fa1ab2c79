"""`goodwater readings SITE [CHANNEL ...]`."""

from __future__ import annotations

import argparse
import contextlib
import csv
import sys
from datetime import UTC, datetime

from monitor.cli import Refused
from monitor.commands.common import add_site, parse_time
from monitor.config import load
from monitor.plant.quantities import QUANTITIES
from monitor.readings import words
from monitor.store import reader
from monitor.store.files import open_reader

HEADER = ("time", "channel", "value", "unit", "quality", "reasons", "standing", "as_received", "its_unit")


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("channel", metavar="CHANNEL", nargs="*", help="channel ids; without any: all")
    parser.add_argument("--since", metavar="TIME", help="from this time on")
    parser.add_argument("--until", metavar="TIME", help="up to, not including, this time")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone, channels = site.plant.site.timezone, site.plant.channels
    wanted = options.channel or list(channels)
    unknown = [name for name in wanted if name not in channels]
    if unknown:
        raise Refused(f'no channel "{unknown[0]}" in {options.site}; there are: {", ".join(channels)}')
    since_ms = parse_time(options.since, zone) if options.since else 0
    until_ms = parse_time(options.until, zone) if options.until else 2**62
    out = csv.writer(sys.stdout)
    out.writerow(HEADER)
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        for name in wanted:
            channel = channels[name]
            unit = QUANTITIES[channel.quantity].unit
            for r in reader.readings(connection, name, since_ms, until_ms):
                moment = datetime.fromtimestamp(r.time_ms / 1000, UTC).isoformat(timespec="milliseconds")
                out.writerow(
                    (
                        moment,
                        name,
                        f"{r.value:.10g}",
                        unit,
                        r.level.name.lower(),
                        " ".join(word.replace(" ", "-") for word in words(r.reasons)),
                        r.standing.name.lower().replace("_", "-"),
                        f"{r.raw:.10g}",
                        channel.unit,
                    )
                )
    return 0
