"""`goodwater listen`: what arrives on a real broker and a port, shown safely, and tables that load."""

from __future__ import annotations

import os
import signal
import threading
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from monitor.cli import main
from monitor.config import ConfigMistakes, load
from monitor.intake.checksums import crc16_modbus
from tests.config.sites import SITE, changed, written
from tests.mosquitto import Mosquitto
from tests.pseudo_terminal import PseudoTerminal
from tests.waiting import eventually

ESCAPES = "\x1b[31m\u202e\x07"


@contextmanager
def meanwhile(step: Callable[[int], None]) -> Iterator[None]:
    """Does something again and again in another thread: 0, 1, 2 ..."""
    over = threading.Event()

    def go() -> None:
        number = 0
        while not over.wait(0.05):
            step(number)
            number += 1

    thread = threading.Thread(target=go)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def tables(out: str) -> str:
    """What is to be pasted."""
    return "\n".join(part.partition("\n")[2] for part in out.split("To paste into")[1:])


def listen(*words: str, length: str = "600 ms") -> int:
    return main(["listen", *words, "--for", length])


def test_what_a_broker_sends_is_shown_as_it_would_be_read_and_the_tables_load(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def publish(n: int) -> None:
        broker.publish(
            "hall/ro", f'{{"feed": {{"ec": "{n}.5 uS/cm"}}, "temp": 21.5, "ts": 180000000{n % 10}}}'
        )
        broker.publish("hall/di/pH", "7,1")
        broker.publish(
            "hall/senml", '[{"bn":"urn:dev:x:","n":"flow","u":"l/s","v":0.1},{"n":"run","vb":true}]'
        )
        broker.publish(
            "hall/gateway", '{"values": [{"id": "level 1", "v": 120}], "at": "2031-02-14T06:30:00Z"}'
        )

    with meanwhile(publish):
        assert listen("--broker", f"127.0.0.1:{broker.port}") == 0
    out = capsys.readouterr().out
    assert "hall/ro" in out and "feed/ec = " in out and "temp = 21.5" in out
    assert "urn:dev:x:flow = 0.1 l/s, urn:dev:x:run = 1" in out
    assert "level 1 = 120; time 2031-02-14T06:30:00Z" in out
    pasted = tables(out)
    document = tomllib.loads(pasted)
    assert [(b["host"], b["port"]) for b in document["broker"]] == [("127.0.0.1", broker.port)]
    instruments = {i["wire"]["topic"]: i for i in document["instrument"]}
    assert instruments["hall/ro"]["wire"]["payload"] == {
        "kind": "json",
        "time": "/ts",
        "time_unit": "s",
        "unit_text": ["uS/cm"],
        "values": {"hall-ro.ec": "/feed/ec", "hall-ro.temp": "/temp"},
    }
    assert instruments["hall/di/pH"]["wire"]["payload"] == {"kind": "number", "decimal": "comma"}
    assert [c["unit"] for c in instruments["hall/senml"]["channel"]] == ["L/s", "1"]
    assert instruments["hall/gateway"]["wire"]["payload"]["kind"] == "json-named"
    without_broker = SITE.replace('[[broker]]\nid = "hall"\nhost = "127.0.0.1"\n', "")
    site = load(written(tmp_path, without_broker + pasted))
    assert len(site.plant.instrument) == 2 + 4


def test_a_site_file_says_what_is_configured_already_and_what_is_wrong_with_it(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = written(
        tmp_path,
        changed(('host = "127.0.0.1"\n\n[[serial', f'host = "127.0.0.1"\nport = {broker.port}\n\n[[serial')),
    )
    broker.publish("water/ro", '{"t": 1, "ec": 5.5, "c": null, "flow": 3}', retain=True)
    broker.publish("tank/level", "1200 mm", retain=True)
    assert listen(str(path), "--broker", "hall") == 0
    out = capsys.readouterr().out
    (shown,) = [line for line in out.splitlines() if line.endswith("[ro-node]")]
    assert "kept by the broker, old; ro.ec = 5.5, ro.flow = 3, not-a-number (ro.t: None)" in shown
    assert "read by the site file already: water/ro" in out
    assert [i["wire"]["topic"] for i in tomllib.loads(tables(out))["instrument"]] == ["tank/level"]
    assert "[[broker]]" not in tables(out)  # the site file has it
    assert len(load(written(tmp_path, path.read_text() + tables(out))).plant.instrument) == 3


def test_what_nobody_can_guess_waits_for_a_person_and_check_says_what_would_do(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    broker.publish("a/b", "5", retain=True)
    broker.publish("a/c", '{"tds": 310}', retain=True)
    assert listen("--broker", f"127.0.0.1:{broker.port}") == 0
    pasted = tables(capsys.readouterr().out).split("\n\n", 1)[1]  # without the broker's own table
    with pytest.raises(ConfigMistakes) as caught:
        load(written(tmp_path, SITE + pasted))
    assert sorted(m.place.rpartition(" > ")[2] for m in caught.value.mistakes) == ["quantity", "tds_scale"]


def test_nothing_that_is_sent_can_write_on_the_terminal_or_into_the_tables(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    topic = '"]' + "'''\u202e[[rule]]\\n"  # no broker takes a topic with control characters
    broker.publish(topic, "5", retain=True)
    broker.publish("text", f"{ESCAPES} bytes", retain=True)
    broker.publish("bytes", b"\xff\x1b[2J", retain=True)
    broker.publish("json", f'{{"e{chr(92)}u001b[31m": 1, "k": "{ESCAPES[1:4]}"}}', retain=True)
    assert listen("--broker", f"127.0.0.1:{broker.port}") == 0
    out = capsys.readouterr().out
    assert not [letter for letter in out if letter != "\n" and not letter.isprintable()]
    document = tomllib.loads(tables(out))
    assert set(document) == {"broker", "instrument"}
    assert topic in [i["wire"]["topic"] for i in document["instrument"]]


def test_listening_leaves_the_session_of_the_watch_and_the_broker_alone(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    listen("--broker", f"127.0.0.1:{broker.port}", "--topic", "only/+")
    assert "nothing arrived" in capsys.readouterr().out
    log = (broker.folder / "broker.log").read_text().splitlines()
    (line,) = [text for text in log if "as goodwater" in text]
    assert "as goodwater-listen-" in line and "(p2, c1," in line  # MQTT 3.1.1, a clean session


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "say where to listen"),
        (["--broker", "localhost:x"], "write HOST or HOST:PORT"),
        (["--broker", "localhost:0"], "port: input should be greater"),
        (["--broker", "h", "--username", "u", "--password-env", "NO_SUCH"], "NO_SUCH"),
        (["--broker", "h", "--cert-file", "a"], "go together"),
        (["--port", "/dev/x", "--delimiter", "123456789"], "delimiter"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("GOODWATER_SITE", raising=False)
    assert main(["listen", *words]) == 2
    assert said.lower() in capsys.readouterr().err.lower()


def test_a_duration_that_is_none_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", "--broker", "h", "--for", "soon"]) == 2
    assert '"30 s" or "5 min"' in capsys.readouterr().err


def test_a_broker_that_is_not_there_or_refuses_us_is_said_and_ends_with_1(
    make_broker: Callable[..., Mosquitto], capsys: pytest.CaptureFixture[str]
) -> None:
    closed = make_broker(passwords={"goodwater": "x"})
    assert listen("--broker", f"127.0.0.1:{closed.port}") == 1
    assert "refused" in capsys.readouterr().out.lower()
    closed.start()
    assert listen("--broker", f"127.0.0.1:{closed.port}") == 1
    assert "the broker refuses us: Not authorized" in capsys.readouterr().out


def test_by_tls_with_a_certificate_of_our_own_and_a_password_from_a_file(
    make_broker: Callable[..., Mosquitto], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    broker = make_broker(tls=True, passwords={"goodwater": "tap water"}, lines=["require_certificate true"])
    broker.start()
    broker.publish("hall/ec", "5.5", retain=True)
    certificates = broker.certificates
    assert certificates is not None
    (tmp_path / "password").write_text("tap water\n")
    words = ["--broker", f"localhost:{broker.port}", "--ca-file", str(certificates.ca_file)]
    words += [
        "--cert-file",
        str(certificates.client_cert_file),
        "--key-file",
        str(certificates.client_key_file),
    ]
    words += ["--username", "goodwater", "--password-file", str(tmp_path / "password"), "--version", "5"]
    assert listen(*words) == 0
    (table,) = tomllib.loads(tables(capsys.readouterr().out))["broker"]
    assert table["version"] == "5" and table["password_file"] == str(tmp_path / "password")
    assert table["tls"]["ca_file"] == str(certificates.ca_file)


def test_lines_of_a_port_are_shown_and_the_pattern_reads_them_all(
    pty_pair: PseudoTerminal, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def write(n: int) -> None:
        if pty_pair.is_open():
            text = f"EC={n}.5 uS/cm T={20 + n % 5}.25 C;"
            pty_pair.write(f"{text}{crc16_modbus(text.encode()):04X}\r".encode())

    with meanwhile(write):
        assert listen("--port", str(pty_pair.device), "--baud", "19200", length="1500 ms") == 0
    out = capsys.readouterr().out
    assert "ec = 3.5 uS/cm" in out
    document = tomllib.loads(tables(out))
    (port,) = document["serial_port"]
    assert (port["device"], port["baud"], port["delimiter"]) == (str(pty_pair.device), 19200, "cr")
    (instrument,) = document["instrument"]
    assert instrument["wire"]["checksum"] == "crc16-modbus"
    assert [(c["unit"], c["resolution"]) for c in instrument["channel"]] == [("uS/cm", 0.1), ("degC", 0.01)]
    assert len(load(written(tmp_path, SITE + tables(out))).plant.instrument) == 3


def test_a_port_of_the_site_file_shows_what_its_instruments_read_and_what_nobody_does(
    pty_pair: PseudoTerminal, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = written(tmp_path, changed(("/dev/ttyUSB0", str(pty_pair.device))))

    def write(n: int) -> None:
        if pty_pair.is_open():
            pty_pair.write(f"TDS {n}\nLEVEL {n * 10} mm\n".encode())

    with meanwhile(write):
        assert listen(str(path), "--port", "cabinet", length="1200 ms") == 0
    out = capsys.readouterr().out
    assert "tap.tds = 5   [tap-meter]" in out
    assert "lines are read by the site file already" in out
    (instrument,) = tomllib.loads(tables(out))["instrument"]
    assert instrument["wire"]["port"] == "cabinet"
    assert [c["quantity"] for c in instrument["channel"]] == ["level"]


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        (b"", "nothing arrived"),
        (bytes(range(128, 256)) * 4, "Another --baud"),
        (b"hello\n" * 40, "no line with a number"),
    ],
)
def test_a_port_that_says_nothing_to_be_read_gets_advice(
    pty_pair: PseudoTerminal, capsys: pytest.CaptureFixture[str], sent: bytes, said: str
) -> None:
    def write(n: int) -> None:
        if pty_pair.is_open() and n < 30:
            pty_pair.write(sent)

    with meanwhile(write):
        assert listen("--port", str(pty_pair.device)) == 0
    assert said in capsys.readouterr().out


def test_a_port_that_the_watch_has_open_is_said_so(
    pty_pair: PseudoTerminal, capsys: pytest.CaptureFixture[str]
) -> None:
    with serial.Serial(str(pty_pair.device), exclusive=True):
        assert listen("--port", str(pty_pair.device)) == 1
    assert "stop the watch meanwhile" in capsys.readouterr().out


def test_ctrl_c_ends_it_well_with_the_tables(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    broker.publish("hall/ec", "5.5", retain=True)
    heard: list[str] = []

    def interrupt() -> None:
        def said() -> bool:
            heard.append(capsys.readouterr().out)
            return "hall/ec" in "".join(heard)

        eventually(said)
        os.kill(os.getpid(), signal.SIGINT)

    thread = threading.Thread(target=interrupt)
    thread.start()
    assert main(["listen", "--broker", f"127.0.0.1:{broker.port}"]) == 0
    thread.join()
    assert 'topic = "hall/ec"' in capsys.readouterr().out
