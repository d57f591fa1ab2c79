"""A small train for the tests of the heart, and the events that happen to it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from monitor.config import SiteFile, load
from monitor.readings import Event, OperatorAction, Reading, Sample, Status, Tick, Transition
from monitor.watch import Effects, Watch, WatchState

# 2026-06-01 06:00 UTC, a whole minute
START_MS = 1_780_293_600_000
MINUTE = 60_000

SITE = """
[site]
id = "shop"
name = "Example Shop"
timezone = "Europe/Vienna"
data = "data"

[[broker]]
id = "hall"
host = "127.0.0.1"

[[mail_server]]
id = "office"
host = "127.0.0.1"
security = "none"
sender = "goodwater@shop.example"

[[stage]]
id = "tap"
kind = "tap"

[[stage]]
id = "ro"
kind = "ro"
name = "RO"

[[stage]]
id = "di"
kind = "di"
name = "DI bed"

[[point]]
id = "permeate"
after = "ro"
name = "RO permeate"

[[point]]
id = "di-out"
after = "di"
name = "DI outlet"

[[instrument]]
id = "ro-node"
point = "permeate"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "ro"
payload = { kind = "json", values = { "ro.flow" = "/f", "ro.ec" = "/e", "ro.t" = "/t" } }

[[instrument.channel]]
id = "ro.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 20.0]
resolution = 0.1

[[instrument.channel]]
id = "ro.t"
quantity = "temperature"
unit = "degC"
range = [0.0, 60.0]
resolution = 0.1

[[instrument.channel]]
id = "ro.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
compensated = false
compensation = "linear"
alpha = "2 %"
temperature = "ro.t"
gate = { flow = "ro.flow", above = "0.5 L/min", litres = "10 L", minutes = "3 min" }

[[instrument]]
id = "di-meter"
name = "DI meter"
point = "di-out"
expected_interval = "1 min"
wire = { kind = "mqtt", broker = "hall", topic = "di", payload = { kind = "number" } }

[[instrument.channel]]
id = "di.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
accuracy = { absolute = "1 uS/cm" }
compensated = true

[[rule]]
kind = "limit"
id = "di-high"
channel = "di.ec"
above = "20 uS/cm"
deadband = "4 uS/cm"
on_delay = "2 min"
off_delay = "3 min"
priority = "high"

[[rule]]
kind = "limit"
id = "ro-high"
channel = "ro.ec"
above = "30 uS/cm"

[[rule]]
kind = "silent"
id = "silent"
priority = "low"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{ kind = "email", to = "lead@shop.example", via = "office" }]

[[person]]
id = "deputy"
name = "Deputy"
priorities = ["high"]
way = [{ kind = "email", to = "deputy@shop.example", via = "office" }]
"""


def site(folder: Path, text: str = SITE) -> SiteFile:
    """The site file as `load` reads it."""
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


class Heart:
    """A watch with its state, stepped by a test."""

    def __init__(self, site_file: SiteFile) -> None:
        self.plant = site_file.plant
        self.watch = Watch(site_file.plant, site_file.rules)
        self.state = WatchState()
        self.effects = Effects()

    def see(self, *events: Event) -> Effects:
        """Step through events; what they did, alone."""
        new = Effects()
        self.state = self.watch.run(self.state, events, new)
        for name in ("events", "readings", "transitions", "notices", "counts", "moved_back"):
            getattr(self.effects, name).extend(getattr(new, name))
        return new

    def reading(self, sample: Sample) -> Reading:
        """Step through one sample; the reading it became."""
        ((_, reading),) = self.see(sample).readings
        return reading

    @property
    def transitions(self) -> list[Transition]:
        return [transition for _, transition in self.effects.transitions]

    def story(self, condition: str) -> list[tuple[str, float]]:
        """What happened to one alarm: cause, and minutes since the start."""
        return [
            (t.cause, (t.time_ms - START_MS) / MINUTE) for t in self.transitions if t.condition == condition
        ]


def sample(channel: str, minute: float, value: float, **more: Any) -> Sample:
    """A sample taken at a minute since the start, arriving at once, with its own time."""
    at = START_MS + round(minute * MINUTE)
    more = {"time_ms": at, "arrival_ms": at} | more
    return Sample(channel=channel, value=value, **more)


def timeless(channel: str, minute: float, value: float, status: Status = Status.OK) -> Sample:
    """A sample without a time of its own."""
    return Sample(channel, value, START_MS + round(minute * MINUTE), None, status)


def tick(minute: int) -> Tick:
    return Tick(START_MS + minute * MINUTE)


def acknowledge(minute: float, target: str, by: str = "lead") -> OperatorAction:
    return OperatorAction(START_MS + round(minute * MINUTE), "acknowledge", target, by)


def di(values: Iterable[tuple[float, float]]) -> list[Event]:
    """Samples of the DI meter: (minute, value)."""
    return [sample("di.ec", minute, value) for minute, value in values]
