"""A year of a reading a minute from 60 channels: bytes, upkeep, trends, backup, retention.

Every reading goes through the writer in the order a shop sends them, a thousand a batch; the store's own work
is done between batches, as in the watch. What is promised is asserted, everything else is reported.
"""

from __future__ import annotations

import math
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from monitor.config import SiteFile
from monitor.plant.message_ids import message_id
from monitor.readings import Bound, Reading, Reason, Standing, Tick
from monitor.store.backup import back_up
from monitor.store.files import STORE, open_reader
from monitor.store.settings import RetentionSettings
from monitor.store.trend import trend
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Batch, Writer
from tests.heart.shop import SITE, START_MS, site
from tests.long import result

DAYS = 365
CHANNELS = 60
POINTS = 1_000
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
BATCH = 1_000
PROMISED_RATIO = 3.0

_INSTRUMENT = """
[[instrument]]
id = "node-{n}"
point = "permeate"
expected_interval = "1 min"
wire = {{ kind = "mqtt", broker = "hall", topic = "node-{n}", payload = {{ kind = "number" }} }}
[[instrument.channel]]
id = "c{n:02d}"
quantity = "{quantity}"
unit = "{unit}"
range = [0.0, 2000.0]
resolution = 0.1
{gate}
"""


def shop(folder: Path, channels: int) -> SiteFile:
    """One flow meter, half of the others gated by it, the rest levels."""
    text = SITE
    for n in range(channels - 4):
        gated = n % 2 == 0
        text += _INSTRUMENT.format(
            n=n,
            quantity="conductivity" if gated else "level",
            unit="uS/cm" if gated else "mm",
            gate='gate = { flow = "ro.flow" }' if gated else "",
        )
    return site(folder, text)


def minutes(names: list[str], days: int, seed: int, first_ms: int = START_MS) -> Iterator[list[Reading]]:
    """What comes in each minute: an hour of water in three, noise, drift, and now and then a spike."""
    chance = random.Random(seed)
    offsets = [chance.randrange(MINUTE) for _ in names]
    order = sorted(range(len(names)), key=offsets.__getitem__)
    noise = [chance.gauss(0, 0.3) for _ in range(9_973)]
    for n in range(days * 1440):
        running = n // 60 % 3 == 0
        batch = []
        for place in order:
            name, at = names[place], first_ms + n * MINUTE + offsets[place]
            step = noise[(n * 61 + place * 7) % 9_973]
            if name == "ro.flow":
                value = round(4.0 + step, 1) if running else 0.0
            else:
                value = round(5.0 + place + 3.0 * math.sin(n / 4000 + place) + step, 1)
            if chance.random() < 1e-5:
                value += 40.0
            # As the instrument resolves it, in its own unit: a third of the channels are converted.
            raw = value if place % 3 else round(value * 1.8 + 32, 1)
            standing = Standing.JUDGED if running or name == "ro.flow" else Standing.GATED
            batch.append(Reading(name, at, at + 40, raw, value, Reason.NONE, Bound.EXACT, standing))
        yield batch


class Run:
    """The writer, fed and timed."""

    def __init__(self, folder: Path, channels: int, retention: RetentionSettings) -> None:
        self.shop = shop(folder, channels)
        self.data = self.shop.data_dir
        self.data.mkdir()
        self.names = list(self.shop.plant.channels)
        self.writer = Writer(self.data, START_MS, partial(message_id, site_id="shop"))
        self.upkeep = Upkeep(self.shop.plant, retention)
        self.readings = self.batches = 0
        self.store_s = self.upkeep_s = 0.0
        self.steps_ms: list[float] = []
        self.upkeep_bytes = 0
        self._seq = 0

    def feed(self, days: int, seed: int, first_ms: int = START_MS) -> None:
        waiting: list[tuple[int, Reading]] = []
        ticks: list[tuple[int, Tick]] = []
        for n, batch in enumerate(minutes(self.names, days, seed, first_ms)):
            now_ms = first_ms + n * MINUTE
            self._seq += 1
            ticks.append((self._seq, Tick(now_ms)))
            for reading in batch:
                self._seq += 1
                waiting.append((self._seq, reading))
            if len(waiting) >= BATCH:
                self._commit(now_ms, waiting, ticks)
                waiting, ticks = [], []
            if n % 10 == 0:
                self.keep_up(now_ms)
            if n % (7 * 1440) == 0:
                print(f"day {n // 1440} of {days}", file=sys.stderr, flush=True)
        self._commit(first_ms + days * DAY, waiting, ticks)
        self.keep_up(first_ms + days * DAY + HOUR)

    def _commit(
        self, now_ms: int, readings: list[tuple[int, Reading]], ticks: list[tuple[int, Tick]]
    ) -> None:
        began = time.perf_counter()
        self.writer.commit(Batch(now_ms, readings=readings, events=ticks))
        self.store_s += time.perf_counter() - began
        self.readings += len(readings)
        self.batches += 1

    def keep_up(self, now_ms: int) -> None:
        before = written_bytes()
        while True:
            began = time.perf_counter()
            more = self.upkeep.step(self.writer.connection, now_ms)
            took = time.perf_counter() - began
            self.upkeep_s += took
            if not more:
                break
            self.steps_ms.append(took * 1e3)
        self.upkeep_bytes += written_bytes() - before

    def size(self) -> int:
        self.writer.connection.execute("pragma wal_checkpoint(truncate)")
        return (self.data / STORE).stat().st_size


def written_bytes() -> int:
    """Bytes this process has written to files so far (Linux, /proc/PID/io: wchar)."""
    lines = Path(f"/proc/{os.getpid()}/io").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("wchar")))


def measure(seed: int, days: int = DAYS, channels: int = CHANNELS) -> dict[str, result.Figure]:
    """Fill, look, back up, thin out."""
    with tempfile.TemporaryDirectory() as name:
        run = Run(Path(name), channels, RetentionSettings())
        try:
            return _measured(run, seed, days, channels, Path(name))
        finally:
            run.writer.close()


def _measured(run: Run, seed: int, days: int, channels: int, folder: Path) -> dict[str, result.Figure]:
    run.feed(days, seed)
    size = run.size()
    figures: dict[str, result.Figure] = {
        "days": days,
        "channels": channels,
        "readings": run.readings,
        "file_mb": round(size / 1e6, 1),
        "bytes_per_reading": round(size / run.readings, 1),
        "of_which_rollups_mb": round(_rollups_mb(run), 1),
        "stored_readings_per_s": round(run.readings / run.store_s),
        "upkeep_share_of_storing": round(run.upkeep_s / run.store_s, 3),
        "upkeep_transactions_per_day": round(len(run.steps_ms) / days, 1),
        "upkeep_mb_written_per_day": round(run.upkeep_bytes / 1e6 / days, 2),
        "upkeep_step_ms_median": round(statistics.median(run.steps_ms), 2),
        "upkeep_step_ms_longest": round(max(run.steps_ms), 1),
    }
    figures |= _trends(run, days)
    figures |= _backup(run, folder)
    figures |= _thinned(run, days, seed)
    return figures


def _rollups_mb(run: Run) -> float:
    """What the rollups take, by copying them alone."""
    connection = run.writer.connection
    connection.execute("attach ':memory:' as alone")
    try:
        connection.execute(
            "create table alone.rollup (channel integer, every_min integer, start_ms integer, n, good, "
            "counted, low real, high real, mean real, low_any real, high_any real, weight real, "
            "flow_mean real, primary key (channel, every_min, start_ms)) without rowid"
        )
        connection.execute("insert into alone.rollup select * from main.rollup")
        (pages,) = connection.execute("pragma alone.page_count").fetchone()
        (page,) = connection.execute("pragma alone.page_size").fetchone()
    finally:
        connection.execute("detach alone")
    return float(pages * page) / 1e6


_BARE = """
    select (start_ms - ?) / ? as bucket, min(low), max(high), sum(mean * counted) / sum(counted), sum(n)
    from rollup where channel = ? and every_min = 60 and start_ms >= ? and start_ms < ? group by bucket
"""
_RAW = """
    select min(coalesce(value, raw)), max(coalesce(value, raw)), count(*) from reading
    where channel = ? and time_ms >= ? and time_ms < ? and (flags >> 18 & 7) = 0
"""


def _trends(run: Run, days: int) -> dict[str, result.Figure]:
    from_ms, to_ms = START_MS, START_MS + days * DAY
    points = min(POINTS, days * 12)  # of whole hours also when a shorter span is tried
    ours, bare, differ = [], [], 0
    connection = open_reader(run.data)
    for name in run.names[:12]:
        (number,) = connection.execute("select id from channel where name = ?", (name,)).fetchone()
        for _ in range(3):
            began = time.perf_counter()
            found = trend(connection, name, from_ms, to_ms, points)
            ours.append((time.perf_counter() - began) * 1e3)
            width_ms = found.points[0].end_ms - found.points[0].start_ms
            began = time.perf_counter()
            connection.execute(_BARE, (from_ms, width_ms, number, from_ms, to_ms)).fetchall()
            bare.append((time.perf_counter() - began) * 1e3)
        assert len(found.points) <= points
        for p in found.points[::37]:
            low, high, n = connection.execute(_RAW, (number, p.start_ms, p.end_ms)).fetchone()
            differ += (low, high, n) != (p.sum.low, p.sum.high, p.sum.counted)
    connection.close()
    ratio = statistics.median(ours) / statistics.median(bare)
    assert differ == 0, f"{differ} points do not have the extremes of their readings"
    assert ratio <= PROMISED_RATIO or days < DAYS, f"a trend takes {ratio:.2f} times the bare query"
    return {
        "trend_points": points,
        "trend_ms": round(statistics.median(ours), 2),
        "trend_bare_query_ms": round(statistics.median(bare), 2),
        "trend_ratio": round(ratio, 2),
        "trend_same_extremes_as_readings": True,
    }


def _backup(run: Run, folder: Path) -> dict[str, result.Figure]:
    began = time.perf_counter()
    manifest = back_up(run.data, folder / "copy.db", "shop", START_MS)
    took = time.perf_counter() - began
    assert manifest.rows["reading"] == run.readings
    (folder / "copy.db").unlink()
    return {"backup_s": round(took, 1), "backup_mb_per_s": round(manifest.bytes / 1e6 / took, 1)}


def _thinned(run: Run, days: int, seed: int) -> dict[str, result.Figure]:
    """The same store when only its last weeks are to be kept, and after as long again."""
    keep = RetentionSettings.model_validate({"fast_raw": "14 days", "raw": "14 days"})
    run.upkeep, run.steps_ms, run.upkeep_s = Upkeep(run.shop.plant, keep), [], 0.0
    before = run.size()
    run.keep_up(START_MS + days * DAY + 2 * HOUR)
    (left,) = run.writer.connection.execute("select count(*) from reading").fetchone()
    steps, took = len(run.steps_ms), run.upkeep_s
    longest = max(run.steps_ms)
    more = min(30, days)
    run.feed(more, seed + 1, START_MS + days * DAY)
    after = run.size()
    assert left <= 16 * 1440 * len(run.names)
    assert after <= before * 1.02, f"the file grew from {before} to {after} bytes"
    return {
        "retention_rows_deleted": run.readings - left - more * 1440 * len(run.names),
        "retention_steps": steps,
        "retention_s": round(took, 1),
        "retention_step_ms_longest": round(longest, 1),
        "file_mb_after_retention_and_days_more": [round(after / 1e6, 1), more],
    }


if __name__ == "__main__":
    raise SystemExit(result.main("year", measure))
