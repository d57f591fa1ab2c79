"""`goodwater log SITE CHANNEL VALUE`, `... SUBJECT EVENT [AMOUNT]`: what a person read, or did."""

from __future__ import annotations

import argparse
import math

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site, hand_in, local, login, parse_time, plain
from monitor.config import SiteFile, load
from monitor.plant.events import amount_of, shown_amount
from monitor.plant.model import Channel
from monitor.plant.units import UnitError, scale_between, shown_unit, split_measure
from monitor.readings import OperatorAction

# Beyond this a date is mistyped: nobody types in what was read years ago one by one.
_OLDEST_DAYS = 400
_DAY_MS = 86_400_000


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "subject",
        metavar="SUBJECT",
        help="a channel that is read by hand, or a stage, sump, coolant or instrument",
    )
    parser.add_argument(
        "what", metavar="WHAT", help='the value, 12.4 or "12.4 ppm"; or what was done, like resin-change'
    )
    parser.add_argument(
        "amount", metavar="AMOUNT", nargs="?", help='how much of what was done: top-off "20 L", smell 2'
    )
    parser.add_argument("--at", metavar="TIME", help="when, in the shop's time (default: now)")
    parser.add_argument("--by", default="", help="who (default: your login; a role will do)")
    parser.add_argument("--comment", default="", help="what else there is to say")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    now_ms = MachineClock().now_ms()
    at_ms = _when(options.at, site.plant.site.timezone, now_ms)
    by = plain("--by", options.by) or login()
    comment = plain("--comment", options.comment)
    if options.what[:1].isalpha():
        target, event = _target(site, options.subject), _event(options.what)
        amount = _amount(event, options.amount)
        action = OperatorAction(at_ms, "event", target, by, comment, event=event, value=amount)
        told = f"{event} of {target} {shown_amount(event, amount)}".rstrip()
    else:
        if options.amount is not None:
            raise Refused(f'"{options.amount}" is one word too many; a value and its unit go in quotes')
        channel = _channel(site, options.subject)
        value = _value(channel, options.what)
        action = OperatorAction(at_ms, "reading", channel.id, by, comment, value=value, told_ms=now_ms)
        told = f"{site.plant.span_words(channel.id)} {value:g} {shown_unit(channel.unit)}".rstrip()
    told = f"{told}, {local(at_ms, site.plant.site.timezone)}"
    return hand_in(site.data_dir, action, told, f"logged by {by}")


def _when(text: str | None, zone: str, now_ms: int) -> int:
    if text is None:
        return now_ms
    at_ms = parse_time(text, zone)
    if at_ms > now_ms:
        raise Refused(f"--at {text}: that is still to come; it is {local(now_ms, zone)} in the shop")
    if now_ms - at_ms > _OLDEST_DAYS * _DAY_MS:
        raise Refused(f"--at {text}: more than {_OLDEST_DAYS} days ago; longer records come as logger files")
    return at_ms


def _channel(site: SiteFile, name: str) -> Channel:
    by_hand = {c.id: c for i in site.plant.instrument if i.wire.kind == "hand" for c in i.channel}
    if name in by_hand:
        return by_hand[name]
    there = ", ".join(by_hand) or 'none (give its instrument wire = { kind = "hand" })'
    if name in site.plant.channels:
        raise Refused(f'channel "{name}" is read from a wire; read by hand are: {there}')
    raise Refused(f'no channel "{name}" in {site.path}; read by hand are: {there}')


def _value(channel: Channel, text: str) -> float:
    """The value in the channel's own unit."""
    try:
        value = float(text)
    except ValueError:
        value = _measured(channel, text)
    low, high = channel.range
    if not math.isfinite(value) or not low <= value <= high:
        shown = f"{low:g} to {high:g} {shown_unit(channel.unit)}".rstrip()
        raise Refused(f"{channel.id}: {value:g} is outside what this instrument can show, {shown}")
    return value


def _measured(channel: Channel, text: str) -> float:
    try:
        number, unit = split_measure(text)
        return scale_between(unit, channel.unit).apply(number)
    except UnitError as error:
        raise Refused(f'{channel.id}: {error}; write 12.4, or "12.4 {channel.unit}"') from None


def _target(site: SiteFile, name: str) -> str:
    plant = site.plant
    known = [one.id for many in (plant.stage, plant.sump, plant.coolant, plant.instrument) for one in many]
    if name not in known:
        raise Refused(
            f'no stage, sump, coolant or instrument "{name}" in {site.path}; there are: {", ".join(known)}'
        )
    return name


def _event(name: str) -> str:
    if not name.replace("-", "").isalnum() or name != name.lower() or not name.isascii() or len(name) > 60:
        raise Refused(f'event "{name}": small letters, digits and hyphens, like resin-change')
    return name


def _amount(event: str, text: str | None) -> float:
    try:
        return amount_of(event, text)
    except ValueError as error:
        raise Refused(str(error)) from None
