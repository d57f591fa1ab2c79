"""An invented shop with one meter and people to tell, for the tests of delivery."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import JsonValue

from monitor.notify.mail_server import MailServer
from monitor.notify.message import Message, compose
from monitor.notify.smtp import Way as Email
from monitor.notify.way import Surroundings
from monitor.plant.message_ids import message_id
from monitor.plant.model import Plant
from monitor.readings import AlarmState, Notice, Owed, Transition
from monitor.rules import limit
from simulator.mailbox import Mailbox

# Monday 17 February 2031, 05:42 UTC: 06:42 in Vienna.
SINCE_MS = int(datetime(2031, 2, 17, 5, 42, tzinfo=UTC).timestamp() * 1000)
NOW_MS = SINCE_MS + 600_000

WORDINGS = {"limit": limit.wording}

EVIDENCE: dict[str, JsonValue] = {
    "channel": "di.ec",
    "what": "conductivity at DI outlet",
    "where": "DI outlet",
    "stage": "di",
    "quantity": "conductivity",
    "value": 24.1,
    "bound": "exact",
    "limit": 20.0,
    "side": "above",
    "usual": 2.4,
    "reasons": 0,
}

TO_LEAD = Email(kind="email", to="lead@shop.example")


def plant(
    *ways: Any, person: str = "Maintenance lead", point: str = "DI outlet", site: str = "North hall"
) -> Plant:
    """One conductivity meter after the DI, and one person with these ways (a mailbox when none is given)."""
    return Plant.model_validate(
        {
            "site": {"id": "north", "name": site, "timezone": "Europe/Vienna", "data": "data"},
            "stage": [{"id": "di", "kind": "di"}],
            "point": [{"id": "di-out", "after": "di", "name": point}],
            "instrument": [
                {
                    "id": "di-meter",
                    "point": "di-out",
                    "wire": {},
                    "expected_interval": "1 min",
                    "channel": [
                        {
                            "id": "di.ec",
                            "quantity": "conductivity",
                            "unit": "uS/cm",
                            "range": [0, 200],
                            "resolution": 0.1,
                        }
                    ],
                }
            ],
            "person": [{"id": "lead", "name": person, "way": list(ways) or [TO_LEAD]}],
        }
    )


def transition(**changes: Any) -> Transition:
    """A conductivity limit passed at the DI outlet."""
    raised = Transition(
        condition="di-limit",
        occurrence=3,
        step=1,
        cause="raised",
        state=AlarmState.UNACKNOWLEDGED,
        time_ms=SINCE_MS + 300_000,
        since_ms=SINCE_MS,
        priority="high",
        rule_kind="limit",
        subject="di.ec",
        confidence=0.97,
        evidence=EVIDENCE,
    )
    return replace(raised, **changes)


def owed(
    told: Transition | None = None, *, id_: int = 1, person: str = "lead", way: int = 0, **changes: Any
) -> Owed:
    """Its row of the outbox."""
    told = told or transition()
    notice = Notice(told.key, person, way)
    row = Owed(id_, message_id(notice, "north"), notice, told, attempts=0, owed_ms=NOW_MS)
    return replace(row, **changes)


def message(told: Transition | None = None, at: Plant | None = None) -> Message:
    """The message about it, made at NOW_MS."""
    return compose(owed(told), at or plant(), WORDINGS, site_file="site.toml", now_ms=NOW_MS)


def mail_server(box: Mailbox | None = None, **changes: Any) -> MailServer:
    """Settings that fit a running mailbox."""
    settings: dict[str, Any] = {"id": "post", "host": "127.0.0.1", "sender": "goodwater@shop.example"}
    if box is not None:
        settings |= {"host": box.host, "port": box.port}
    return MailServer.model_validate({"timeout": "5 s"} | settings | changes)


def around(
    *servers: MailServer, folder: Path = Path(), environ: Mapping[str, str] | None = None
) -> Surroundings:
    return Surroundings({server.id: server for server in servers}, folder, environ or {})
