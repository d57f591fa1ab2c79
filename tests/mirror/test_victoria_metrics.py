"""Against a real server that loses what it acknowledged: in the end it has what the store has."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.mirror.ledger import path_of
from tests.mirror.shop import HOUR, MINUTE, Shop, reading, transition, write_site
from tests.victoria_metrics import VictoriaMetrics
from tests.waiting import eventually

MIRROR = """
[[mirror]]
id = "office"
url = "{url}"
bucket = "water"
every = "1 s"
compare_after = ["1500 ms"]
read_back = {{ kind = "victoria-metrics" }}
"""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    made = VictoriaMetrics(tmp_path)
    made.start()
    yield made
    made.kill()


class Alone:
    """The mirror as a process."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.mirror.alone", str(self._shop.site.path)]
        with (self._shop.data / "mirror.log").open("ab") as log:
            self._process = subprocess.Popen(command, stderr=log)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(10)

    def at_rest(self) -> bool:
        """All is sent, and every look was made."""
        with self._shop.ledger() as ledger:
            return ledger.next_due_ms() is None


def test_points_lost_by_a_killed_server_and_by_a_killed_mirror_are_there_in_the_end(
    tmp_path: Path, server: VictoriaMetrics
) -> None:
    shop = Shop(write_site(tmp_path, MIRROR.format(url=server.url)))
    begin_ms = time.time_ns() // 1_000_000 - 20 * HOUR

    def minutes(first: int, last: int) -> None:
        both = [(f"m{n}.ec", begin_ms + i * MINUTE, i / 7) for i in range(first, last) for n in (0, 1)]
        shop.store([reading(*one) for one in both], [transition(begin_ms + first * MINUTE, first + 1)])

    mirror = Alone(shop)
    try:
        eventually(path_of(shop.data, "office").exists, 60)
        minutes(0, 500)
        eventually(lambda: (shop.note("sent") or 0) > 1_000, 60, what="the first half is acknowledged")
        server.kill()
        minutes(500, 1_000)
        eventually(lambda: shop.note("write"), 60, what="the mirror sees that the server is away")
        mirror.kill()
        server.start()
        mirror.start()
        eventually(lambda: shop.note("write") is None, 60, what="the second half is acknowledged")
        eventually(mirror.at_rest, 60, what="all is compared")
    finally:
        mirror.kill()
    there = server.samples()
    assert set(there) == shop.expected(time.time_ns() // 1_000_000)
    assert shop.note("again") > 0
    shop.close()
