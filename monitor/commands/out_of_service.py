"""`goodwater out-of-service SITE TARGET`: maintenance; alarms go on and nobody is told, until it ends."""

from __future__ import annotations

import argparse
import contextlib

from monitor.alarms.silencing import LONGEST_SERVICE_MS
from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.alarm_named import add_end, end_ms
from monitor.commands.common import add_site, hand_in, local, login, plain
from monitor.config import SiteFile, load
from monitor.readings import OperatorAction
from monitor.store import reader
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "target", metavar="TARGET", help="a stage, point, sump, instrument, channel, rule, or one alarm"
    )
    parser.add_argument("--why", default="", help="what is being done there")
    add_end(parser, required=False)
    parser.add_argument("--end", action="store_true", help="it is back in service, before its time")
    parser.add_argument("--by", default="", help="who says so (default: your login)")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone, now_ms = site.plant.site.timezone, MachineClock().now_ms()
    target = _target(site, options.target)
    by, why = plain("--by", options.by) or login(), plain("--why", options.why)
    if options.end:
        action = OperatorAction(now_ms, "in-service", target, by, why)
        return hand_in(site.data_dir, action, target, f"back in service, says {by}")
    if options.lasting is None and options.until is None:
        raise Refused('no maintenance without an end: --for "4 h", --until TIME, or --end')
    if not why:
        raise Refused("--why is missing: what is being done there?")
    until_ms = end_ms(options, zone, now_ms, LONGEST_SERVICE_MS)
    action = OperatorAction(now_ms, "out-of-service", target, by, why, until_ms=until_ms)
    return hand_in(site.data_dir, action, target, f"out of service until {local(until_ms, zone)}, says {by}")


def _target(site: SiteFile, text: str) -> str:
    """What maintenance may be about.

    Raises: Refused naming what there is.
    """
    name, plant = text.partition("#")[0], site.plant
    many = (plant.stage, plant.point, plant.sump, plant.instrument)
    there = [one.id for things in many for one in things]
    there += [*plant.channels, *(rule.settings.id for rule in site.rules)]
    if name in there:
        return name
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        if name in reader.conditions(connection):
            return name
    raise Refused(f'nothing here is called "{name}"; there are: {", ".join(dict.fromkeys(there))}')
