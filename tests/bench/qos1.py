"""QoS 1 messages a second until committed, judged and acknowledged, beside a subscriber that only counts.

Both take the same messages from the same publisher and broker, with the same window of twenty in flight,
and the clock runs from the publisher's first message. The bare subscriber is the library with a callback
that acknowledges at once: it ends with its last message. Ours is `goodwater run` as a process of its own:
it ends when the last reading can be read from the store; by then all but the last window are acknowledged,
since the broker sends no more than a window ahead of that.
"""

from __future__ import annotations

import json
import random
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.store import reader
from monitor.store.files import open_reader
from tests.bench import sixty
from tests.bench.rows import Row, in_turns, row
from tests.daemon.watched import Watched, write_site
from tests.mosquitto import Mosquitto
from tests.waiting import eventually

IN_FLIGHT = 20  # what a site file says where it says nothing
_WAIT_S = 120.0


def measure(rounds: int = 5, messages: int = 10_000, seed: int = 1) -> list[Row]:
    """Two rows: the smallest site (one meter, a limit, silence) and sixty channels with all rules."""
    found = []
    for name, one in (("qos1_one", True), ("qos1_sixty", False)):
        with tempfile.TemporaryDirectory() as folder, loopback_broker(Path(folder)) as broker:
            source = _One(seed) if one else _Sixty(Path(folder), broker.port, seed)
            with watching(source.site_file(Path(folder), broker.port)) as watch:
                pairs = in_turns(
                    rounds,
                    lambda s=source, p=broker.port: messages / _counted(s, p, messages),
                    lambda s=source, p=broker.port, w=watch: messages / _watched(s, p, w, messages),
                )
        found.append(
            row(
                name,
                pairs,
                what=f"QoS 1 messages committed, judged and acknowledged: {source.words}",
                anchor="paho with a callback that counts and acknowledges",
                unit="messages/s",
                wanted=0.3 if one else None,
                how=f"{messages} messages a round, window of {IN_FLIGHT}, loopback mosquitto",
            )
        )
    return found


class _One:
    """One conductivity meter."""

    words = "one meter with rules limit and silent"

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._last_ms = 0

    def site_file(self, folder: Path, port: int) -> Path:
        (folder / "ca.pem").touch()
        return write_site(folder, broker_port=port, mail_port=1, ca_file=folder / "ca.pem")

    def messages(self, n: int) -> list[tuple[str, bytes, str, int]]:
        """Topic, payload, channel, time: one reading a millisecond, up to now."""
        self._last_ms = max(self._last_ms, time.time_ns() // 1_000_000 - n)
        made = []
        for _ in range(n):
            self._last_ms += 1
            value = round(5.0 + self._chance.gauss(0.0, 0.2), 1)
            payload = json.dumps({"t": self._last_ms, "ec": value}).encode()
            made.append(("water/di", payload, "di.ec", self._last_ms))
        return made


class _Sixty:
    """Sixty channels, one after the other."""

    words = "60 channels in turn with all rules of the demonstration"

    def __init__(self, folder: Path, port: int, seed: int) -> None:
        self._site = sixty.site_of(folder, port)
        self._values = sixty.Values(self._site, seed)
        self._last_ms = 0

    def site_file(self, folder: Path, port: int) -> Path:
        return self._site.path

    def messages(self, n: int) -> list[tuple[str, bytes, str, int]]:
        """As `_One.messages`, in turns of all channels."""
        names = list(self._site.plant.channels)
        self._last_ms = max(self._last_ms, time.time_ns() // 1_000_000 - n)
        made = []
        for k in range(n):
            self._last_ms += 1
            name = names[k % len(names)]
            payload = json.dumps({"t": self._last_ms, "v": self._values.of(name, self._last_ms)}).encode()
            made.append((sixty.topic_of(name), payload, name, self._last_ms))
        return made


@contextmanager
def loopback_broker(folder: Path) -> Iterator[Mosquitto]:
    """A broker that keeps everything in memory."""
    (folder / "broker").mkdir()
    # What the broker writes to its own disk is not what is measured.
    broker = Mosquitto(folder / "broker", lines=("autosave_on_changes false", "autosave_interval 0"))
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


@contextmanager
def watching(site_file: Path) -> Iterator[Watched]:
    """`goodwater run` as a process of its own, connected."""
    watch = Watched(site_file)
    try:
        watch.start()
        watch.ready(60.0)
        yield watch
    finally:
        watch.stop()
        watch.close()


def _watched(source: _One | _Sixty, port: int, watch: Watched, n: int) -> float:
    """Seconds from the first message to the last one's reading in the store."""
    made = source.messages(n)
    _, _, channel, time_ms = made[-1]
    with closing(open_reader(watch.data)) as connection, _publisher(port, made) as began_s:

        def stored() -> bool:
            return reader.at(connection, channel, time_ms) is not None

        eventually(stored, _WAIT_S, what="the last message is stored")
        return time.time() - began_s()


def _counted(source: _One | _Sixty, port: int, n: int) -> float:
    """Seconds from the first message to the last one in a callback that only counts."""
    done, ready, seen = threading.Event(), threading.Event(), [0, 0.0]
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, manual_ack=True)

    def on_message(_: paho.Client, __: object, message: paho.MQTTMessage) -> None:
        seen[0] += 1
        client.ack(message.mid, message.qos)
        if seen[0] == n:
            seen[1] = time.time()
            done.set()

    properties = Properties(PacketTypes.CONNECT)
    properties.ReceiveMaximum = IN_FLIGHT
    client.on_message = on_message
    client.on_subscribe = lambda *_: ready.set()
    client.on_connect = lambda *_: client.subscribe("#", 1)
    client.connect("127.0.0.1", port, properties=properties)
    client.loop_start()
    try:
        assert ready.wait(10)
        with _publisher(port, source.messages(n)) as began_s:
            assert done.wait(_WAIT_S), f"{seen[0]} of {n}"
            return seen[1] - began_s()
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def _publisher(port: int, made: list[tuple[str, bytes, str, int]]) -> Iterator[Callable[[], float]]:
    """A process that sends ready-made packets as fast as the broker takes them; gives when it began."""
    packets = b"".join(_publish(k, topic.encode(), payload) for k, (topic, payload, _, _) in enumerate(made))
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.qos1", str(port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None and process.stdout is not None
    process.stdin.write(packets)
    process.stdin.close()
    out = process.stdout
    try:
        yield lambda: float(out.readline())
    finally:
        process.wait(_WAIT_S)
        out.close()


def _publish(n: int, topic: bytes, payload: bytes) -> bytes:
    body = struct.pack(">H", len(topic)) + topic + struct.pack(">H", n % 65_535 + 1) + payload
    return b"\x32" + _length(len(body)) + body


def _length(n: int) -> bytes:
    out = b""
    while True:
        n, low = n >> 7, n & 127
        out += bytes([low | (128 if n else 0)])
        if not n:
            return out


def publish(port: int) -> None:
    """The publisher's process: packets from the standard input, the moment of the first on the output."""
    packets = sys.stdin.buffer.read()
    with socket.create_connection(("127.0.0.1", port)) as wire:
        name = b"bench-publisher"
        body = b"\x00\x04MQTT\x04\x02\x00\x3c" + struct.pack(">H", len(name)) + name
        wire.sendall(b"\x10" + _length(len(body)) + body)
        assert wire.recv(4)[:2] == b"\x20\x02"
        answered = threading.Thread(target=_read_answers, args=(wire,), daemon=True)
        answered.start()
        print(time.time(), flush=True)
        wire.sendall(packets)
        wire.settimeout(2.0)
        answered.join(5.0)


def _read_answers(wire: socket.socket) -> None:
    try:
        while wire.recv(65_536):
            pass
    except OSError:
        return


if __name__ == "__main__":
    publish(int(sys.argv[1]))
