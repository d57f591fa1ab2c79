"""`goodwater ack SITE ALARM`."""

from __future__ import annotations

import argparse

from monitor.clock import MachineClock
from monitor.commands.alarm_named import beneath, standing
from monitor.commands.common import add_site, hand_in, login, plain
from monitor.config import load
from monitor.readings import AlarmState, OperatorAction

_ALREADY = frozenset({AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("alarm", metavar="ALARM", help="as `goodwater alarms` names it, e.g. di-high#3")
    parser.add_argument("--by", default="", help="who acknowledges (default: your login)")
    parser.add_argument("--comment", default="", help="what was found or done")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    alarm = standing(site, options.alarm)
    target = f"{alarm.condition}#{alarm.occurrence}"
    if beneath(alarm) in _ALREADY:
        print(f"{target} is acknowledged already{f', by {alarm.by}' if alarm.by else ''}")
        return 0
    by = plain("--by", options.by) or login()
    comment = plain("--comment", options.comment)
    action = OperatorAction(MachineClock().now_ms(), "acknowledge", target, by, comment)
    return hand_in(site.data_dir, action, target, f"acknowledged by {by}")
