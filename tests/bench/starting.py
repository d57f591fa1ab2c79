"""How long the daemon needs to be ready, and the memory it holds then, beside the bare imports it needs.

The anchor is a fresh interpreter that imports the libraries the daemon uses and nothing more. Ours starts
with the site of sixty channels and a store in which a day of them lies, and says that it is ready.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from functools import partial
from pathlib import Path

from monitor import checkpoint
from monitor.config import SiteFile
from monitor.keeper import batch_of
from monitor.plant.message_ids import message_id
from monitor.readings import Event, Tick
from monitor.store.writer import Writer
from monitor.supervisor import BEAT_FD, READY
from monitor.watch import Effects, Watch
from tests.bench import sixty
from tests.bench.rows import Row, in_turns, row

LIBRARIES = ("paho.mqtt.client", "serial", "pydantic", "pint", "numpy", "sqlite3")
_BARE = "import {}; print(open('/proc/self/status').read().split('VmRSS:')[1].split()[0], flush=True)"
_HOUR_S = 3_600


def measure(rounds: int = 7, hours: int = 24) -> list[Row]:
    """Two rows: milliseconds to be ready, and MiB resident then: less is better."""
    with tempfile.TemporaryDirectory() as name:
        site = sixty.site_of(Path(name), broker_port=9)  # nobody answers there
        _live(site, hours)
        _bare(), _daemon(site.path)  # what they read is in the machine's memory from then on
        held: list[tuple[str, float]] = []

        def ms_of(whose: str, started: tuple[float, float]) -> float:
            held.append((whose, started[1]))
            return started[0]

        pairs = in_turns(rounds, lambda: ms_of("bare", _bare()), lambda: ms_of("ours", _daemon(site.path)))
    memory = [[mib for whose, mib in held if whose == wanted] for wanted in ("bare", "ours")]
    anchor = f"an interpreter that imports {', '.join(LIBRARIES)}"
    return [
        row(
            "start",
            pairs,
            what=f"from nothing to ready; 60 channels, {hours} h of them in the store",
            anchor=anchor,
            unit="ms",
            how="wall clock, files in the machine's memory",
        ),
        row(
            "memory",
            list(zip(*memory, strict=True)),
            what="memory resident when ready",
            anchor=anchor,
            unit="MiB",
            how="VmRSS, of the daemon without its supervisor",
        ),
    ]


def _live(site: SiteFile, hours: int) -> None:
    """Watch and store some hours of the shop, up to now."""
    watch, seconds = Watch(site.plant, site.rules), hours * _HOUR_S
    begin_ms = time.time_ns() // 1_000_000 - seconds * 1000
    with closing(stored(site, begin_ms)) as writer:
        state, ledger = checkpoint.loaded(writer.load_state(), watch, writer.connection, lambda: None)
        events: list[Event] = []
        for sample in sixty.samples(site, begin_ms, seconds, seed=1):
            minute_ms = sample.arrival_ms // 60_000 * 60_000
            if minute_ms > state.last_tick_ms:
                effects = Effects()
                state = watch.run(state, [*events, Tick(minute_ms)], effects)
                writer.commit(batch_of(ledger, state, effects, minute_ms))
                ledger.committed(state)
                events.clear()
            events.append(sample)


def stored(site: SiteFile, now_ms: int) -> Writer:
    """A writer into the site's data folder."""
    site.data_dir.mkdir(exist_ok=True)
    return Writer(site.data_dir, now_ms, partial(message_id, site_id=site.plant.site.id))


def _bare() -> tuple[float, float]:
    began = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-c", _BARE.format(", ".join(LIBRARIES))], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        resident_kib = float(process.stdout.readline())
        return (time.perf_counter() - began) * 1e3, resident_kib / 1024


def _daemon(site_file: Path) -> tuple[float, float]:
    reading, writing = os.pipe()
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.daemon", str(site_file)],
        env=os.environ | {BEAT_FD: str(writing)},
        pass_fds=(writing,),
        stderr=subprocess.DEVNULL,
    )
    os.close(writing)
    try:
        while (beat := os.read(reading, 1)) != READY:
            assert beat, "the daemon ended before it was ready"
        ms = (time.perf_counter() - began) * 1e3
        status = Path(f"/proc/{process.pid}/status").read_text()
        return ms, float(status.split("VmRSS:")[1].split()[0]) / 1024
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)
        os.close(reading)
