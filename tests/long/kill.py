"""kill -9 of the daemon and its supervisor, two hundred times, under QoS 1 traffic and Modbus polls."""

from __future__ import annotations

import ssl
import tempfile
from pathlib import Path

import trustme

from simulator.mailbox import Mailbox
from tests.daemon.killing import kill_and_account
from tests.daemon.polled import BATCH_MS, CHANNELS, POLL_MS, two_polled
from tests.daemon.watched import Watched, write_site
from tests.long import result
from tests.mosquitto import Mosquitto

KILLS = 200


def measure(seed: int, kills: int = KILLS) -> dict[str, result.Figure]:
    """Kill, account, and hold the account to what is promised."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        authority, tls = trustme.CA(), ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        authority.cert_pem.write_to_path(str(folder / "ca.pem"))
        authority.issue_cert("localhost").configure_cert(tls)
        broker = Mosquitto(folder / "broker")
        broker.start()
        users = {"goodwater": "open sesame"}
        with Mailbox(security="starttls", tls=tls, users=users) as box, two_polled(folder) as polled:
            ports = {"broker_port": broker.port, "mail_port": box.port}
            watch = Watched(write_site(folder, ca_file=folder / "ca.pem", more=polled, **ports))
            try:
                account = kill_and_account(watch, box, broker.port, kills, seed, polled=CHANNELS)
            finally:
                watch.close()
                broker.kill()
    assert (account.missing, account.stored_twice) == (0, 0), account
    assert account.alarms_raised == account.raised_expected, account
    assert account.messages_without_row == 0, account
    assert account.delivered_at_least_once == account.messages_owed, account
    assert account.replay_same, account
    assert account.polled is not None and account.polled.longest_unpolled_ms <= POLL_MS + BATCH_MS, account
    return {"kills": kills, "poll_ms": POLL_MS, **account.as_dict()}  # type: ignore[dict-item]  # plain numbers


if __name__ == "__main__":
    raise SystemExit(result.main("kill", measure))
