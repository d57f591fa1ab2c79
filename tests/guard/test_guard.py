"""`goodwater guard` as a process: heartbeats by HTTP and words on a broker, mails by a server of its own."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import trustme

from monitor.alive.heartbeat import Heart
from monitor.alive.settings import Heartbeat
from monitor.cli import main
from monitor.clock import MachineClock
from monitor.config.guard_file import load_guard
from monitor.guard.guarding import Guarding
from monitor.intake.driver import LinkChange, Parcel
from monitor.plant.model import Site
from simulator.mailbox import Mailbox
from tests.mailbox import Authority
from tests.mosquitto import Mosquitto, free_port
from tests.waiting import eventually, stays

pytestmark = pytest.mark.serial

KEY = "0123456789abcdef0123456789abcdef"
SITE = Site.model_validate({"id": "shop", "name": "Example Shop", "timezone": "UTC", "data": "data"})

FILE = """
[guard]
id = "office"
name = "office PC"
timezone = "UTC"
data = "guard-data"
listen = "127.0.0.1"
port = {port}
{more}

[[watch]]
id = "shop"
name = "Example Shop"
{heard_by}
patience = "{patience}"

[[mail_server]]
id = "other"
host = "localhost"
port = {mail_port}
security = "starttls"
ca_file = "{ca_file}"
username = "guard"
password_file = "mail-password"
sender = "guard@shop.example"

[delivery]
first_retry = "1 s"
longest_retry = "1 s"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{{ kind = "email", to = "lead@shop.example" }}]
"""


class Guard:
    """One guard with its folder, its mailbox, and hearts to beat for it."""

    def __init__(self, folder: Path, mail_port: int, authority: Authority, **changes: str) -> None:
        self.folder, self.port = folder, free_port()
        (folder / "guard-secret").write_text(KEY)
        (folder / "mail-password").write_text("open sesame")
        self.path = folder / "guard.toml"
        settings = {"heard_by": 'secret_file = "guard-secret"', "patience": "2 s", "more": ""} | changes
        self.path.write_text(
            FILE.format(port=self.port, mail_port=mail_port, ca_file=authority.file, **settings)
        )
        self.links: list[LinkChange] = []
        self._log = (folder / "guard.log").open("ab")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """As a process of its own."""
        command = [sys.executable, "-m", "monitor.cli", "guard", str(self.path)]
        self.process = subprocess.Popen(command, stdout=self._log, stderr=self._log)
        eventually(self.listens, 60, what="the guard listens")

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """In this process, where nothing is killed."""
        guarding = Guarding(load_guard(self.path), self.folder, MachineClock(), {})
        thread = threading.Thread(target=guarding.run, name="guard")
        thread.start()
        try:
            yield
        finally:
            guarding.stop()
            thread.join(15)

    def listens(self) -> bool:
        assert self.process is not None and self.process.poll() is None, self.log
        return "the guard office PC listens" in self.log.rpartition("started")[2]

    def kept(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / "guard-data/guard.json").read_text())
        return found

    @property
    def log(self) -> str:
        return (self.folder / "guard.log").read_text()

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(how)
        code = self.process.wait(15)
        self._log.write(b"started anew\n")
        self._log.flush()
        return code

    @contextlib.contextmanager
    def beating(self, scheme: str = "http", **changes: str) -> Iterator[None]:
        """A watch whose heartbeats come to this guard."""
        settings = {
            "url": f"{scheme}://localhost:{self.port}/heartbeat/shop",
            "every": "1 s",
            "secret_file": "guard-secret",
        }
        heart = Heart(
            Heartbeat.model_validate(settings | changes), SITE, self._note, MachineClock(),
            folder=self.folder, tell=lambda _: True,
        )  # fmt: skip
        heart.start()
        try:
            yield
        finally:
            heart.stop()

    def _note(self, change: Parcel | LinkChange) -> None:
        assert isinstance(change, LinkChange)
        self.links.append(change)

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._log.close()


def subjects(box: Mailbox) -> list[str]:
    return [str(mail.parsed["Subject"]) for mail in box.mails]


SILENT = "High: Goodwater at Example Shop is silent, its water is not watched"
BACK = "Goodwater at Example Shop is heard again"
NEVER = "Medium: this guard has never heard of Goodwater at Example Shop"


@pytest.fixture
def box(make_mailbox: Callable[..., Mailbox]) -> Mailbox:
    """The guard's own mail server."""
    return make_mailbox(security="starttls", users={"guard": "open sesame"})


@pytest.fixture
def guard(tmp_path: Path, authority: Authority) -> Iterator[Callable[..., Guard]]:
    made: list[Guard] = []

    def make(mail_port: int, **changes: str) -> Guard:
        made.append(Guard(tmp_path, mail_port, authority, **changes))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_a_watch_that_falls_silent_is_told_once_and_once_more_when_it_is_back_whatever_is_killed(
    guard: Callable[..., Guard], box: Mailbox, capsys: pytest.CaptureFixture[str]
) -> None:
    office = guard(box.port, patience="8 s")  # on a busy machine a heartbeat may be seconds late
    office.start()
    with office.beating():
        eventually(lambda: office.links, 30)
        stays(lambda: subjects(box) == [], 2.5)
    (silent,) = box.wait_for(1, 40)
    assert silent.parsed["Subject"] == SILENT and silent.login == "guard"
    # A heart that ended in good order said so.
    assert "stopped in good order" in silent.part("plain")
    assert "the guard office PC" in silent.part("plain")

    # Killed while it is silent: neither told again nor forgotten. (Killed between the server's answer and
    # the note of it, it would send the same Message-ID once more.)
    eventually(lambda: office.kept()["owed"] == [])
    assert office.end(signal.SIGKILL) == -signal.SIGKILL
    office.start()
    stays(lambda: subjects(box) == [SILENT], 2.5)
    assert main(["guard", str(office.path), "--show"]) == 1
    assert "SILENT" in capsys.readouterr().out
    with office.beating():
        _, back = box.wait_for(2, 40)
        assert back.parsed["Subject"] == BACK
        assert back.parsed["References"] == silent.parsed["Message-ID"]
        assert office.end() == 0
    assert main(["guard", str(office.path), "--show"]) == 0
    assert "last heard" in capsys.readouterr().out
    assert subjects(box) == [SILENT, BACK]
    assert (office.folder / "guard-data/guard.json").stat().st_mode & 0o777 == 0o600


def test_what_it_owes_is_told_when_its_mail_server_is_there_again_also_after_it_was_killed(
    guard: Callable[..., Guard], make_mailbox: Callable[..., Mailbox]
) -> None:
    port = free_port()
    office = guard(port)
    office.start()
    eventually(lambda: "does not work" in office.log, 15)
    office.end(signal.SIGKILL)
    assert [owed["turn"]["kind"] for owed in office.kept()["owed"]] == ["never"]
    box = make_mailbox(port=port, security="starttls", users={"guard": "open sesame"})
    office.start()
    (never,) = box.wait_for(1, 15)
    assert never.parsed["Subject"] == NEVER
    stays(lambda: subjects(box) == [NEVER], 2.5)
    assert office.end() == 0


def test_heartbeats_that_are_not_believed_are_answered_in_words_and_said_with_the_silence(
    guard: Callable[..., Guard], box: Mailbox
) -> None:
    office = guard(box.port)
    (office.folder / "other-secret").write_text("another key, as long as needed")
    with office.running(), office.beating(secret_file="other-secret"):
        (never,) = box.wait_for(1, 15)
    told = " ".join(never.part("plain").split())
    assert "a heartbeat came and was refused: its signature is wrong" in told
    assert any("its signature is wrong: compare the key of both ends" in link.detail for link in office.links)


def test_a_status_topic_is_listened_to_and_a_memory_of_running_is_no_sign_of_life(
    guard: Callable[..., Guard], broker: Mosquitto, box: Mailbox
) -> None:
    topic = "goodwater/shop/status"
    office = guard(box.port, heard_by='broker = "hall"')
    with office.path.open("a") as file:
        file.write(f'\n[[broker]]\nid = "hall"\nhost = "127.0.0.1"\nport = {broker.port}\n')
    broker.publish(topic, "running", retain=True)
    with office.running():
        (never,) = box.wait_for(1, 15)
        assert never.parsed["Subject"] == NEVER

        broker.publish(topic, "running", retain=True)
        box.wait_for(2, 15)
        broker.publish(topic, "gone", retain=True)
        silent = box.wait_for(3, 15)[2]
        assert "the broker saw its connection break" in silent.part("plain")

        broker.publish(topic, "running", retain=True)
        box.wait_for(4, 15)
        broker.kill()  # with the shop's power
        assert "Trouble" in box.wait_for(5, 15)[4].part("plain")
    assert subjects(box) == [NEVER, BACK, SILENT, BACK, SILENT]


def test_https_by_a_certificate_of_the_shop_s_own_and_a_client_that_says_nothing_holds_up_nobody(
    guard: Callable[..., Guard], box: Mailbox, tmp_path: Path
) -> None:
    own = trustme.CA()
    own.cert_pem.write_to_path(str(tmp_path / "own-ca.pem"))
    issued = own.issue_cert("localhost")
    issued.private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "guard.pem"))
    pem = 'cert_file = "guard.pem"\nkey_file = "guard.pem"'
    office = guard(box.port, more=pem, patience="1 min")
    with office.running():
        eventually(lambda: accepts(office.port))
        with socket.create_connection(("127.0.0.1", office.port)):
            with office.beating("https", ca_file="own-ca.pem"):
                eventually(lambda: office.links, 5)
            assert office.links[0].up, office.links


def accepts(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
        return True
    return False


def test_a_port_that_is_taken_is_refused_in_one_sentence_and_each_way_can_be_tried(
    guard: Callable[..., Guard], box: Mailbox, capsys: pytest.CaptureFixture[str]
) -> None:
    office = guard(box.port)
    guarding = Guarding(load_guard(office.path), office.folder, MachineClock(), {})
    with socket.create_server(("127.0.0.1", office.port)), pytest.raises(OSError, match="in use"):
        guarding.run()
    assert main(["guard", str(office.path), "--test"]) == 0
    assert "delivered" in capsys.readouterr().out
    assert subjects(box) == ["Test from the Goodwater guard office PC: nothing is wrong"]
