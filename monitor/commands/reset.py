"""`goodwater reset SITE ALARM`: a latched alarm is over, and somebody has looked at it."""

from __future__ import annotations

import argparse

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.alarm_named import beneath, standing
from monitor.commands.common import add_site, hand_in, login, plain
from monitor.config import load
from monitor.readings import AlarmState, OperatorAction


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("alarm", metavar="ALARM", help="as `goodwater alarms` names it, e.g. di-high#3")
    parser.add_argument("--by", default="", help="who resets it (default: your login)")
    parser.add_argument("--comment", default="", help="what was found or done")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    alarm = standing(site, options.alarm)
    target, state = f"{alarm.condition}#{alarm.occurrence}", beneath(alarm)
    if state is AlarmState.LATCHED_UNACKNOWLEDGED:
        raise Refused(f"{target} is not acknowledged yet: goodwater ack comes first")
    if state is not AlarmState.LATCHED_ACKNOWLEDGED:
        raise Refused(f"{target} is {state.value}: only a latched alarm whose condition is gone is reset")
    by = plain("--by", options.by) or login()
    comment = plain("--comment", options.comment)
    action = OperatorAction(MachineClock().now_ms(), "reset", target, by, comment)
    return hand_in(site.data_dir, action, target, f"reset by {by}")
