"""A softener with all that can watch it, for the tests of the rules `softener` and `filter`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.readings import OperatorAction, Sample
from tests.heart.shop import SITE, Heart, site

STAGES = """
[[stage]]
id = "tap"
kind = "tap"
hardness = "230 mg/L"

[[stage]]
id = "sediment"
kind = "sediment-filter"
name = "Prefilter"

[[stage]]
id = "carbon"
kind = "carbon"
name = "Carbon"

[[stage]]
id = "softener"
kind = "softener"
name = "Softener"
resin = "28 L"
salt = "3.4 kg"
regeneration = "metered"

[[stage]]
id = "ro"
kind = "ro"
name = "RO"
recovery = "60 %"
"""
POINTS = """
[[point]]
id = "filtered"
after = "sediment"

[[point]]
id = "carbon-out"
after = "carbon"

[[point]]
id = "soft"
after = "softener"
name = "softener outlet"
"""
METERS = """
[[instrument]]
id = "test-kit"
name = "test kit"
point = "soft"
expected_interval = "7 d"
wire = { kind = "hand" }

[[instrument.channel]]
id = "soft.hardness"
quantity = "hardness"
unit = "mg/L"
range = [0.0, 1000.0]
resolution = 1.0

[[instrument.channel]]
id = "raw.hardness"
quantity = "hardness"
unit = "mg/L"
point = "carbon-out"
range = [0.0, 1000.0]
resolution = 1.0

[[instrument]]
id = "chlorine-kit"
point = "carbon-out"
expected_interval = "7 d"
wire = { kind = "hand" }

[[instrument.channel]]
id = "carbon.free"
quantity = "chlorine"
unit = "mg/L"
range = [0.0, 10.0]
resolution = 0.05

[[instrument.channel]]
id = "carbon.total"
quantity = "chlorine"
unit = "mg/L"
range = [0.0, 10.0]
resolution = 0.05

[[instrument]]
id = "stick"
point = "soft"
expected_interval = "24 h"
wire = { kind = "hand" }

[[instrument.channel]]
id = "brine.stick"
quantity = "level"
unit = "mm"
range = [0.0, 1000.0]
resolution = 10.0

[[instrument]]
id = "soft-node"
point = "soft"
expected_interval = "30 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "soft"

[instrument.wire.payload]
kind = "json"
values."soft.litres" = "/v"
values."soft.regenerating" = "/r"
values."brine.mm" = "/s"
values."sediment.drop" = "/d"
values."soft.flow" = "/f"

[[instrument.channel]]
id = "soft.litres"
quantity = "volume"
unit = "L"
range = [0.0, 1e9]
resolution = 1.0
counter = { rolls_over_at = 1000000000, largest_flow = "60 L/min" }

[[instrument.channel]]
id = "soft.regenerating"
quantity = "contact"
unit = "1"
range = [0.0, 1.0]
resolution = 1.0

[[instrument.channel]]
id = "brine.mm"
quantity = "level"
unit = "mm"
range = [0.0, 1000.0]
resolution = 1.0
accuracy = { absolute = "6 mm" }
flat_after = "60 d"

[[instrument.channel]]
id = "sediment.drop"
quantity = "pressure"
unit = "bar"
point = "filtered"
range = [0.0, 6.0]
resolution = 0.01

[[instrument.channel]]
id = "soft.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 60.0]
resolution = 0.1
"""


def text_of(rules: str, *, stages: str = STAGES) -> str:
    """The heart's small train with a softener ahead of it, and these rules alone."""
    tap_to_di, rest = SITE.split('[[stage]]\nid = "tap"', 1)
    di = '[[stage]]\nid = "di"' + rest.split('[[stage]]\nid = "di"', 1)[1]
    head, tail = di.split("[[rule]]", 1)
    people = tail[tail.index("[[person]]") :]
    return tap_to_di + stages + head + POINTS + METERS + rules + "\n" + people


def heart(tmp_path: Path, rules: str, **more: Any) -> Heart:
    return Heart(site(tmp_path, text_of(rules, **more)))


def seen(channel: str, at_ms: int, value: float) -> Sample:
    """A value of a wire."""
    return Sample(channel=channel, value=value, arrival_ms=at_ms, time_ms=at_ms)


def read(channel: str, at_ms: int, value: float, told_ms: int = 0) -> OperatorAction:
    """A value that somebody read and handed in."""
    return OperatorAction(at_ms, "reading", channel, "shift", value=value, told_ms=told_ms or at_ms)


def done(event: str, stage: str, at_ms: int, amount: float = 0.0) -> OperatorAction:
    """What somebody logged."""
    return OperatorAction(at_ms, "event", stage, "shift", event=event, value=amount)
