"""Other people's clients against the driver: the commands of docs/instruments.md, run as they stand there."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.intake.mqtt import MqttDriver
from monitor.intake.mqtt_settings import Broker, Wire
from monitor.plant.model import Instrument
from monitor.readings import Status
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, channel, soon
from tests.mosquitto import Mosquitto
from tests.waiting import eventually

PAGE = Path(__file__).parents[2] / "docs" / "instruments.md"
DEVICE = "urn:dev:mac:0024befffe804ff1:ec"
EC, TEMPERATURE = channel("di.ec"), channel("di.t", "temperature", "degC", 100.0)
EACH = {
    "hall/di/ec": ({"kind": "number", "unit_text": ["uS/cm"]}, [EC]),
    "hall/di": (
        {"kind": "json", "values": {"di.ec": "/ec", "di.t": "/water/t"}, "time": "/at", "time_unit": "s"},
        [EC, TEMPERATURE],
    ),
    "hall/senml": (
        {"kind": "senml", "values": {"di.ec": DEVICE, "di.t": "urn:dev:ow:10e2073a01080063"}},
        [EC, TEMPERATURE],
    ),
}


def publisher() -> str:
    """mosquitto's command-line client; fails in one sentence when there is none."""
    found = os.environ.get("GOODWATER_MOSQUITTO_PUB") or shutil.which("mosquitto_pub")
    assert found, "these tests need mosquitto_pub: install the package mosquitto-clients"
    return found


def commands() -> list[str]:
    """The mosquitto_pub commands of the page."""
    blocks = re.findall(r"```sh\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if "mosquitto_pub" in line]


@pytest.fixture
def driver_of() -> Any:
    made: list[MqttDriver] = []

    def make(broker: Mosquitto, recorder: Recorder, **settings: Any) -> None:
        at = Broker.model_validate({"id": "hall", "host": "localhost", "port": broker.port, **settings})
        instruments = [
            Instrument.model_validate(
                {
                    "id": f"m{n}",
                    "wire": Wire.model_validate({"broker": "hall", "topic": topic, "payload": payload}),
                    "expected_interval": "1 min",
                    "channel": [one.model_dump(exclude_unset=True) for one in channels],
                }
            )
            for n, (topic, (payload, channels)) in enumerate(EACH.items())
        ]
        made.append(MqttDriver(at, instruments, recorder, StillClock(), site="hall", delays=soon))
        made[-1].start()
        eventually(recorder.is_up)

    yield make
    for driver in made:
        driver.stop()


def test_the_commands_of_the_page_send_what_it_says(
    broker: Mosquitto, driver_of: Callable[..., None]
) -> None:
    recorder = Recorder()
    driver_of(broker, recorder)
    where = f"-h 127.0.0.1 -p {broker.port}"
    for command in commands():
        line = command.replace("-h broker.shop.example", where).replace("mosquitto_pub", publisher())
        subprocess.run(["sh", "-c", line], check=True, timeout=20)
    now = StillClock().now_ms()
    eventually(lambda: len(recorder.samples) == 10)
    assert [(s.channel, round(s.value, 6), s.time_ms) for s in recorder.samples] == [
        ("di.ec", 4.9, None),
        ("di.ec", 5.1, None),
        ("di.ec", 4.9, 1_800_000_000_000),
        ("di.t", 21.5, 1_800_000_000_000),
        ("di.ec", 5.2, 1_700_000_000_000),
        ("di.t", 21.4, 1_700_000_000_000),
        ("di.t", 23.1, None),
        ("di.ec", 4.9, 1_800_000_000_000),
        ("di.ec", 4.7, now - 5000),
        ("di.ec", 4.8, None),
    ]
    assert recorder.counts == []
    again = Recorder()
    driver_of(broker, again, client_id="another")
    eventually(lambda: len(again.samples) == 2)  # what the broker keeps: old, and as old as it says
    assert {(s.time_ms, s.status) for s in again.samples} == {(1_700_000_000_000, Status.RETAINED)}


@pytest.mark.parametrize("version", ["mqttv5", "mqttv311"])
def test_a_client_with_certificate_and_password_reaches_a_watch_that_has_its_own(
    make_broker: Callable[..., Mosquitto], driver_of: Callable[..., None], version: str
) -> None:
    broker = make_broker(
        tls=True, passwords={"meter": "m", "goodwater": "g"}, lines=["require_certificate true"]
    )
    broker.start()
    files = broker.certificates
    assert files is not None
    tls = {
        "ca_file": str(files.ca_file),
        "cert_file": str(files.client_cert_file),
        "key_file": str(files.client_key_file),
    }
    recorder = Recorder()
    driver_of(
        broker,
        recorder,
        username="goodwater",
        password="g",
        tls=tls,
        version=version[-1] if version == "mqttv5" else "3.1.1",
    )
    words = [publisher(), "-h", "localhost", "-p", str(broker.port), "-V", version, "-u", "meter", "-P", "m"]
    words += [
        "--cafile",
        str(files.ca_file),
        "--cert",
        str(files.client_cert_file),
        "--key",
        str(files.client_key_file),
    ]
    subprocess.run([*words, "-q", "1", "-t", "hall/di/ec", "-m", "4.9"], check=True, timeout=20)
    eventually(lambda: recorder.values == [4.9])
