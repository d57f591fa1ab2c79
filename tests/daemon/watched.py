"""A watch that really runs: broker, mailbox with TLS, `goodwater run` as a process, and what it stored."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import paho.mqtt.client as paho

from monitor.config import SiteFile, load
from monitor.readings import Reading, Transition
from monitor.store import reader
from monitor.store.files import STORE, holder, open_reader
from tests.waiting import eventually

SITE = """
[site]
id = "shop"
name = "Example Shop"
timezone = "UTC"
data = "data"

[[broker]]
id = "hall"
host = "127.0.0.1"
port = {broker_port}

[[mail_server]]
id = "office"
host = "localhost"
port = {mail_port}
security = "starttls"
ca_file = "{ca_file}"
username = "goodwater"
password_file = "secret"
sender = "goodwater@shop.example"

[delivery]
first_retry = "1 s"
longest_retry = "2 s"

[[stage]]
id = "di"
kind = "di"
name = "DI bed"

[[point]]
id = "di-out"
after = "di"
name = "DI outlet"

[[instrument]]
id = "di-meter"
name = "DI meter"
point = "di-out"
expected_interval = "{interval}"
{wire}

[[instrument.channel]]
id = "di.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 0.1
jump = "5000 uS/cm"
compensated = true

[[rule]]
kind = "limit"
id = "di-high"
channel = "di.ec"
above = "20 uS/cm"
priority = "high"

[[rule]]
kind = "silent"
id = "silent"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{{ kind = "email", to = "lead@shop.example", via = "office" }}]
"""

MQTT_WIRE = """
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "water/di"
payload = { kind = "json", time = "/t", values = { "di.ec" = "/ec" } }
"""


def write_site(
    folder: Path,
    *,
    broker_port: int,
    mail_port: int,
    ca_file: Path,
    wire: str = MQTT_WIRE,
    interval: str = "1 min",
    more: str = "",
) -> Path:
    """The site file, with the mail server's secret beside it."""
    (folder / "secret").write_text("open sesame")
    (folder / "secret").chmod(0o600)
    text = SITE.format(
        broker_port=broker_port, mail_port=mail_port, ca_file=ca_file, wire=wire, interval=interval
    )
    path = folder / "site.toml"
    path.write_text(text + more)
    return path


class Watched:
    """`goodwater run SITE` as a process of its own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.site: SiteFile = load(path)
        self.data = self.site.data_dir
        self._log = (path.parent / "run.log").open("ab")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "run", str(self.path), *arguments],
            stderr=self._log,
            stdout=self._log,
            start_new_session=True,
        )

    @property
    def daemon(self) -> int | None:
        """The process id of the daemon itself."""
        return holder(self.data)

    def ready(self, timeout: float = 20.0) -> int:
        """Wait until the daemon watches; its process id."""

        def running() -> int | None:
            assert self.process is not None and self.process.poll() is None, self.log
            return self.daemon if (self.data / STORE).exists() and self.links_up() else None

        return eventually(running, timeout, what="the daemon watches")

    def links_up(self) -> bool:
        with contextlib.suppress(Exception), contextlib.closing(open_reader(self.data)) as connection:
            found = reader.links(connection)
            return bool(found) and all(row["up"] for row in found)
        return False

    def kill_daemon(self) -> None:
        """kill -9 of the daemon: its supervisor starts it again."""
        pid = self.daemon
        if pid:
            os.kill(pid, signal.SIGKILL)

    def kill_all(self) -> None:
        """kill -9 of supervisor and daemon."""
        assert self.process is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> int:
        """Ask it to stop, as systemd does; its exit code."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.terminate()
        code = self.process.wait(30)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        return code

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.kill_all()
        self._log.close()

    @property
    def log(self) -> str:
        return (self.path.parent / "run.log").read_text()

    def readings(self, channel: str = "di.ec") -> list[Reading]:
        with contextlib.closing(open_reader(self.data)) as connection:
            return list(reader.readings(connection, channel))

    def transitions(self) -> list[Transition]:
        with contextlib.closing(open_reader(self.data)) as connection:
            return [transition for _, transition in reader.transitions(connection)]

    def counts(self) -> dict[tuple[str, str], int]:
        with contextlib.closing(open_reader(self.data)) as connection:
            return {(row["what"], row["subject"]): row["n"] for row in reader.counts(connection)}

    def owed_and_delivered(self) -> tuple[int, int]:
        with contextlib.closing(open_reader(self.data)) as connection:
            totals = reader.outbox_totals(connection)
            return totals.due, totals.delivered

    def message_ids(self) -> set[str]:
        with contextlib.closing(open_reader(self.data)) as connection:
            return {row["message_id"] for row in connection.execute("select message_id from outbox")}


class Publisher:
    """An instrument at the broker: each reading at QoS 1, waited for."""

    def __init__(self, port: int) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(self, time_ms: int, value: float, topic: str = "water/di") -> None:
        self.send(json.dumps({"t": time_ms, "ec": value}).encode(), topic)

    def send(self, payload: bytes, topic: str = "water/di") -> None:
        self._client.publish(topic, payload, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
