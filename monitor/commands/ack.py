"""`goodwater ack SITE ALARM`."""

from __future__ import annotations

import argparse
import contextlib
import getpass
import time

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site
from monitor.config import load
from monitor.readings import AlarmState, OperatorAction
from monitor.store import inbox, reader
from monitor.store.files import holder, open_inbox, open_reader

_WAIT_S = 5.0


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
    by = _plain("--by", options.by) or _login()
    comment = _plain("--comment", options.comment)
    action = OperatorAction(MachineClock().now_ms(), "acknowledge", target, by, comment)
    with contextlib.closing(open_inbox(site.data_dir)) as connection:
        number = inbox.put(connection, action)
        if holder(site.data_dir) is None:
            print(f"{target}: noted; it takes effect when the watch runs again")
            return 0
        end = time.monotonic() + _WAIT_S
        while time.monotonic() < end:
            if inbox.taken(connection, number):
                print(f"{target}: acknowledged by {by}")
                return 0
            time.sleep(0.05)
    print(f"{target}: noted, but the watch has not taken it up yet (see `goodwater status`)")
    return 1


def _login() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without a name, as in containers
        raise Refused("your login has no name here: say who acknowledges with --by NAME") from None


def _plain(option: str, text: str) -> str:
    """A text from the command line, if it is one."""
    try:
        text.encode()
    except UnicodeEncodeError:
        raise Refused(f"{option} is not UTF-8 text") from None
    return text
