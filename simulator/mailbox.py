"""A small mailbox on this machine, for a first try and for tests: real SMTP, nothing leaves the machine.

    python -m simulator.mailbox --port 2525 --dir mail

writes each mail into the folder as an `.eml` file and prints its subject. It takes mail for anybody and
keeps nothing else; it is no mail server for a shop. Needs the extra `demo`.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import email
import email.policy
import signal
import ssl
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Literal, cast

try:
    from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
except ModuleNotFoundError:
    raise SystemExit(
        "mailbox: aiosmtpd is not installed; it comes with the extra `demo`: sh deploy/env.sh demo"
    ) from None

Security = Literal["none", "starttls", "tls"]


@dataclass(frozen=True)
class Mail:
    """One mail as it arrived."""

    sender: str
    to: tuple[str, ...]
    raw: bytes
    login: str | None

    @property
    def parsed(self) -> EmailMessage:
        return email.message_from_bytes(self.raw, policy=email.policy.default)

    def part(self, subtype: Literal["plain", "html"]) -> str:
        """The text of the plain or the HTML part, lines ending in LF."""
        part = self.parsed.get_body((subtype,))
        if part is None:
            raise LookupError(f"the mail has no {subtype} part")
        return str(part.get_content()).replace("\r\n", "\n")


class Handler:
    """What the server does with what it is told; tests derive bad ones from it."""

    def __init__(self, keep: Callable[[Mail], None]) -> None:
        self.keep = keep

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        login = session.auth_data.login.decode() if isinstance(session.auth_data, LoginPassword) else None
        content = cast(bytes, envelope.content)
        self.keep(Mail(str(envelope.mail_from), tuple(map(str, envelope.rcpt_tos)), content, login))
        return "250 2.0.0 taken"


class Mailbox:
    """A real SMTP server in a thread; `with Mailbox() as box:` and `box.wait_for(1)`.

    `users` (name to password) makes a login necessary. `tls` is the server's context, for "starttls" and
    "tls". Port 0 takes a free one; `box.port` then tells which.
    """

    def __init__(
        self,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        security: Security = "none",
        tls: ssl.SSLContext | None = None,
        users: Mapping[str, str] | None = None,
        handler: Callable[[Callable[[Mail], None]], Handler] = Handler,
        folder: Path | None = None,
        tell: Callable[[Mail], None] = lambda mail: None,
    ) -> None:
        self.host, self.port, self._security, self._tls = host, port, security, tls
        self._users, self._folder, self._tell = users, folder, tell
        self._handler = handler(self._keep)
        self._mails: list[Mail] = []
        self._arrived = threading.Condition()
        self._loop = asyncio.new_event_loop()
        self._server: asyncio.Server | None = None
        self._talking: set[asyncio.BaseTransport] = set()
        self._thread = threading.Thread(target=self._loop.run_forever, name="mailbox", daemon=True)

    def __enter__(self) -> Mailbox:
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result(10)
        except OSError:
            self._end_loop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(10)
        self._end_loop()

    @property
    def mails(self) -> list[Mail]:
        """What has arrived so far, in order."""
        with self._arrived:
            return list(self._mails)

    def wait_for(self, count: int, timeout_s: float = 10.0) -> list[Mail]:
        """All mails once there are so many.

        Raises: TimeoutError with the subjects there are.
        """
        with self._arrived:
            if not self._arrived.wait_for(lambda: len(self._mails) >= count, timeout_s):
                subjects = [str(mail.parsed["Subject"]) for mail in self._mails]
                raise TimeoutError(f"{len(subjects)} of {count} mails after {timeout_s:g} s: {subjects}")
            return list(self._mails)

    def _keep(self, mail: Mail) -> None:
        with self._arrived:
            self._mails.append(mail)
            number = len(self._mails)
            self._arrived.notify_all()
        if self._folder is not None:
            (self._folder / f"{number:04d}.eml").write_bytes(mail.raw)
        self._tell(mail)

    async def _listen(self) -> None:
        implicit = self._tls if self._security == "tls" else None
        self._server = await self._loop.create_server(self._protocol, self.host, self.port, ssl=implicit)
        self.port = self._server.sockets[0].getsockname()[1]

    def _protocol(self) -> SMTP:
        talking, login_needed = self._talking, self._users is not None

        class Talk(SMTP):
            def connection_made(self, transport: asyncio.BaseTransport) -> None:
                talking.add(transport)
                super().connection_made(transport)

            async def smtp_MAIL(self, arg: str) -> None:
                # Not aiosmtpd's own `auth_required`: that knows no TLS but the one begun by STARTTLS.
                if login_needed and self.session is not None and not self.session.authenticated:
                    await self.push("530 5.7.0 Authentication required")
                    return
                await super().smtp_MAIL(arg)

        return Talk(
            self._handler,
            hostname="mailbox.example",
            ident="Goodwater mailbox",
            require_starttls=self._security == "starttls",
            tls_context=self._tls if self._security == "starttls" else None,
            auth_require_tls=self._security == "starttls",
            authenticator=self._authenticate,
            loop=self._loop,
        )

    def _authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        known = False
        if isinstance(data, LoginPassword) and self._users is not None:
            known = self._users.get(data.login.decode()) == data.password.decode()
        # handled=False has the server say 535 by itself; otherwise the client would never be answered.
        return AuthResult(success=known, handled=False, auth_data=data)

    async def _close(self) -> None:
        assert self._server is not None
        self._server.close()
        for transport in self._talking:
            # Python 3.11.2 (Debian 12) forgets its protocol when a TLS transport was closed twice already.
            with contextlib.suppress(AttributeError):
                cast(asyncio.Transport, transport).abort()
        tasks = asyncio.all_tasks(self._loop) - {asyncio.current_task(self._loop)}
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _end_loop(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


def main(arguments: list[str] | None = None) -> int:
    """The command; ends on Ctrl-C or a termination signal."""
    parser = argparse.ArgumentParser(prog="python -m simulator.mailbox", description=__doc__.split("\n")[0])
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default %(default)s)")
    parser.add_argument("--port", type=int, default=2525, help="port to listen on (default %(default)s)")
    parser.add_argument("--dir", type=Path, required=True, help="folder for the mails, made when missing")
    parser.add_argument(
        "--tls",
        nargs=2,
        type=Path,
        metavar=("CERTIFICATE", "KEY"),
        help="offer STARTTLS, and insist on it, with this certificate and key (PEM files)",
    )
    given = parser.parse_args(arguments)
    given.dir.mkdir(parents=True, exist_ok=True)
    tls = None
    if given.tls:
        tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        tls.load_cert_chain(*given.tls)
    box = Mailbox(
        host=given.host,
        port=given.port,
        security="starttls" if tls else "none",
        tls=tls,
        folder=given.dir,
        tell=lambda mail: print(f"{', '.join(mail.to)}: {mail.parsed['Subject']}", flush=True),
    )
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    try:
        with box:
            print(f"mailbox listens on {given.host} port {box.port}, mails go to {given.dir}", flush=True)
            ended.wait()
    except OSError as error:
        print(f"mailbox: cannot listen on {given.host} port {given.port}: {error.strerror}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
