"""A real MQTT broker for a test: started on a free loopback port, killed, started again."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import random
import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import Iterable
from pathlib import Path

import paho.mqtt.publish
import trustme

from tests.waiting import eventually


def program() -> str:
    """The broker's program; fails in one sentence when there is none."""
    found = os.environ.get("GOODWATER_MOSQUITTO") or shutil.which("mosquitto")
    if found is None and Path("/usr/sbin/mosquitto").exists():  # Debian: not on a plain user's path
        found = "/usr/sbin/mosquitto"
    if found is None:
        raise AssertionError(
            "these tests need the mosquitto broker: install it, or name its program in GOODWATER_MOSQUITTO"
        )
    return found


def free_port() -> int:
    """A port of the loopback that nobody has.

    Not one of those that the system gives to connections going out: such a one may be gone again before a
    server takes it.
    """
    for port in random.SystemRandom().sample(range(15_000, 32_000), 100):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port of the loopback is free")


class Certificates:
    """An authority of the shop's own, with a certificate for the broker and one for a client."""

    def __init__(self, folder: Path) -> None:
        self.ca_file = folder / "ca.pem"
        self.cert_file = folder / "broker.pem"
        self.key_file = folder / "broker.key"
        authority = trustme.CA()
        authority.cert_pem.write_to_path(self.ca_file)
        issued = authority.issue_cert("localhost", "127.0.0.1")
        issued.cert_chain_pems[0].write_to_path(self.cert_file)
        issued.private_key_pem.write_to_path(self.key_file)
        self.client_cert_file = folder / "client.pem"
        self.client_key_file = folder / "client.key"
        client = authority.issue_cert("goodwater.shop.example")
        client.cert_chain_pems[0].write_to_path(self.client_cert_file)
        client.private_key_pem.write_to_path(self.client_key_file)


def password_line(user: str, password: str) -> str:
    """A line of mosquitto's password file (version 2: PBKDF2 with SHA-512)."""
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    parts = ["$7", "101", base64.b64encode(salt).decode(), base64.b64encode(digest).decode()]
    return f"{user}:{'$'.join(parts)}\n"


class Mosquitto:
    """One broker that keeps what it promised: no bound on queued messages, everything written at once.

    `passwords` closes it to others than these users; `acl` are lines of an access list; `tls` gives it
    certificates.
    """

    host = "127.0.0.1"

    def __init__(
        self,
        folder: Path,
        *,
        passwords: dict[str, str] | None = None,
        acl: str | None = None,
        tls: bool = False,
        lines: Iterable[str] = (),
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.certificates = Certificates(folder) if tls else None
        self._process: subprocess.Popen[bytes] | None = None
        self._passwords = passwords
        config = [
            f"listener {self.port} {self.host}",
            f"allow_anonymous {'false' if passwords else 'true'}",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
            "max_queued_messages 0",
            f"log_dest file {folder / 'broker.log'}",
            *lines,
        ]
        if os.geteuid() == 0:
            config.append("user root")  # else it gives up root and cannot read this folder
        if passwords is not None:
            (folder / "passwords").write_text("".join(password_line(*pair) for pair in passwords.items()))
            config.append(f"password_file {folder / 'passwords'}")
        if acl is not None:
            (folder / "acl").write_text(acl)
            config.append(f"acl_file {folder / 'acl'}")
        if self.certificates is not None:
            config += [
                f"cafile {self.certificates.ca_file}",
                f"certfile {self.certificates.cert_file}",
                f"keyfile {self.certificates.key_file}",
            ]
        self._config = folder / "mosquitto.conf"
        self._config.write_text("\n".join(config) + "\n")

    def start(self) -> None:
        """Start, and wait until it takes connections."""
        self._process = subprocess.Popen([program(), "-c", str(self._config)])
        eventually(self._answers, what="the broker takes connections")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"mosquitto ended; see {self.folder / 'broker.log'}"
        try:
            with socket.create_connection((self.host, self.port), timeout=1):
                return True
        except OSError:
            return False

    def stop(self) -> None:
        """End it in good order: what it keeps is written."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def publish(self, topic: str, *payloads: bytes | str, qos: int = 1, retain: bool = False) -> None:
        """Publish, as the first user there is; returns when the broker has everything (QoS 1)."""
        user = next(iter(self._passwords.items())) if self._passwords else None
        tls = None
        if self.certificates is not None:
            tls = {
                "ca_certs": str(self.certificates.ca_file),
                "certfile": str(self.certificates.client_cert_file),
                "keyfile": str(self.certificates.client_key_file),
                "tls_version": ssl.PROTOCOL_TLS_CLIENT,
            }
        paho.mqtt.publish.multiple(
            [{"topic": topic, "payload": payload, "qos": qos, "retain": retain} for payload in payloads],
            hostname=self.host,
            port=self.port,
            auth={"username": user[0], "password": user[1]} if user else None,
            tls=tls,
        )
