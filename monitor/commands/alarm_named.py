"""What the commands share that a person does to an alarm: which alarm is meant, how it stands, until when."""

from __future__ import annotations

import argparse
import contextlib

from pydantic import TypeAdapter, ValidationError

from monitor.cli import Refused
from monitor.commands.common import local, parse_time
from monitor.config import SiteFile
from monitor.plant.fields import PositiveDurationMs, shown_duration
from monitor.readings import AlarmState, Transition
from monitor.store import reader
from monitor.store.files import open_reader

_DURATION = TypeAdapter[int](PositiveDurationMs)


def standing(site: SiteFile, text: str) -> Transition:
    """The alarm that `condition` or `condition#occurrence` names, if it stands or is kept back.

    Raises: Refused naming those that do.
    """
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        known = {alarm.condition: alarm for alarm in reader.current_alarms(connection)}
    condition, _, occurrence = text.partition("#")
    alarm = known.get(condition)
    if alarm is None or (occurrence and occurrence != str(alarm.occurrence)):
        there = ", ".join(f"{a.condition}#{a.occurrence}" for a in known.values())
        raise Refused(f'no alarm "{text}" stands; standing: {there or "none"}')
    return alarm


def beneath(alarm: Transition) -> AlarmState:
    """The state it has, or would have if it were not kept back."""
    return alarm.beneath or alarm.state


def add_end(parser: argparse.ArgumentParser, *, required: bool = True) -> None:
    """`--for` or `--until`, one of them."""
    end = parser.add_mutually_exclusive_group(required=required)
    end.add_argument("--for", dest="lasting", metavar="DURATION", help='how long, like "8 h" or "3 days"')
    end.add_argument("--until", metavar="TIME", help="until when, in the shop's time")


def end_ms(options: argparse.Namespace, zone: str, now_ms: int, longest_ms: int) -> int:
    """When it ends.

    Raises: Refused for no time, one that is past, and one beyond the longest there may be.
    """
    if options.lasting is not None:
        asked, until_ms = f"--for {options.lasting}", now_ms + _duration_ms(options.lasting)
    else:
        asked, until_ms = f"--until {options.until}", parse_time(options.until, zone)
    if until_ms <= now_ms:
        raise Refused(f"{asked}: that is past; it is {local(now_ms, zone)} in the shop")
    if until_ms - now_ms > longest_ms:
        raise Refused(f"{asked}: too long; the longest is {shown_duration(longest_ms)}, then ask again")
    return until_ms


def _duration_ms(text: str) -> int:
    try:
        return _DURATION.validate_python(text)
    except ValidationError as error:
        raise Refused(f'--for "{text}": {error.errors()[0]["msg"].removeprefix("Value error, ")}') from None


def kept_back(alarm: Transition, zone: str) -> str:
    """Why an alarm is kept back, for a person; empty when it is not."""
    silence = alarm.silence
    if silence is None:
        return ""
    said = f" ({silence.why})" if silence.why else ""
    if not silence.until_ms:
        return f"by {silence.by}{said}"
    clears = "it clears, at the latest " if silence.once else ""
    return f"by {silence.by or 'somebody'} until {clears}{local(silence.until_ms, zone)}{said}"
