"""A real time series server for a test: started on a free loopback port, killed, started again."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from pathlib import Path

from tests.mosquitto import free_port
from tests.waiting import eventually


def program() -> str:
    """The server's program; fails in one sentence when there is none."""
    unpacked = Path(sys.prefix) / "victoria-metrics" / "usr" / "bin"  # by tests/victoria_metrics.sh
    found = os.environ.get("GOODWATER_VICTORIA_METRICS") or shutil.which(
        "victoria-metrics", path=os.pathsep.join([os.environ.get("PATH", ""), str(unpacked)])
    )
    if found is None:
        raise AssertionError(
            "these tests need victoria-metrics: tests/victoria_metrics.sh gets it; "
            "or name its program in GOODWATER_VICTORIA_METRICS"
        )
    return found


Sample = tuple[tuple[tuple[str, str], ...], int]  # labels of a series, with its name; milliseconds


class VictoriaMetrics:
    """One server that keeps everything for a hundred years."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and wait until it takes requests."""
        with (self.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    program(),
                    f"-storageDataPath={self.folder / 'data'}",
                    f"-httpListenAddr=127.0.0.1:{self.port}",
                    "-retentionPeriod=100y",
                    "-search.maxUniqueTimeseries=10000",
                ],
                stderr=log,
                stdout=log,
            )
        eventually(self._answers, 30, what="the server takes requests")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"it ended; see {self.folder / 'server.log'}"
        try:
            return self._get("/health") == b"OK"
        except (urllib.error.URLError, OSError):
            return False

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(10)
            self._process = None

    def samples(self, name: str = "goodwater_.*") -> Counter[Sample]:
        """All it has of the series with a name like this, by its export, and how often."""
        found: Counter[Sample] = Counter()
        # A label that no series has: or it may remember from a moment ago that there are no such series.
        match = f'{{__name__=~"{name}",asked_{time.monotonic_ns()}=""}}'
        for line in self._get("/api/v1/export", {"match[]": match}).splitlines():
            series = json.loads(line)
            labels = tuple(sorted(series["metric"].items()))
            found.update((labels, time_ms) for time_ms in series["timestamps"])
        return found

    def _get(self, path: str, fields: dict[str, str] | None = None) -> bytes:
        query = f"?{urllib.parse.urlencode(fields)}" if fields else ""
        with urllib.request.urlopen(self.url + path + query, timeout=60) as reply:
            return bytes(reply.read())
