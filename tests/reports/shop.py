"""A shop for the tests of the digest, and weeks of readings, written as the watch writes them."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from monitor.plant.model import Plant
from monitor.readings import (
    AlarmState,
    Cause,
    OperatorAction,
    Priority,
    Reading,
    Reason,
    Standing,
    Tick,
    Transition,
)
from monitor.reports.figures import Digest
from monitor.reports.gather import gather
from monitor.reports.sumps import Accounts
from monitor.reports.week import Week
from monitor.store.writer import Batch
from tests.store.kept import Kept, reading

ZONE = "Europe/Vienna"
WEEK = Week.parse("2031-W07", ZONE)
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000

SITE = """
[site]
id = "north"
name = "North hall"
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

[[coolant]]
id = "mix"
mineral_limit = "500 mg/L"

[[sump]]
id = "m01"
name = "lathe 1"
volume = "300 L"
surface = "0.7 m2"
coolant = "mix"

[[instrument]]
id = "permeate-meter"
name = "permeate meter"
point = "permeate"
expected_interval = "20 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "ro"
payload = { kind = "json", values = { "ro.flow" = "/f", "ro.total" = "/n", "ro.battery" = "/b" } }

[[instrument.channel]]
id = "ro.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 20.0]
resolution = 0.1

[[instrument.channel]]
id = "ro.total"
quantity = "volume"
unit = "L"
range = [0.0, 1000000.0]
resolution = 1.0
counter = { largest_flow = "20 L/min" }

[[instrument.channel]]
id = "ro.battery"
quantity = "fraction"
unit = "percent"
range = [0.0, 100.0]
resolution = 1.0

[[instrument]]
id = "di-meter"
name = "DI meter"
point = "di-out"
expected_interval = "20 min"
calibrate_every = "365 days"
wire = { kind = "mqtt", broker = "hall", topic = "di", payload = { kind = "number" } }

[[instrument.channel]]
id = "di.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
accuracy = { absolute = "0.3 uS/cm" }
compensated = true
gate = { flow = "ro.flow", above = "0.5 L/min", litres = "10 L" }
calibration = [{ since = 2030-09-01 }]

[[instrument]]
id = "di-display"
name = "DI display"
point = "di-out"
expected_interval = "20 min"
wire = { kind = "mqtt", broker = "hall", topic = "di2", payload = { kind = "number" } }

[[instrument.channel]]
id = "di2.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
accuracy = { absolute = "0.3 uS/cm" }
compensated = true

[[instrument]]
id = "pen"
name = "hand meter"
point = "di-out"
expected_interval = "84 h"
wire = { kind = "hand" }

[[instrument.channel]]
id = "pen.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 0.1
accuracy = { absolute = "0.3 uS/cm" }
compensated = true

[[instrument]]
id = "brix"
name = "refractometer"
sump = "m01"
expected_interval = "24 h"
wire = { kind = "hand" }

[[instrument.channel]]
id = "m01.brix"
quantity = "concentration"
unit = "brix"
range = [0.0, 30.0]
resolution = 0.1

[[derived]]
kind = "litres"
id = "di.litres"
counter = "ro.total"
point = "di-out"
since = "resin-change"
stage = "di"

[[rule]]
kind = "limit"
id = "di-high"
channel = "di.ec"
above = "20 uS/cm"
priority = "high"

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
digest = true
way = [{ kind = "email", to = "deputy@shop.example", via = "office" }]
"""


class Shop:
    """The shop's store, filled as a test says."""

    def __init__(self, store: Kept) -> None:
        self.store = store

    @property
    def plant(self) -> Plant:
        return self.store.plant

    def said(
        self,
        channel: str,
        week: Week,
        value: Callable[[int], float] = lambda n: 2.0 + n % 3 / 10,
        *,
        every_ms: int = 20 * MINUTE,
        but: Iterable[tuple[float, float]] = (),
        reasons: Callable[[int], Reason] = lambda n: Reason.NONE,
    ) -> None:
        """A channel speaks for a week; `value(n)` is the n-th, `but` spans of silence in its hours."""
        made: list[Reading] = []
        for n in range((week.to_ms - week.from_ms) // every_ms):
            at_ms = week.from_ms + n * every_ms + 7
            hours = (at_ms - week.from_ms) / HOUR
            if not any(a <= hours < b for a, b in but):
                made.append(reading(channel, at_ms, value(n), Standing.JUDGED, reasons=reasons(n)))
        self.store.store(made)

    def well(self, *weeks: Week) -> None:
        """All channels on a wire speak, and the watch is kept."""
        for week in weeks:
            self.ticks(week.from_ms, week.to_ms)
            self.said("di.ec", week)
            self.said("di2.ec", week, lambda n: 2.1 + n % 3 / 10)
            self.said("ro.flow", week, lambda n: 2.0)
            litres = (week.from_ms - WEEK.earlier(8).from_ms) // MINUTE * 2
            self.said("ro.total", week, lambda n, litres=litres: litres + n * 40.0)
            self.said("ro.battery", week, lambda n: 87.0)

    def ticks(self, from_ms: int, to_ms: int, every_ms: int = 5 * MINUTE) -> None:
        self.store.writer.commit(
            Batch(from_ms, events=[(self._seq(), Tick(at)) for at in range(from_ms, to_ms, every_ms)])
        )

    def told(self, at_ms: int, event: str, target: str, value: float = 0.0) -> None:
        action = OperatorAction(at_ms, "event", target, "lead", event=event, value=value)
        self.store.writer.commit(Batch(at_ms, events=[(self._seq(), action)]))

    def by_hand(self, channel: str, *at: tuple[int, float]) -> None:
        self.store.store([reading(channel, time_ms, value) for time_ms, value in at])

    def alarm(
        self,
        at_ms: int,
        cause: Cause = "raised",
        *,
        condition: str = "di-high",
        occurrence: int = 1,
        step: int = 1,
        state: AlarmState = AlarmState.UNACKNOWLEDGED,
        priority: Priority = "high",
    ) -> None:
        made = Transition(
            condition, occurrence, step, cause, state, at_ms, at_ms, priority, "limit", "di.ec", 0.97, {}
        )
        self.store.writer.commit(Batch(at_ms, transitions=[(self._seq(), made)]))

    def _seq(self) -> int:
        self.store.seq += 1
        return self.store.seq

    def digest(self, week: Week = WEEK, accounts: Accounts | None = None) -> Digest:
        """The figures, once all hours are summed up."""
        self.store.sum_up(week.to_ms + DAY)
        return self.as_it_is(week, accounts)

    def as_it_is(self, week: Week = WEEK, accounts: Accounts | None = None) -> Digest:
        """The figures with whatever is summed up."""
        return gather(
            self.store.writer.connection,
            self.plant,
            week,
            made_ms=week.due_ms,
            first_line=lambda t: f"{t.subject} {t.condition}",
            accounts=accounts or {},
        )


@contextlib.contextmanager
def shop(folder: Path, text: str = SITE) -> Iterator[Shop]:
    store = Kept(folder, text, quick=True)
    try:
        yield Shop(store)
    finally:
        store.writer.close()
