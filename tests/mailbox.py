"""A real mail server for tests, with a certificate of its own authority, that can be told to behave badly."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.smtp import SMTP, Envelope, Session

from simulator.mailbox import Handler, Mail, Mailbox

HANG = "hang"  # never answer
DROP = "drop"  # hang up instead of an answer


@dataclass(frozen=True)
class Authority:
    """A certificate authority of the shop's own."""

    file: Path  # what a client trusts, PEM
    server: ssl.SSLContext  # with a certificate for localhost, 127.0.0.1 and ::1
    stranger: ssl.SSLContext  # with a certificate for another host


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    made = trustme.CA()
    file = tmp_path_factory.mktemp("authority") / "shop-ca.pem"
    made.cert_pem.write_to_path(str(file))
    contexts = []
    for names in (("localhost", "127.0.0.1", "::1"), ("elsewhere.example",)):
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        made.issue_cert(*names).configure_cert(context)
        contexts.append(context)
    return Authority(file, *contexts)


class Scripted(Handler):
    """Answers as told: `answers["RCPT"] = "550 5.1.1 no such person"`, or HANG, or DROP."""

    def __init__(self, keep: Callable[[Mail], None], answers: dict[str, str]) -> None:
        super().__init__(keep)
        self._answers = answers

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.mail_from = address
        return await self._answer("MAIL", server, "250 OK")

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = await self._answer("RCPT", server, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        answer = await self._answer("DATA", server, "")
        return answer or await super().handle_DATA(server, session, envelope)

    async def handle_QUIT(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        return await self._answer("QUIT", server, "221 Bye")

    async def _answer(self, verb: str, server: SMTP, usual: str) -> str:
        told = self._answers.get(verb, usual)
        if told == HANG:
            await asyncio.Event().wait()  # until the mailbox is closed
        if told == DROP:
            server.transport.abort()
            await asyncio.Event().wait()
        return told


MakeMailbox = Callable[..., Mailbox]


@pytest.fixture
def make_mailbox(authority: Authority) -> Iterator[MakeMailbox]:
    """Starts mail servers: options are those of `Mailbox`, and `answers` for a scripted one."""
    with ExitStack() as running:

        def make(*, answers: dict[str, str] | None = None, **options: Any) -> Mailbox:
            if options.get("security", "none") != "none":
                options.setdefault("tls", authority.server)
            if answers is not None:
                options["handler"] = lambda keep: Scripted(keep, answers)
            return running.enter_context(Mailbox(**options))

        yield make


@pytest.fixture
def mailbox(make_mailbox: MakeMailbox) -> Mailbox:
    """The plain case: STARTTLS demanded, a login demanded (`goodwater` / `correct horse`)."""
    return make_mailbox(security="starttls", users={"goodwater": "correct horse"})
