"""The whole way: an instrument on a real wire, a judged value, a message in a real mailbox, acknowledged."""

from __future__ import annotations

import csv
import io
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.readings import Standing
from simulator.mailbox import Mailbox
from tests.daemon.watched import Publisher, Watched
from tests.pseudo_terminal import PseudoTerminal
from tests.waiting import eventually

pytestmark = pytest.mark.serial

Make = Callable[..., Watched]


def goodwater(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *arguments], capture_output=True, text=True, timeout=60
    )


def test_a_value_beyond_its_limit_becomes_a_mail_and_an_acknowledged_alarm(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    publisher.publish(now_ms - 2000, 5.0)
    publisher.publish(now_ms - 1000, 31.5)
    (mail,) = mailbox.wait_for(1)
    assert mail.login == "goodwater"
    assert mail.parsed["Subject"] == "High: DI outlet: conductivity 31.5 µS/cm, above 20.0 µS/cm"
    assert "goodwater ack" in mail.part("plain")

    site = str(watch.path)
    assert "di-high#1" in goodwater("alarms", site).stdout
    done = goodwater("ack", site, "di-high#1", "--by", "lead", "--comment", "resin changed")
    assert done.stdout == "di-high#1: acknowledged by lead\n"
    status = goodwater("status", site)
    assert "acknowledged" in status.stdout and "watched (process" in status.stdout
    assert status.returncode == 1  # an alarm stands

    publisher.publish(now_ms, 5.0)
    first, second = mailbox.wait_for(2)
    assert second.parsed["References"] == first.parsed["Message-ID"]
    assert goodwater("alarms", site).stdout == "no alarm stands\n"
    assert watch.stop() == 0

    assert goodwater("status", site).stdout.startswith("Example Shop: NOT WATCHED.")
    rows = list(csv.DictReader(io.StringIO(goodwater("readings", site, "di.ec").stdout)))
    assert [float(row["value"]) for row in rows] == [5.0, 31.5, 5.0]
    replay = goodwater("replay", site)
    assert replay.returncode == 0 and replay.stdout.endswith("3 stored transitions, 3 replayed: the same\n")


def test_a_text_line_meter_on_a_serial_port_is_judged_the_same_way(
    watched: Make, pty_pair: PseudoTerminal, mailbox: Mailbox
) -> None:
    wire = """
[instrument.wire]
kind = "serial-line"
port = "cabinet"
pattern = 'EC=(?P<ec>[-+0-9.]+) uS'
values = { "di.ec" = "ec" }
"""
    port = f'\n[[serial_port]]\nid = "cabinet"\ndevice = "{pty_pair.device}"\n'
    watch = watched(wire=wire, more=port)
    watch.start()
    watch.ready()
    eventually(pty_pair.is_open)
    pty_pair.write(b"EC=5.0 uS\r\n")
    eventually(watch.readings)
    pty_pair.write(b"EC=44")
    pty_pair.write(b".1 uS\r\n")
    (mail,) = mailbox.wait_for(1)
    assert "44.1 µS/cm" in mail.parsed["Subject"]
    assert watch.stop() == 0


@pytest.mark.timeout(180)
def test_silence_becomes_a_mail(watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int) -> None:
    # Silence is judged at whole minutes: allowed is three times 5 s, so the first or second minute tells.
    watch = watched(interval="5 s")
    watch.start()
    watch.ready()
    publisher.publish(now_ms, 5.0)
    (mail,) = mailbox.wait_for(1, 130)
    assert "DI meter silent for" in mail.parsed["Subject"]
    assert watch.stop() == 0


def test_an_acknowledgement_given_while_nothing_runs_takes_effect_at_the_next_start(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    publisher.publish(now_ms, 31.5)
    mailbox.wait_for(1)
    watch.stop()
    noted = goodwater("ack", str(watch.path), "di-high")
    assert "takes effect when the watch runs again" in noted.stdout
    watch.start()
    watch.ready()
    eventually(lambda: watch.transitions()[-1].cause == "acknowledged")
    watch.stop()


def test_bad_input_is_counted_with_its_reason_and_intake_goes_on(
    watched: Make, publisher: Publisher, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    for payload in (b"", b"\xff\xfe", b'{"t": 1', b'{"ec": NaN}', b'{"t": 1e300, "ec": 5}', b"[" * 5000):
        publisher.send(payload)
    publisher.publish(now_ms, 1e12)
    publisher.publish(now_ms + 3_600_000, 5.0)
    publisher.publish(now_ms + 1, 5.0)
    good = eventually(lambda: [r for r in watch.readings() if r.standing == Standing.JUDGED and r.raw == 5.0])
    assert len(good) == 1
    status = goodwater("status", str(watch.path)).stdout
    for word in ("bad-time", "water/di", "not-finite"):
        assert word in status, status
    assert watch.transitions() == []
    watch.stop()


def test_what_was_published_while_the_daemon_was_stopped_is_stored_with_its_own_time(
    watched: Make, publisher: Publisher, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    watch.stop()
    for n in range(300):
        publisher.publish(now_ms + n, 5.0 + n / 1000)
    watch.start()
    eventually(lambda: len(watch.readings()) == 300)
    assert {r.standing for r in watch.readings()} == {Standing.JUDGED}
    watch.stop()


def test_mail_that_cannot_be_delivered_waits_and_leaves_when_the_server_is_back(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int, tmp_path: Path
) -> None:
    watch = watched()
    (tmp_path / "secret").write_text("wrong")
    watch.start()
    watch.ready()
    publisher.publish(now_ms, 31.5)
    eventually(lambda: "Messages: 0 delivered, 1 due" in goodwater("status", str(watch.path)).stdout)
    (tmp_path / "secret").write_text("open sesame")
    assert len(mailbox.wait_for(1, 30)) == 1
    watch.stop()


def test_a_wrong_site_file_ends_with_2_all_mistakes_and_no_traceback(watched: Make) -> None:
    watch = watched()
    text = watch.path.read_text().replace('unit = "uS/cm"', 'unit = "furlong"', 1)
    watch.path.write_text(text.replace('channel = "di.ec"', 'channel = "di.xx"'))
    for command in ("check", "run", "status"):
        done = goodwater(command, str(watch.path))
        assert done.returncode == 2
        assert "furlong" in done.stderr and "di.xx" in done.stderr
        assert "Traceback" not in done.stderr + done.stdout


def test_a_second_daemon_over_the_same_data_is_refused_in_words(watched: Make) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    second = goodwater("run", str(watch.path))
    assert second.returncode == 2
    assert "running already" in second.stderr
    watch.stop()


def test_the_daemon_ends_when_its_supervisor_is_killed(watched: Make) -> None:
    watch = watched()
    watch.start()
    pid = watch.ready()
    assert watch.process is not None
    os.kill(watch.process.pid, 9)
    eventually(lambda: watch.daemon is None, what=f"daemon {pid} ends")


def test_the_supervisor_starts_a_killed_daemon_again(watched: Make, publisher: Publisher) -> None:
    watch = watched()
    watch.start()
    first = watch.ready()
    os.kill(first, 9)
    eventually(lambda: watch.daemon not in (None, first), what="another daemon")
    publisher.publish(time.time_ns() // 1_000_000, 5.0)
    eventually(watch.readings)
    assert watch.stop() == 0
