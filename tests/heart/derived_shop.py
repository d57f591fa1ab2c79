"""A shop with channels and derived channels of a test's own, beside the train of `shop.py`."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from monitor.readings import OperatorAction, Reading
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, site

REFERENCE = Path(__file__).parents[1] / "reference"

_USUAL: dict[str, dict[str, str]] = {
    "conductivity": {"unit": '"uS/cm"', "compensated": "true"},
    "tds": {"unit": '"mg/L"', "tds_scale": '"natural"'},
    "temperature": {"unit": '"degC"'},
    "flow": {"unit": '"L/min"'},
    "volume": {"unit": '"L"', "counter": "{}"},
    "level": {"unit": '"mm"'},
    "pressure": {"unit": '"bar"'},
    "contact": {"unit": '"1"'},
}
_ALWAYS = {"range": "[-1000, 1000000]", "resolution": "0.01", "flat_after": '"300 days"'}

SUMP = """
[[sump]]
id = "m01"
volume = "180 L"
surface = "0.72 m2"
"""


def text(derived: str, *, place: str = 'point = "permeate"', interval: str = "1 min", **channels: str) -> str:
    """A site file's text; `channels` are ids (`_` for `.`) with their quantity, and keys of their own behind
    it, a line each, that take the place of the usual ones."""
    parts = [SITE, SUMP]
    for name, asked in channels.items():
        quantity, _, own = asked.partition(";")
        keys = _ALWAYS | _USUAL[quantity]
        if quantity != "contact":
            keys["jump"] = f'"100000 {keys["unit"].strip(chr(34))}"'
        keys |= dict(line.split(" = ", 1) for line in own.splitlines())
        parts.append(f"""
[[instrument]]
id = "{name}-meter"
{place}
expected_interval = "{interval}"
wire = {{ kind = "mqtt", broker = "hall", topic = "{name}", payload = {{ kind = "number" }} }}

[[instrument.channel]]
id = "{name.replace("_", ".")}"
quantity = "{quantity}"
""")
        parts += [f"{key} = {value}\n" for key, value in keys.items()]
    return "".join(parts) + derived


def shop(tmp_path: Path, derived: str, *, place: str = 'point = "permeate"', **channels: str) -> Heart:
    return Heart(site(tmp_path, text(derived, place=place, **channels)))


def of(heart: Heart, channel: str) -> list[Reading]:
    """All readings of a channel so far."""
    return [reading for _, reading in heart.effects.readings if reading.channel == channel]


def last(heart: Heart, channel: str) -> Reading:
    return of(heart, channel)[-1]


def done(minute: float, event: str, target: str) -> OperatorAction:
    """Something was done to the plant at a minute since the start."""
    return OperatorAction(START_MS + round(minute * MINUTE), "event", target, "lead", event=event)


def cases(name: str, *quantities: str) -> Iterator[tuple[str, dict[str, Any], Any]]:
    """The published cases of these quantities in tests/reference/NAME_open.csv: quantity, inputs, value."""
    with (REFERENCE / f"{name}_open.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["quantity"] in quantities:
                value = row["value"]
                yield row["quantity"], json.loads(row["inputs"]), value if value.isupper() else float(value)
