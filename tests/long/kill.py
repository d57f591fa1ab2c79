"""kill -9 of the daemon, and of its supervisor with it, two hundred times under QoS 1 traffic."""

from __future__ import annotations

import ssl
import tempfile
from pathlib import Path

import trustme

from simulator.mailbox import Mailbox
from tests.daemon.killing import kill_and_account
from tests.daemon.watched import Watched, write_site
from tests.long import result
from tests.mosquitto import Mosquitto

KILLS = 200


def measure(seed: int) -> dict[str, result.Figure]:
    """Kill, account, and hold the account to what is promised."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        authority, tls = trustme.CA(), ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        authority.cert_pem.write_to_path(str(folder / "ca.pem"))
        authority.issue_cert("localhost").configure_cert(tls)
        broker = Mosquitto(folder / "broker")
        broker.start()
        with Mailbox(security="starttls", tls=tls, users={"goodwater": "open sesame"}) as box:
            path = write_site(folder, broker_port=broker.port, mail_port=box.port, ca_file=folder / "ca.pem")
            watch = Watched(path)
            try:
                account = kill_and_account(watch, box, broker.port, KILLS, seed)
            finally:
                watch.close()
                broker.kill()
    assert (account.missing, account.stored_twice) == (0, 0), account
    assert account.alarms_raised == account.raised_expected, account
    assert account.messages_without_row == 0, account
    assert account.delivered_at_least_once == account.messages_owed, account
    assert account.replay_same, account
    return {"kills": KILLS, **account.as_dict()}  # type: ignore[dict-item]  # plain numbers


if __name__ == "__main__":
    raise SystemExit(result.main("kill", measure))
