"""A day of data mirrored to a server that is killed three times and away for an hour; and what intake pays.

The day is played at some hundred times its speed: the watch runs by a played clock, instruments send the time
of their readings. In the end every (series, millisecond) of the store must be on the server, by its export.
Then intake runs flat out, with the mirror and without, in turns.
"""

from __future__ import annotations

import json
import random
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho

from monitor.clock import PlayedClock
from monitor.mirror.ledger import Ledger, path_of
from monitor.mirror.standing import standing
from monitor.store.files import open_reader
from simulator.mailbox import Mailbox
from tests.daemon.watched import Watched
from tests.long import result
from tests.mirror.shop import HOUR, MINUTE, expected
from tests.mosquitto import Mosquitto
from tests.victoria_metrics import VictoriaMetrics
from tests.waiting import eventually

CHANNELS = 24
DAY_MINUTES = 24 * 60
SPEED = 720  # shop time to machine time
KILLED_AT_H = (4.0, 11.0, 19.0)
AWAY_FROM_H, AWAY_H = 11.0, 1.0
DAEMON_KILLED_AT_H = 15.0

FLAT_OUT_MESSAGES = 1_000
TURNS = 3

SITE = """
[site]
id = "shop"
name = "Example Shop"
timezone = "UTC"
data = "data"

[[broker]]
id = "hall"
host = "127.0.0.1"
port = {broker}

[[mail_server]]
id = "office"
host = "127.0.0.1"
port = {mail}
security = "none"
sender = "goodwater@shop.example"

[[stage]]
id = "di"
kind = "di"

[[point]]
id = "di-out"
after = "di"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{{ kind = "email", to = "lead@shop.example", via = "office" }}]

[[rule]]
kind = "limit"
id = "high"
channel = "c0.ec"
above = "20 uS/cm"
priority = "high"

[[rule]]
kind = "silent"
id = "silent"

[[instrument]]
id = "node"
point = "di-out"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "water"
payload = {{ kind = "json", time = "/t", values = {{ {values} }} }}
"""

CHANNEL = """
[[instrument.channel]]
id = "c{n}.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 0.01
jump = "5000 uS/cm"
compensated = true
"""

# Acknowledged points are looked for when twenty seconds of the machine have passed: what the server lost by a
# kill is lost by then.
MIRROR = """
[[mirror]]
id = "office"
url = "{url}"
bucket = "water"
every = "{every}"
compare_after = ["4 h", "5 h"]
read_back = {{ kind = "victoria-metrics" }}
"""


def _site(folder: Path, broker: Mosquitto, box: Mailbox, mirror: str) -> Path:
    values = ", ".join(f'"c{n}.ec" = "/{n}"' for n in range(CHANNELS))
    text = SITE.format(broker=broker.port, mail=box.port, values=values)
    path = folder / "site.toml"
    path.write_text(text + "".join(CHANNEL.format(n=n) for n in range(CHANNELS)) + mirror)
    return path


@dataclass
class _Node:
    """The instrument that all channels are of."""

    port: int
    seed: int
    published: set[tuple[int, int]] = field(default_factory=set)  # channel, ms

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(200)
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()

    def send(self, time_ms: int, *, high: bool = False) -> paho.MQTTMessageInfo:
        base = 30.0 if high else 5.0
        values = {str(n): round(base + self._chance.random(), 3) for n in range(CHANNELS)}
        self.published.update((n, time_ms) for n in range(CHANNELS))
        return self._client.publish("water", json.dumps({"t": time_ms, **values}), qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _play_the_day(
    node: _Node, clock: PlayedClock, begin_ms: int, server: VictoriaMetrics, watch: Watched
) -> float:
    """A message a minute, some late; kills in between. Gives the machine seconds the server was away."""
    back, away_s = None, 0.0
    kills = sorted(KILLED_AT_H)
    daemon_lives = True
    for minute in range(DAY_MINUTES):
        at_ms = begin_ms + minute * MINUTE
        wait_s = (clock.machine_ms(at_ms) - time.time_ns() / 1e6) / 1000
        time.sleep(max(0.0, wait_s))
        hour = minute / 60
        if kills and hour >= kills[0]:
            killed = kills.pop(0)
            server.kill()
            if killed == AWAY_FROM_H:
                back, left_s = killed + AWAY_H, time.monotonic()
            else:
                server.start()
        if back is not None and hour >= back:
            server.start()
            back, away_s = None, time.monotonic() - left_s
        if daemon_lives and hour >= DAEMON_KILLED_AT_H:
            daemon_lives = False
            watch.kill_daemon()
        node.send(at_ms, high=minute % 360 > 330)
        if minute % 30 == 17 and minute > 200:
            node.send(at_ms - 3 * HOUR - 20_000).wait_for_publish(20)  # a reading of three hours ago
    return away_s


def _all_looked_at(watch: Watched, end_ms: int) -> bool:
    """All of the day is sent, and every look at it was made."""
    with closing(Ledger(path_of(watch.data, "office"))) as ledger:
        places = ledger.places()
        day = [at for name, at in places.items() if name.startswith("health ")]
        (left,) = ledger._connection.execute(
            "select count(*) from span where from_ms < ?", (end_ms,)
        ).fetchone()
    return min(day) >= end_ms - HOUR and left == 0


def _day(folder: Path, seed: int) -> dict[str, result.Figure]:
    with _around(folder, seed) as (broker, box, server, node):
        # Two days ago, so that nothing lies in the future of the server.
        now_ms = time.time_ns() // 1_000_000
        begin_ms = (now_ms - 48 * HOUR) // HOUR * HOUR
        lead_ms = 20_000  # of the machine, for the start
        anchors = ((now_ms + lead_ms, begin_ms), (now_ms + lead_ms + 1_000, begin_ms + 1_000 * SPEED))
        clock = PlayedClock(tuple((float(a), float(b)) for a, b in anchors))
        watch = Watched(_site(folder, broker, box, MIRROR.format(url=server.url, every="10 min")))
        try:
            watch.start("--clock", str(clock))
            watch.ready(60)
            away_s = _play_the_day(node, clock, begin_ms, server, watch)
            end_ms = begin_ms + DAY_MINUTES * MINUTE
            played_s = time.time() - (now_ms + lead_ms) / 1000
            eventually(
                lambda: _stored(watch) == len(node.published), 60, what="all that was published is stored"
            )
            eventually(lambda: _all_looked_at(watch, end_ms), 180, what="the day is compared")
            assert watch.stop() == 0
        finally:
            watch.close()
        found = standing(watch.data, "office")
        assert found is not None
        there = {sample: n for sample, n in server.samples().items() if sample[1] < end_ms}
        wanted = {sample for sample in expected(watch.site, clock.now_ms()) if sample[1] < end_ms}
        more = set(there) - wanted
        assert not wanted - set(there), f"{len(wanted - set(there))} are missing"
        assert not more, f"{len(more)} are not in the store: {sorted(more)[:3]}"
        assert found.again > 0 and found.unkept == 0 and found.well, found
        return {
            "channels": CHANNELS,
            "hours_of_data": DAY_MINUTES / 60,
            "played_in_s": round(played_s, 1),
            "kills_of_server": len(KILLED_AT_H),
            "kills_of_daemon": 1,
            "server_away_h_of_data": AWAY_H,
            "server_away_s": round(away_s, 1),
            "readings_stored": _stored(watch),
            "series": len({labels for labels, _ in wanted}),
            "samples_wanted": len(wanted),
            "samples_missing": len(wanted - set(there)),
            "samples_there_that_the_store_has_not": len(more),
            "samples_there_twice": sum(there.values()) - len(there),
            "points_sent": found.sent,
            "points_lost_after_acknowledgement_and_sent_again": found.again,
        }


def _stored(watch: Watched) -> int:
    with closing(open_reader(watch.data)) as connection:
        (n,) = connection.execute("select count(*) from reading").fetchone()
    return int(n)


def _flat_out(folder: Path, seed: int, *, mirrored: bool) -> tuple[float, int]:
    """Readings a second from the first message sent to the last one stored, and the daemon's peak MB."""
    with _around(folder, seed) as (broker, box, server, node):
        mirror = MIRROR.format(url=server.url, every="1 s") if mirrored else ""
        watch = Watched(_site(folder, broker, box, mirror))
        try:
            watch.start()
            watch.ready(60)
            begin_ms = time.time_ns() // 1_000_000 - FLAT_OUT_MESSAGES * 100
            began = time.monotonic()
            for n in range(FLAT_OUT_MESSAGES):
                node.send(begin_ms + n * 100)
            eventually(lambda: _stored(watch) == len(node.published), 120, what="all is stored")
            took_s = time.monotonic() - began
            peak_kb = _peak_kb(watch.daemon or 0)
            if mirrored:
                eventually(lambda: (_sent(watch) or 0) >= len(node.published), 120, what="all is sent")
            watch.stop()
        finally:
            watch.close()
    return len(node.published) / took_s, peak_kb // 1024


def _sent(watch: Watched) -> int:
    found = standing(watch.data, "office")
    return 0 if found is None else found.sent


def _peak_kb(process: int) -> int:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))


@contextmanager
def _around(folder: Path, seed: int) -> Iterator[tuple[Mosquitto, Mailbox, VictoriaMetrics, _Node]]:
    for name in ("broker", "server"):
        (folder / name).mkdir()
    broker, server = Mosquitto(folder / "broker"), VictoriaMetrics(folder / "server")
    broker.start()
    server.start()
    with Mailbox(security="none") as box:
        node = _Node(broker.port, seed)
        try:
            yield broker, box, server, node
        finally:
            node.close()
            server.kill()
            broker.kill()


def measure(seed: int) -> dict[str, result.Figure]:
    """The day, then intake with and without in turns."""
    with tempfile.TemporaryDirectory() as name:
        (day_folder := Path(name) / "day").mkdir()
        figures = _day(day_folder, seed)
        rates: dict[bool, list[float]] = {True: [], False: []}
        peaks: dict[bool, list[int]] = {True: [], False: []}
        for turn in range(TURNS):
            for mirrored in (turn % 2 == 0, turn % 2 == 1):
                (folder := Path(name) / f"flat-{turn}-{mirrored}").mkdir()
                rate, peak = _flat_out(folder, seed, mirrored=mirrored)
                rates[mirrored].append(rate)
                peaks[mirrored].append(peak)
    with_it, without = statistics.median(rates[True]), statistics.median(rates[False])
    return {
        **figures,
        "intake_with_mirror_readings_per_s": [round(rate) for rate in rates[True]],
        "intake_without_readings_per_s": [round(rate) for rate in rates[False]],
        "intake_ratio_of_medians": round(with_it / without, 3),
        "daemon_peak_mb_with_mirror": max(peaks[True]),
        "daemon_peak_mb_without": max(peaks[False]),
    }


if __name__ == "__main__":
    raise SystemExit(result.main("mirror", measure))
