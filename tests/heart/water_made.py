"""The small train with contacts and a tank beside it, and days on which it makes water."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from monitor.readings import Event
from tests.heart.shop import SITE, Heart, sample, site, tick

GATE = 'gate = { flow = "ro.flow", above = "0.5 L/min", litres = "10 L", minutes = "3 min" }'
WITNESSES = """
[[instrument]]
id = "plant-node"
point = "permeate"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "p"
payload = { kind = "json", values = { "ro.run" = "/r", "tank.level" = "/l" } }

[[instrument.channel]]
id = "ro.run"
quantity = "contact"
unit = "1"
range = [0, 1]
resolution = 1

[[instrument.channel]]
id = "tank.level"
quantity = "level"
unit = "mm"
range = [0, 1000]
resolution = 1
"""


def text(gate: str = GATE, rules: str = "") -> str:
    """The small train with another gate at the RO's permeate, which its meter compensates itself."""
    changed = SITE.replace(GATE, gate).replace(
        'compensated = false\ncompensation = "linear"\nalpha = "2 %"\ntemperature = "ro.t"',
        "compensated = true",
    )
    return changed.replace("[[rule]]", WITNESSES + "\n[[rule]]", 1) + rules


def without_rules(toml: str = SITE) -> str:
    """The small train with none of its own rules."""
    return toml[: toml.index("[[rule]]")] + toml[toml.index("[[person]]") :]


def shop(folder: Path, gate: str = GATE, rules: str = "") -> Heart:
    return Heart(site(folder, text(gate, rules)))


def day(
    number: int,
    ec: float,
    *,
    di: float = 0.5,
    dead: bool = False,
    hours: tuple[int, ...] = (2, 4, 6),
    seed: int = 1,
) -> Iterator[Event]:
    """A day with some runs of an hour; standing water grows saltier, fresh water washes it away."""
    chance = random.Random(f"{seed} {number}")
    for minute in range(90, 8 * 60, 3):
        at = number * 1440 + minute
        since = min((minute - 60 * h for h in hours if minute >= 60 * h), default=10_000)
        runs = since < 60
        stood = min(max(since - 60, 0), 120)
        salt = ec + 60 * 0.3**since if runs else ec + 50 * stood / 120 if since < 10_000 else ec + 50
        yield sample("ro.flow", at, 0.0 if dead or not runs else 4.0)
        yield sample("ro.run", at + 0.1, float(runs))
        yield sample("tank.level", at + 0.2, 400 + round(chance.gauss(0, 0.5)) + (since * 2 if runs else 0))
        yield sample("ro.ec", at + 0.3, round(salt * (1 + chance.gauss(0, 0.01)), 1))
        leached = di + (0 if runs else 1.5)
        yield sample("di.ec", at + 0.4, round(leached * (1 + chance.gauss(0, 0.01)), 1))
        yield tick(at + 1)


def days(first: int, last: int, ec: float, **more: object) -> Iterator[Event]:
    for number in range(first, last):
        yield from day(number, ec, **more)  # type: ignore[arg-type]  # keywords of `day`
