"""Mail by SMTP, the way of delivery `kind = "email"`."""

from __future__ import annotations

import smtplib
from contextlib import suppress
from datetime import UTC, datetime
from email import policy
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from monitor.notify.deadline import Deadline
from monitor.notify.failures import Failure, Permanent, Temporary
from monitor.notify.mail_server import MailAddress, MailServer
from monitor.notify.way import Surroundings
from monitor.notify.words import answer, one_line, said
from monitor.plant.fields import Id, RefersTo, Table

if TYPE_CHECKING:
    from monitor.notify.message import Message


class Way(Table):
    """A mailbox."""

    kind: Annotated[Literal["email"], Field(description="mail by SMTP")]
    to: Annotated[MailAddress, Field(description="the person's mail address; one")]
    via: Annotated[
        Id | None,
        RefersTo("mail_server", or_the_only=True),
        Field(description="id of a [[mail_server]]; may be left out when there is just one"),
    ] = None

    @property
    def label(self) -> str:
        return f"mail to {self.to}"

    def mistakes(self, around: Surroundings) -> list[str]:
        """An unknown `via`, or what is wrong with the mail server it names."""
        try:
            server = self._server(around)
        except Temporary as wrong:
            return [str(wrong)]
        return server.mistakes(around.folder, around.environ)

    def send(self, message: Message, around: Surroundings) -> str:
        """Hand the message to the mail server; its answer is what it owes us, not that it was read.

        Raises: Temporary for a fault of the set-up, the network or a 4xx answer; Permanent for a 5xx
        answer to the address or the content.
        """
        server = self._server(around)
        with Deadline(server.longest_s) as deadline:
            try:
                client = server.connect(around.folder, around.environ, deadline)
                return self._hand_over(client, server, message)
            except Failure as failure:
                if deadline.expired:
                    raise Temporary(
                        f"mail server {server.where} did not finish within {server.longest_s:g} s"
                    ) from failure
                raise

    def _server(self, around: Surroundings) -> MailServer:
        known = ", ".join(around.servers) or "none"
        if self.via is None and len(around.servers) == 1:
            return next(iter(around.servers.values()))
        if self.via is None:
            raise Temporary(f"{self.label} needs via, the id of a [[mail_server]]; there are: {known}")
        if self.via not in around.servers:
            raise Temporary(f'via = "{self.via}" is no [[mail_server]]; there are: {known}')
        return around.servers[self.via]

    def _hand_over(self, client: smtplib.SMTP, server: MailServer, message: Message) -> str:
        mail = as_mail(message, server.sender, self.to)
        try:
            self._exchange(client, server, mail)
        except (OSError, smtplib.SMTPException) as error:
            raise Temporary(f"mail server {server.where}: {said(error)}") from error
        finally:
            client.close()
        return f"taken by mail server {server.where}"

    def _exchange(self, client: smtplib.SMTP, server: MailServer, mail: bytes) -> None:
        client.ehlo_or_helo_if_needed()
        code, words = client.mail(server.sender)
        if code != 250:
            raise Temporary(
                f"mail server {server.where} refuses the sender {server.sender}: {answer(code, words)}"
            )
        code, words = client.rcpt(self.to)
        if code not in (250, 251):
            raise self._refused(code, f"refuses {self.to}", words, server)
        code, verdict = _content(client, mail)
        if code != 250:
            raise self._refused(code, "refuses the mail", verdict, server)
        # It is theirs now: whatever goes wrong while parting must not send it a second time.
        with suppress(OSError, smtplib.SMTPException):
            client.quit()

    def _refused(self, code: int, what: str, words: bytes | str, server: MailServer) -> Failure:
        text = f"mail server {server.where} {what}: {answer(code, words)}"
        if code in (421, 530):  # closing down; wants a login that the settings do not give
            return Temporary(text)
        # 552 means a full mailbox or too many recipients: RFC 5321, 4.5.3.1.10 has it treated as 452.
        if 400 <= code < 500 or code == 552:
            return Temporary(text, about="message")
        return Permanent(text)


def _content(client: smtplib.SMTP, mail: bytes) -> tuple[int, bytes | str]:
    try:
        return client.data(mail)
    except smtplib.SMTPDataError as error:  # refused before a byte of it was sent
        return error.smtp_code, error.smtp_error


def as_mail(message: Message, sender: str, to: str) -> bytes:
    """The message as it travels: plain text and HTML, lines ending in CR LF, nothing but ASCII."""
    # No folding: the standard library would turn a long Message-ID into an encoded word (RFC 2047),
    # which no mail program takes for one. RFC 5322 allows lines of 998 characters.
    mail = EmailMessage(policy=policy.SMTP.clone(max_line_length=998))
    mail["From"] = Address(one_line(message.from_name, 100), addr_spec=sender)
    mail["To"] = Address(one_line(message.to_name, 100), addr_spec=to)
    mail["Subject"] = one_line(message.subject, 200)
    mail["Date"] = format_datetime(datetime.fromtimestamp(message.time_ms // 1000, UTC))
    mail["Message-ID"] = message.message_id
    if message.thread_id != message.message_id:
        mail["In-Reply-To"] = message.thread_id
        mail["References"] = message.thread_id
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no vacation answer, please
    for name, value in message.headers.items():
        mail[name] = one_line(value, 200)
    mail.set_content(message.text, cte="quoted-printable")
    mail.add_alternative(message.html, subtype="html", cte="quoted-printable")
    if message.pictures:
        html = mail.get_body(("html",))
        assert isinstance(html, EmailMessage)  # it was just added
        for picture in message.pictures:
            html.add_related(
                picture.png,
                "image",
                "png",
                cid=f"<{picture.content_id}>",
                filename=picture.name,
                disposition="inline",
            )
    return mail.as_bytes()
