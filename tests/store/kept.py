"""A store of the small shop with readings in it, for the tests of what the store does for itself."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

from monitor.plant.message_ids import message_id
from monitor.plant.model import Plant
from monitor.readings import Bound, Reading, Reason, Standing
from monitor.store.rollup import Rollups
from monitor.store.writer import Batch, Writer
from tests.heart.shop import SITE as SITE
from tests.heart.shop import START_MS, site

HOUR = 3_600_000
DAY = 24 * HOUR
# 2026-06-01 00:00 UTC, so that hours and days are whole
MIDNIGHT = START_MS - 6 * HOUR
FAST_SITE = SITE.replace(
    'point = "di-out"\nexpected_interval = "1 min"', 'point = "di-out"\nexpected_interval = "10 s"'
)


def reading(
    channel: str, time_ms: int, value: float, standing: Standing = Standing.JUDGED, **more: Any
) -> Reading:
    known: dict[str, Any] = {
        "arrival_ms": time_ms, "raw": value, "reasons": Reason.NONE, "bound": Bound.EXACT,
    }  # fmt: skip
    return Reading(channel=channel, time_ms=time_ms, value=value, standing=standing, **(known | more))


def minutely(channel: str, hours: float, from_ms: int = MIDNIGHT) -> list[Reading]:
    return [
        reading(channel, from_ms + n * 60_000 + 7, 5.0 + n * 7919 % 100 / 10) for n in range(int(hours * 60))
    ]


@cache
def plant_of(text: str) -> Plant:
    with tempfile.TemporaryDirectory() as folder:
        return site(Path(folder), text).plant


class Kept:
    """The store, its rollups, and every reading that was put into it."""

    def __init__(self, folder: Path, text: str = FAST_SITE, *, quick: bool = False) -> None:
        self.plant = plant_of(text)
        self.data = folder / "data"
        self.data.mkdir(exist_ok=True)
        self.writer = Writer(self.data, MIDNIGHT, partial(message_id, site_id="shop"))
        if quick:  # many stores that nobody kills
            self.writer.connection.execute("pragma synchronous = off")
        self.rollups = Rollups(self.plant)
        self.rollups.begin(self.writer.connection)
        self.readings: dict[tuple[str, int], Reading] = {}
        self.seq = 0

    def store(self, readings: Iterable[Reading], **more: Any) -> None:
        """Commit readings as one batch; of two at the same time the first is kept, as in the store."""
        numbered = []
        for one in readings:
            self.seq += 1
            numbered.append((self.seq, one))
            self.readings.setdefault((one.channel, one.time_ms), one)
        self.writer.commit(Batch(MIDNIGHT, readings=numbered, **more))

    def sum_up(self, now_ms: int) -> int:
        """Sum up all that is due by then; how many transactions it took."""
        steps = 0
        while self.rollups.step(self.writer.connection, now_ms, 0.02):
            steps += 1
        return steps

    def of(self, channel: str, from_ms: int = 0, to_ms: int = 2**62) -> list[Reading]:
        return [r for (name, at), r in self.readings.items() if name == channel and from_ms <= at < to_ms]

    def rows(self, statement: str, *values: Any) -> list[tuple[Any, ...]]:
        return [tuple(row) for row in self.writer.connection.execute(statement, values)]


@contextlib.contextmanager
def kept(folder: Path, text: str = FAST_SITE, *, quick: bool = False) -> Iterator[Kept]:
    one = Kept(folder, text, quick=quick)
    try:
        yield one
    finally:
        one.writer.close()
