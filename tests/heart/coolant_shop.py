"""A shop whose sumps are known from what people write down, and from meters where a valve tops off."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from monitor.config import SiteFile, load
from monitor.readings import Event, OperatorAction, Sample, Tick
from simulator.hand import Note
from simulator.shop import Shop

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
# Monday 2026-06-01 00:00 UTC
MONDAY_MS = 1_780_272_000_000

_HEAD = """
[site]
id = "hall3"
name = "Example Shop"
timezone = "Europe/Vienna"
data = "data"

[[mail_server]]
id = "office"
host = "127.0.0.1"
security = "none"
sender = "goodwater@shop.example"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{ kind = "email", to = "lead@shop.example", via = "office" }]

[[stage]]
id = "tap"
kind = "tap"
hardness = "270 mg/L"
conductivity = "620 uS/cm"

[[stage]]
id = "loop"
kind = "distribution"

[[point]]
id = "loop-out"
after = "loop"
name = "filling loop"

[[instrument]]
id = "water-test"
name = "hardness test"
point = "loop-out"
expected_interval = "30 days"
wire = { kind = "hand" }

[[instrument.channel]]
id = "water.hardness"
quantity = "hardness"
unit = "mg/L"
range = [0.0, 1000.0]
resolution = 1.0

[[instrument.channel]]
id = "water.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 1.0
compensated = true

[[instrument.channel]]
id = "water.brix"
quantity = "concentration"
unit = "brix"
range = [0.0, 30.0]
resolution = 0.1

[[instrument.channel]]
id = "mixer.brix"
quantity = "concentration"
unit = "brix"
range = [0.0, 30.0]
resolution = 0.1

[[instrument.channel]]
id = "loop.volume"
quantity = "volume"
unit = "L"
range = [0.0, 1000000.0]
resolution = 1.0

[[coolant]]
id = "general"
name = "general coolant"
factor = 1.3
band = ["6 %", "9 %"]
mineral_limit = "600 mg/L"
"""

_SUMP = """
[[sump]]
id = "{id}"
name = "machine {id}"
volume = "{volume_l} L"
surface = "{area_m2} m2"
coolant = "general"
hours_a_week = {hours}

[[instrument]]
id = "{id}-book"
sump = "{id}"
expected_interval = "7 days"
wire = {{ kind = "hand" }}

[[instrument.channel]]
id = "{id}.brix"
quantity = "concentration"
unit = "brix"
range = [0.0, 30.0]
resolution = 0.1

[[instrument.channel]]
id = "{id}.ph"
quantity = "ph"
unit = "pH"
range = [4.0, 12.0]
resolution = 0.1

[[instrument.channel]]
id = "{id}.hardness"
quantity = "hardness"
unit = "mg/L"
range = [0.0, 3000.0]
resolution = 1.0
"""

_METER = """
[[instrument.channel]]
id = "{id}.topoff"
quantity = "volume"
unit = "L"
range = [0.0, 1000000.0]
resolution = 1.0
"""


def sump_text(
    name: str, volume_l: float = 300.0, area_m2: float = 0.8, hours: float = 60.0, *, meter: bool
) -> str:
    """One sump with its book of readings, and its meter where a valve tops off."""
    text = _SUMP.format(id=name, volume_l=volume_l, area_m2=area_m2, hours=hours)
    return text + (_METER.format(id=name) if meter else "")


def small_shop(folder: Path, rules: str, sumps: int = 1) -> SiteFile:
    """A shop of a few like sumps of 300 L without meters."""
    return _loaded(
        folder, _HEAD + "".join(sump_text(f"m{n:02}", meter=False) for n in range(1, sumps + 1)) + rules
    )


def simulated_shop(folder: Path, shop: Shop, rules: str, head: str = _HEAD) -> SiteFile:
    """The simulated shop's sumps as a site file says them."""
    sumps = (
        sump_text(m.name.lower(), m.volume_l, m.area_m2, 40.0 * len(m.shifts), meter=m.topoff == "valve")
        for m in shop.machines
    )
    return _loaded(folder, head + "".join(sumps) + rules)


def _loaded(folder: Path, text: str) -> SiteFile:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def read(channel: str, time_ms: int, value: float) -> OperatorAction:
    """A value that a person read."""
    return OperatorAction(time_ms, "reading", channel, "lead", value=value, told_ms=time_ms)


def done(target: str, time_ms: int, event: str, value: float = 0.0) -> OperatorAction:
    """What a person did."""
    return OperatorAction(time_ms, "event", target, "lead", event=event, value=value)


def of_note(note: Note) -> OperatorAction:
    """A line of the simulated book as the inbox hands it over."""
    sump = note.machine.lower()
    if note.what in ("top-off", "smell", "tramp-oil"):
        return done(sump, note.time_ms, note.what, note.value)
    return read(f"{sump}.{note.what}", note.time_ms, note.value)


def with_hours(events: Iterable[Event], begin_ms: int, end_ms: int, every_h: int = 6) -> list[Event]:
    """These events in order of time, with a tick every few hours between them."""
    ticks: list[Event] = [Tick(at_ms) for at_ms in range(begin_ms, end_ms + 1, every_h * HOUR_MS)]
    return sorted([*ticks, *events], key=_when)


def _when(event: Event) -> tuple[int, bool]:
    at_ms = event.arrival_ms if isinstance(event, Sample) else event.time_ms
    return at_ms, isinstance(event, Tick)
