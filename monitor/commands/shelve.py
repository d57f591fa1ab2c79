"""`goodwater shelve SITE ALARM`: it goes on, and nobody is told, until a time that is said."""

from __future__ import annotations

import argparse
import contextlib

from monitor.alarms.silencing import LONGEST_SHELF_MS
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
    parser.add_argument("alarm", metavar="ALARM", help="as `goodwater alarms` names it; or a rule's id")
    parser.add_argument("--why", required=True, help="why nobody needs to be told meanwhile")
    add_end(parser, required=False)
    parser.add_argument(
        "--until-clear", action="store_true", help="until the condition clears; at the latest the other end"
    )
    parser.add_argument("--by", default="", help="who shelves it (default: your login)")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone, now_ms = site.plant.site.timezone, MachineClock().now_ms()
    condition = _condition(site, options.alarm)
    if options.lasting is None and options.until is None:
        if not options.until_clear:
            raise Refused('no shelf without an end: --for "8 h", --until TIME, or --until-clear')
        until_ms = now_ms + LONGEST_SHELF_MS
    else:
        until_ms = end_ms(options, zone, now_ms, LONGEST_SHELF_MS)
    by, why = plain("--by", options.by) or login(), plain("--why", options.why)
    once = options.until_clear
    action = OperatorAction(now_ms, "shelve", condition, by, why, until_ms=until_ms, once=once)
    clears = "it clears, at the latest " if once else ""
    return hand_in(site.data_dir, action, condition, f"shelved by {by} until {clears}{local(until_ms, zone)}")


def _condition(site: SiteFile, text: str) -> str:
    """An alarm there was once, or the id of a rule.

    Raises: Refused naming what there is.
    """
    condition, _, _ = text.partition("#")
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        known = reader.conditions(connection)
    rules = [rule.settings.id for rule in site.rules]
    if condition in known or condition in rules:
        return condition
    there = ", ".join(dict.fromkeys([*known, *rules])) or "none"
    raise Refused(f'no alarm and no rule "{condition}"; there are: {there}')
