"""The shortest show: one probe, one broker, one mailbox, one watch; a limit alarm, then silence.

`sh deploy/demo.sh` runs it with everything it needs. It exits 0 only when both messages have arrived.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho

from simulator.mailbox import Mail, Mailbox

_EXAMPLE = Path(__file__).parent.parent / "config" / "one-meter.toml"
_TOPIC = "water/di-out"


def main() -> int:
    """Play the show once."""
    with tempfile.TemporaryDirectory(prefix="goodwater-") as name, Mailbox(tell=_announce) as box:
        folder = Path(name)
        broker, port = _start_broker()
        site = folder / "site.toml"
        site.write_text(_site(port, box.port))
        watch = subprocess.Popen([_goodwater(), "run", str(site)], stderr=(folder / "log").open("wb"))
        try:
            _await_watch(site)
            _play(site, port, box)
        finally:
            watch.send_signal(signal.SIGTERM)
            watch.wait(30)
            broker.terminate()
            broker.wait(10)
    print("both messages arrived: the whole way stands")
    return 0


def _play(site: Path, port: int, box: Mailbox) -> None:
    print("good water: 5.1 uS/cm, then the resin bed is spent: 31 uS/cm")
    for value in (5.1, 5.2, 5.1, *(31.0 + n / 10 for n in range(8))):
        _publish(port, value)
        time.sleep(1)
    first = box.wait_for(1, 60)[0]
    print(_indented(first.part("plain")))
    subprocess.run([_goodwater(), "ack", str(site), "di-high", "--by", "lead"], check=True)
    print("now the probe says nothing; silence is judged at whole minutes (up to two of them)")
    second = box.wait_for(2, 150)[1]
    print(_indented(second.part("plain").split("\n\n")[0]))
    subprocess.run([_goodwater(), "status", str(site)], check=False)


def _site(broker_port: int, mail_port: int) -> str:
    """The example file, quicker and on free ports."""
    text = _EXAMPLE.read_text(encoding="utf-8")
    changes = (
        (r'(id = "shop"\nhost = "127.0.0.1")', rf"\1\nport = {broker_port}"),
        (r"port = 1025", f"port = {mail_port}"),
        (r'expected_interval = "1 min"', 'expected_interval = "10 s"'),
        (r'on_delay = "[^"]*"', 'on_delay = "3 s"'),
    )
    for pattern, new in changes:
        text, n = re.subn(pattern, new, text)
        if n != 1:
            raise SystemExit(f"{_EXAMPLE} is not as this show expects it: {pattern}")
    return text


def _start_broker() -> tuple[subprocess.Popen[bytes], int]:
    """The broker that deploy/mosquitto.sh found, on a free port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    if "GOODWATER_MOSQUITTO" in os.environ:
        command = [os.environ["GOODWATER_MOSQUITTO"], "-p", str(port)]
    else:
        command = [*shlex.split(os.environ["GOODWATER_EMBEDDED_BROKER"]), str(port)]
        print("no mosquitto here: the broker inside Python takes its place, for show only")
    broker = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _until(lambda: _listens(port), "the broker listens")
    return broker, port


def _await_watch(site: Path) -> None:
    def watching() -> bool:
        done = subprocess.run([_goodwater(), "status", str(site)], capture_output=True, text=True)
        return " up " in done.stdout

    _until(watching, "the watch is connected")


def _publish(port: int, value: float) -> None:
    probe = paho.Client(paho.CallbackAPIVersion.VERSION2)
    probe.connect("127.0.0.1", port)
    probe.loop_start()
    probe.publish(_TOPIC, f"{value:.1f}", qos=1).wait_for_publish(10)
    probe.disconnect()
    probe.loop_stop()


def _announce(mail: Mail) -> None:
    print(f">>> mail to {', '.join(mail.to)}: {mail.parsed['Subject']}", flush=True)


def _goodwater() -> str:
    return str(Path(sys.executable).with_name("goodwater"))


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _until(is_so: Callable[[], bool], what: str, seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not is_so():
        if time.monotonic() > end:
            raise SystemExit(f"not so within {seconds:g} s: {what}")
        time.sleep(0.1)


def _indented(text: str) -> str:
    return "\n".join(f"    {line}" for line in text.splitlines())


if __name__ == "__main__":
    raise SystemExit(main())
