"""How long a digest of sixty instruments takes, and how much memory, while readings go on being stored.

A store with two weeks of 1-minute data is written (sixty channels, every one an instrument). Then, while a
batch of readings of all of them is committed every second, `goodwater digest` runs in a process of its own:
wall time, processor time, largest resident set. So do its words and pictures, as delivery has them made.
"""

from __future__ import annotations

import contextlib
import math
import os
import subprocess
import sys
import tempfile
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any

from monitor.config import SiteFile
from monitor.plant.message_ids import message_id
from monitor.readings import Bound, Reading, Reason, Standing, Tick
from monitor.reports.week import Week
from monitor.store.rollup import Rollups
from monitor.store.writer import Batch, Writer
from tests.bench.sixty import site_of
from tests.long.result import Figure, main

WEEKS = 2
MINUTE_MS = 60_000
WANTED_S, WANTED_MIB = 20.0, 300.0


def measure(seed: int) -> dict[str, Figure]:
    """The figures, with what was wanted of them. Nothing here is drawn, so the seed changes nothing."""
    with tempfile.TemporaryDirectory() as name:
        site = site_of(Path(name))
        zone = site.plant.site.timezone
        week = Week.parse("2026-W40", zone)
        readings = _fill(site, week)
        stop = threading.Event()
        lags: list[float] = []
        intake = threading.Thread(target=_intake, args=(site, week.to_ms, stop, lags))
        intake.start()
        try:
            figures = _child(["monitor.cli", "digest", str(site.path), "--week", week.label, "--json"], "")
            words = _child(["monitor.reports.child"], figures.pop("out"))
        finally:
            stop.set()
            intake.join()
        words.pop("out")
        assert max(figures["mib"], words["mib"]) < WANTED_MIB, (figures, words)
        assert max(figures["seconds"], words["seconds"]) < WANTED_S, (figures, words)
        return {
            "instruments": len(site.plant.instrument),
            "readings_in_the_week": readings,
            "weeks_in_the_store": WEEKS,
            "figures": figures,
            "words_and_pictures": words,
            "machine_load": round(os.getloadavg()[0], 1),
            "wanted_of_each": {"seconds": WANTED_S, "mib": WANTED_MIB},
            "intake_batches_meanwhile": len(lags),
            "longest_commit_s": round(max(lags, default=math.nan), 3),
        }


def _fill(site: SiteFile, week: Week) -> int:
    """Minutes of all channels for some weeks; how many readings the last one has."""
    site.data_dir.mkdir(exist_ok=True)
    names = list(site.plant.channels)
    begin_ms, end_ms = week.earlier(WEEKS - 1).from_ms, week.to_ms
    with contextlib.closing(Writer(site.data_dir, begin_ms, partial(message_id, site_id="hall3"))) as writer:
        writer.connection.execute("pragma synchronous = off")
        rollups = Rollups(site.plant)
        rollups.begin(writer.connection)
        seq = 0
        for hour_ms in range(begin_ms, end_ms, 60 * MINUTE_MS):
            rows, ticks = [], []
            for at_ms in range(hour_ms, min(hour_ms + 60 * MINUTE_MS, end_ms), MINUTE_MS):
                ticks.append((seq := seq + 1, Tick(at_ms)))
                for n, channel in enumerate(names):
                    rows.append((seq := seq + 1, _reading(channel, at_ms + 7 * n + 1, n)))
            writer.commit(Batch(hour_ms, readings=rows, events=ticks))
        while rollups.step(writer.connection, end_ms + 86_400_000, 1.0):
            pass
        writer.connection.execute("pragma wal_checkpoint(truncate)")
    return len(names) * ((week.to_ms - week.from_ms) // MINUTE_MS)


def _reading(channel: str, at_ms: int, n: int) -> Reading:
    minute = at_ms // MINUTE_MS
    value = 10.0 + n + math.sin(minute / 200.0 + n) + (minute * 7_919 + n) % 100 / 200.0
    reason = Reason.JUMP if (minute + n) % 997 == 0 else Reason.NONE
    standing = Standing.GATED if (minute // 60 + n) % 9 == 0 else Standing.JUDGED
    return Reading(channel, at_ms, at_ms + 150, value, value, reason, Bound.EXACT, standing)


def _intake(site: SiteFile, from_ms: int, stop: threading.Event, lags: list[float]) -> None:
    """A batch of all channels every second, as a busy watch commits them, synced to the disk."""
    names = list(site.plant.channels)
    with contextlib.closing(Writer(site.data_dir, from_ms, partial(message_id, site_id="hall3"))) as writer:
        seq, at_ms = 10**9, from_ms
        while not stop.is_set():
            at_ms += 1_000
            rows = [(seq := seq + 1, _reading(name, at_ms + n, n)) for n, name in enumerate(names)]
            began = time.perf_counter()
            writer.commit(Batch(at_ms, readings=rows))
            lags.append(time.perf_counter() - began)
            stop.wait(1.0)


def _child(module: list[str], told: str) -> dict[str, Any]:
    """Wall time and largest resident set of a process, and what it printed."""
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", *module], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(told)
    process.stdin.close()
    out = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"{module} ended with {process.returncode}")
    return {
        "seconds": round(time.perf_counter() - began, 2),
        "cpu_seconds": round(used.ru_utime + used.ru_stime, 2),
        "mib": round(used.ru_maxrss / 1024, 1),
        "out": out,
    }


if __name__ == "__main__":
    raise SystemExit(main("digest", measure))
