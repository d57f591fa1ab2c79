"""The broker's configuration keeps what waits for an absent client, also over a crash of the broker."""

import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.mosquitto import Certificates, free_port, password_line, program
from tests.waiting import eventually

REPOSITORY = Path(__file__).resolve().parents[2]
CONF = REPOSITORY / "deploy" / "mosquitto" / "goodwater.conf"
WAITING = 5_000
PATIENCE_S = 60.0


def answers(port: int) -> bool:
    """Tell whether something accepts connections at the port."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def serving(command: list[str], port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run a broker until the block ends."""
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            eventually(lambda: answers(port), what=f"a broker at port {port}")
            yield process
        finally:
            process.kill()


def configured(folder: Path, port: int, autosave_s: int) -> list[str]:
    """Lay the shipped file beside a main file like Debian's, with another port and time between writes."""
    text = CONF.read_text(encoding="utf-8")
    changed, ports = re.subn(r"(?m)^listener 1883 127", f"listener {port} 127", text)
    changed, saves = re.subn(r"(?m)^autosave_interval \d+$", f"autosave_interval {autosave_s}", changed)
    assert (ports, saves) == (1, 1)
    (folder / "conf.d").mkdir()
    (folder / "conf.d" / "goodwater.conf").write_text(changed, encoding="utf-8")
    main = folder / "mosquitto.conf"
    # Started by root, mosquitto would become the user "mosquitto" and be shut out of this folder.
    user = "user root\n" if os.geteuid() == 0 else ""
    main.write_text(
        f"{user}persistence true\npersistence_location {folder}/\ninclude_dir {folder}/conf.d\n",
        encoding="utf-8",
    )
    return [program(), "-c", str(main)]


class Client:
    """A client of one test: it connects, and collects what it is sent."""

    def __init__(self, port: int, name: str, *, clean: bool = True) -> None:
        self.received: list[bytes] = []
        self.session_present = False
        self._port = port
        self._ready = threading.Event()
        self._wanted: tuple[int, threading.Event] = (0, threading.Event())
        self.paho = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=clean,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self.paho.on_connect = self._connected
        self.paho.on_subscribe = lambda *_: self._ready.set()
        self.paho.on_message = self._message

    def _connected(self, client: mqtt.Client, data: object, flags: mqtt.ConnectFlags, *rest: object) -> None:
        self.session_present = flags.session_present
        self._ready.set()

    def _message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self.received.append(message.payload)
        if len(self.received) >= self._wanted[0]:
            self._wanted[1].set()

    def connect(self, expecting: int = 0) -> None:
        """Connect and wait for the broker's word; ``expecting`` messages may then be awaited."""
        self._wanted = (expecting, threading.Event())
        self.paho.connect("127.0.0.1", self._port)
        self.paho.loop_start()
        assert self._ready.wait(PATIENCE_S)
        self._ready.clear()

    def subscribe(self, topic: str) -> None:
        """Subscribe with QoS 1 and wait for the broker's word."""
        self.paho.subscribe(topic, qos=1)
        assert self._ready.wait(PATIENCE_S)

    def publish(self, topic: str, payloads: list[bytes]) -> None:
        """Publish with QoS 1 and wait until the broker has acknowledged each."""
        for message in [self.paho.publish(topic, payload, qos=1) for payload in payloads]:
            message.wait_for_publish(PATIENCE_S)

    def wait(self) -> bool:
        """Wait for the expected messages."""
        return self._wanted[1].wait(PATIENCE_S)

    def close(self) -> None:
        """Say goodbye; a session that was asked to last stays at the broker."""
        self.paho.disconnect()
        self.paho.loop_stop()


def saved_after_now(database: Path, client: Client) -> None:
    """Wait for a write of the broker's database that began after this call."""
    before = database.stat().st_ino if database.exists() else 0

    def saved() -> bool:
        client.publish("elsewhere", [b"so that there is something to write"])
        return database.exists() and database.stat().st_ino != before

    eventually(saved, PATIENCE_S, what=f"the broker has written {database.name}")


def test_what_waits_for_an_absent_client_survives_a_killed_broker(tmp_path: Path) -> None:
    port = free_port()
    command = configured(tmp_path, port, autosave_s=1)
    sent = [b"%d" % number for number in range(WAITING)]
    with serving(command, port) as broker:
        away = Client(port, "goodwater", clean=False)
        away.connect()
        away.subscribe("shop/#")
        away.close()
        sender = Client(port, "meter")
        sender.connect()
        sender.publish("shop/meter", sent)
        saved_after_now(tmp_path / "mosquitto.db", sender)
        broker.kill()
        sender.close()
    with serving(command, port):
        back = Client(port, "goodwater", clean=False)
        back.connect(expecting=WAITING)
        assert back.session_present
        assert back.wait(), f"{len(back.received)} of {WAITING} came"
        back.close()
    assert back.received == sent


def test_a_client_that_acknowledges_late_is_sent_more_than_one_batch(tmp_path: Path) -> None:
    """The daemon acknowledges after the commit, up to 1,000 readings at a time."""
    port = free_port()
    with serving(configured(tmp_path, port, autosave_s=30), port):
        slow = Client(port, "goodwater", clean=False)
        slow.paho.manual_ack_set(True)
        slow.connect(expecting=1_001)
        slow.subscribe("shop/#")
        sender = Client(port, "meter")
        sender.connect()
        sender.publish("shop/meter", [b"%d" % number for number in range(1_500)])
        assert slow.wait(), f"only {len(slow.received)} came before the first was acknowledged"
        sender.close()
        slow.close()


def test_the_broker_as_shipped_listens_on_this_machine_alone() -> None:
    listeners = re.findall(r"(?m)^listener (.*)$", CONF.read_text(encoding="utf-8"))
    assert listeners == ["1883 127.0.0.1"]


def test_the_sections_left_out_are_accepted_by_the_broker_once_taken_in(tmp_path: Path) -> None:
    """TLS, passwords and rules: the file's examples are taken in, with real files, and tried by two users."""
    certificates = Certificates(tmp_path)
    text = CONF.read_text(encoding="utf-8")
    acl = "".join(f"{line}\n" for line in re.findall(r"(?m)^#   (\w.*)$", text))
    (tmp_path / "goodwater.acl").write_text(acl, encoding="utf-8")
    users = password_line("goodwater", "water") + password_line("meter", "water")
    (tmp_path / "goodwater.passwd").write_text(users, encoding="utf-8")
    plain, secured = free_port(), free_port()
    command = configured(tmp_path, plain, autosave_s=30)
    conf = tmp_path / "conf.d" / "goodwater.conf"
    taken_in = re.sub(r"(?m)^#(?=[a-z_]+ )", "", conf.read_text(encoding="utf-8"))
    for shipped, made in (
        ("/etc/mosquitto/certs/ca.crt", certificates.ca_file),
        ("/etc/mosquitto/certs/server.crt", certificates.cert_file),
        ("/etc/mosquitto/certs/server.key", certificates.key_file),
        ("/etc/mosquitto/goodwater.", tmp_path / "goodwater."),
    ):
        assert shipped in taken_in
        taken_in = taken_in.replace(shipped, str(made))
    conf.write_text(taken_in.replace("listener 8883", f"listener {secured}"), encoding="utf-8")

    with serving(command, plain):
        reader, meter = Client(secured, "reader"), Client(secured, "meter-1")
        # In a connection of its own: mosquitto 2.0.11 now and then hangs up on whom it denies a publish.
        forger = Client(secured, "meter-2")
        for client, user in ((reader, "goodwater"), (meter, "meter"), (forger, "meter")):
            client.paho.tls_set(ca_certs=str(certificates.ca_file))
            client.paho.username_pw_set(user, "water")
            client.connect(expecting=1)
        reader.subscribe("shop/#")
        forger.paho.publish("shop/another/ec", b"forged", qos=0).wait_for_publish(PATIENCE_S)
        forger.close()
        meter.publish("shop/meter/ec", [b"12.5"])
        assert reader.wait()
        meter.close()
        reader.close()
    assert reader.received == [b"12.5"]


def test_the_embedded_broker_carries_a_message_over_mqtt_3_1_1() -> None:
    port = free_port()
    with serving([sys.executable, "deploy/embedded_broker.py", str(port)], port):
        reader, meter = Client(port, "reader"), Client(port, "meter")
        reader.connect(expecting=1)
        reader.subscribe("shop/#")
        meter.connect()
        meter.publish("shop/meter", [b"12.5"])
        assert reader.wait()
        assert reader.received == [b"12.5"]
        meter.close()
        reader.close()


@pytest.mark.parametrize("words", [[], ["0"], ["70000"], ["broker"], ["1883", "1884"]])
def test_the_embedded_broker_refuses_what_is_no_port(words: list[str]) -> None:
    refused = subprocess.run(
        [sys.executable, "deploy/embedded_broker.py", *words],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert refused.returncode == 2
    assert refused.stderr == "usage: python deploy/embedded_broker.py PORT, where PORT is 1 to 65535\n"
