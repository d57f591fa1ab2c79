"""What a shop of sixty channels writes to the disk: commits and megabytes a day.

An hour of the shop's own rates goes through the heart and the writer, cut into batches as the keeper cuts
them, with everything that comes with it: ticks, whole states, rollups. What is counted is `write_bytes` of
the process: pages given to the disk, also those a file system writes a second time. The anchor writes the
same readings, committed as often, as bare rows of three columns. An hour in a few seconds writes what an
hour in an hour does: pages are counted at commits and when the log is folded, not by the clock. So that
this is not only said, the daemon itself is watched at real rates for some minutes, between two whole
states.
"""

from __future__ import annotations

import json
import os
import sqlite3
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from monitor import checkpoint
from monitor.config import SiteFile
from monitor.keeper import batch_of
from monitor.readings import Event, Sample, Tick
from monitor.store.files import STORE
from monitor.store.upkeep import Upkeep
from monitor.watch import Effects, Watch
from tests.bench import sixty
from tests.bench.qos1 import loopback_broker, watching
from tests.bench.rows import Row, row
from tests.bench.starting import stored
from tests.daemon.watched import Publisher

_BEGIN_MS = 1_780_293_600_000
_HOUR_S, _DAY_S = 3_600, 86_400


def measure(live_s: int = 150, seed: int = 1) -> list[Row]:
    """Megabytes and commits a day, at batches of one second and of ten; and of the daemon itself, live."""
    found: list[Row] = []
    for longest_s in (1, 10):
        bare_mb, bare_commits = _hour(_bare_hour, longest_s, seed)
        our_mb, our_commits = _hour(_our_hour, longest_s, seed)
        cut = f"batches of {longest_s} s"
        how = "an hour of readings at the shop's rates, times 24"
        found.append(
            row(
                f"disk_mb_{longest_s}s",
                [(bare_mb * 24, our_mb * 24)],
                what=f"written at 60 channels, {cut}",
                anchor=f"bare rows of three columns, {bare_commits * 24:,} commits",
                unit="MB a day",
                how=how,
            )
        )
        found.append(
            {
                "row": f"disk_commits_{longest_s}s",
                "what": f"commits at 60 channels, {cut}",
                "unit": "commits a day",
                "ours": our_commits * 24,
                "how": how,
            }
        )
    return [*found, *_live(live_s, seed)]


def _hour(write: Callable[[SiteFile, int, int], int], longest_s: int, seed: int) -> tuple[float, int]:
    """Megabytes and commits of one hour."""
    with tempfile.TemporaryDirectory() as name:
        site = sixty.site_of(Path(name))
        site.data_dir.mkdir()
        before = written_bytes(os.getpid())
        commits = write(site, longest_s, seed)
        return (written_bytes(os.getpid()) - before) / 1e6, commits


def written_bytes(pid: int) -> int:
    """Bytes that a process has caused to be written to a disk."""
    text = Path(f"/proc/{pid}/io").read_text()
    return int(text.split("\nwrite_bytes:")[1].split()[0])


def batches(site: SiteFile, longest_s: int, seed: int) -> Iterator[list[Sample]]:
    """An hour of readings as the keeper would gather them: from the first one on, so long."""
    batch: list[Sample] = []
    for sample in sixty.samples(site, _BEGIN_MS, _HOUR_S, seed):
        if batch and sample.arrival_ms - batch[0].arrival_ms >= longest_s * 1000:
            yield batch
            batch = []
        batch.append(sample)
    yield batch


def _our_hour(site: SiteFile, longest_s: int, seed: int) -> int:
    watch, upkeep, commits = Watch(site.plant, site.rules), Upkeep(site.plant, site.retention), 0
    with closing(stored(site, _BEGIN_MS)) as writer:
        state, ledger = checkpoint.loaded(writer.load_state(), watch, writer.connection, lambda: None)
        for batch in batches(site, longest_s, seed):
            effects, events = Effects(), list[Event](batch)
            minute_ms = batch[-1].arrival_ms // 60_000 * 60_000
            if minute_ms > state.last_tick_ms:
                events.append(Tick(minute_ms))
            state = watch.run(state, events, effects)
            writer.commit(batch_of(ledger, state, effects, batch[-1].arrival_ms))
            ledger.committed(state)
            commits += 1
            while upkeep.step(writer.connection, batch[-1].arrival_ms):
                commits += 1
    return commits


def _bare_hour(site: SiteFile, longest_s: int, seed: int) -> int:
    numbers, commits = {name: n for n, name in enumerate(site.plant.channels)}, 0
    with closing(sqlite3.connect(site.data_dir / "bare.db", isolation_level=None)) as connection:
        connection.execute("pragma journal_mode = wal")
        connection.execute("pragma synchronous = full")
        connection.execute(
            "create table r (channel int, ts int, value real, primary key (channel, ts)) without rowid"
        )
        for batch in batches(site, longest_s, seed):
            connection.execute("begin")
            connection.executemany(
                "insert into r values (?, ?, ?) on conflict do nothing",
                [(numbers[s.channel], s.time_ms, s.value) for s in batch],
            )
            connection.execute("commit")
            commits += 1
    return commits


def _live(seconds: int, seed: int) -> list[Row]:
    """The daemon itself at real rates, between two whole states."""
    with tempfile.TemporaryDirectory() as name, loopback_broker(Path(name)) as broker:
        site = sixty.site_of(Path(name), broker.port)
        with watching(site.path) as watch, closing(Publisher(broker.port)) as publisher:
            pid = watch.daemon
            assert pid is not None
            _play(site, publisher, 5, seed)  # the first batch holds the whole state
            before, commits = written_bytes(pid), _transactions(site)
            began = time.monotonic()
            _play(site, publisher, seconds, seed + 1)
            a_day = _DAY_S / (time.monotonic() - began)
            mb = (written_bytes(pid) - before) / 1e6 * a_day
            return [
                _alone("live_mb", "MB a day", mb, seconds),
                _alone("live_commits", "commits a day", (_transactions(site) - commits) * a_day, seconds),
            ]


def _alone(name: str, unit: str, figure: float, seconds: int) -> Row:
    return {
        "row": name,
        "what": "the daemon itself over MQTT, 60 channels, batches of 1 s",
        "unit": unit,
        "ours": round(figure),
        "how": f"{seconds} s at real rates, extrapolated; no whole state in them",
    }


def _play(site: SiteFile, publisher: Publisher, seconds: int, seed: int) -> None:
    values, begin_s = sixty.Values(site, seed), time.time()
    for at_s, name in sixty.plan(site, seconds, seed):
        time.sleep(max(0.0, begin_s + at_s - time.time()))
        at_ms = time.time_ns() // 1_000_000
        payload = json.dumps({"t": at_ms, "v": values.of(name, at_ms)}).encode()
        publisher.send(payload, sixty.topic_of(name))
    time.sleep(max(0.0, begin_s + seconds - time.time()))


def _transactions(site: SiteFile) -> int:
    """The counter of transactions in the index of the write-ahead log (SQLite's file format, section 4.1)."""
    index = (site.data_dir / f"{STORE}-shm").read_bytes()
    (count,) = struct.unpack_from("=I", index, 8)
    return int(count)
