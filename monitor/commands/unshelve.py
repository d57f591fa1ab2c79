"""`goodwater unshelve SITE ALARM`: if its condition is still there, it speaks again at once."""

from __future__ import annotations

import argparse

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.alarm_named import standing
from monitor.commands.common import add_site, hand_in, login, plain
from monitor.config import load
from monitor.readings import AlarmState, OperatorAction


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("alarm", metavar="ALARM", help="as `goodwater alarms` names it, e.g. di-high#3")
    parser.add_argument("--by", default="", help="who takes it from the shelf (default: your login)")
    parser.add_argument("--comment", default="", help="what there is to say")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    alarm = standing(site, options.alarm)
    target = f"{alarm.condition}#{alarm.occurrence}"
    if alarm.silence is None:
        raise Refused(f"{target} is not shelved, it is {alarm.state.value}")
    by = plain("--by", options.by) or login()
    comment = plain("--comment", options.comment)
    action = OperatorAction(MachineClock().now_ms(), "unshelve", target, by, comment)
    done = f"taken from the shelf by {by}"
    if alarm.state is not AlarmState.SHELVED:
        done += f"; it stays {alarm.state.value}, by {alarm.silence.by}"
    return hand_in(site.data_dir, action, target, done)
