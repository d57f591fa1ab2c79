"""`goodwater ack SITE ALARM`."""

from __future__ import annotations

import argparse
import contextlib

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site, hand_in, login, plain
from monitor.config import load
from monitor.readings import AlarmState, OperatorAction
from monitor.store import reader
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("alarm", metavar="ALARM", help="as `goodwater alarms` names it, e.g. di-high#3")
    parser.add_argument("--by", default="", help="who acknowledges (default: your login)")
    parser.add_argument("--comment", default="", help="what was found or done")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        standing = {alarm.condition: alarm for alarm in reader.current_alarms(connection)}
    condition, _, occurrence = options.alarm.partition("#")
    alarm = standing.get(condition)
    if alarm is None or (occurrence and occurrence != str(alarm.occurrence)):
        known = ", ".join(f"{a.condition}#{a.occurrence}" for a in standing.values())
        raise Refused(f'no alarm "{options.alarm}" stands; standing: {known or "none"}')
    if alarm.state == AlarmState.ACKNOWLEDGED:
        print(f"{condition}#{alarm.occurrence} is acknowledged already, by {alarm.by}")
        return 0
    target = f"{condition}#{alarm.occurrence}"
    by = plain("--by", options.by) or login()
    comment = plain("--comment", options.comment)
    action = OperatorAction(MachineClock().now_ms(), "acknowledge", target, by, comment)
    return hand_in(site.data_dir, action, target, f"acknowledged by {by}")
