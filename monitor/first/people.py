"""Questions about who is told, and by which mail server."""

from __future__ import annotations

from collections.abc import Callable

from pydantic import TypeAdapter, ValidationError

from monitor.first import written
from monitor.first.answers import Answers, is_unknown
from monitor.first.question import Question, Section, taken, text
from monitor.first.written import NotRight
from monitor.notify.mail_server import MailAddress
from monitor.plant.addresses import is_loopback

_ADDRESS: TypeAdapter[str] = TypeAdapter(MailAddress)
EXAMPLE_MAIL = "lead@shop.example"
_SECURITY = {"starttls": "usual, port 587", "tls": "port 465", "none": "only for a server on this machine"}


def people(answers: Answers) -> Section:
    asked = [
        Question(
            "person.name",
            "Who answers for the water? A role will do.",
            text("a name or a role"),
            default="Maintenance lead",
        ),
        Question(
            "person.mail",
            "Their mail address?",
            _mail,
            "Alarms reach nobody until an address stands in the site file.",
            hint="Like lead@shop.example.",
        ),
        Question(
            "person.second",
            "Another address, for a second person?",
            _mail,
            "With one person on holiday or one mailbox full, alarms reach nobody.",
            hint="Enter where there is nobody else.",
        ),
    ]
    if _told(answers, "person.mail") or _told(answers, "person.second"):
        asked += _server(answers)
    return Section(
        "Who is told", "By mail. Other ways (a chat) are added to the site file afterwards.", tuple(asked)
    )


def _told(answers: Answers, key: str) -> bool:
    return key in answers and not is_unknown(answers.get(key))


def _server(answers: Answers) -> list[Question]:
    asked = [
        Question(
            "mail.host",
            "The mail server that takes its mail?",
            _host,
            "A server on this machine is taken; without one there, nothing leaves.",
            hint="Whoever looks after the shop's mail knows it, like mail.shop.example.",
        ),
    ]
    if not _told(answers, "mail.host"):
        return asked
    host = taken(answers, "mail.host", _host, "")
    security = taken(answers, "mail.security", _security(host), "")
    asked.append(
        Question(
            "mail.security",
            "How is it reached?",
            _security(host),
            default="none" if is_loopback(host) else "starttls",
            options=_SECURITY,
        )
    )
    asked.append(
        Question("mail.port", "On which port?", _port, default="the usual one", hint="A number, like 587.")
    )
    if security in ("starttls", "tls"):
        asked.append(
            Question(
                "mail.user",
                "The name to log in with?",
                text("a name", 120),
                "Mail is handed in without a login.",
                hint="Often a mail address. The password is asked at the end and kept in a file of its own.",
            )
        )
    asked.append(
        Question(
            "mail.sender",
            "The address messages come from?",
            _mail,
            "goodwater@ and the domain of the first address is taken.",
            default=answers.get("mail.user") if "@" in answers.get("mail.user") else "",
            hint="One that the server lets you use.",
        )
    )
    return asked


def _security(host: str) -> Callable[[str], str]:
    def read(typed: str) -> str:
        found = written.choice(typed, _SECURITY)
        if found == "none" and host and not is_loopback(host):
            raise NotRight(f"without it alarms could be read on their way to {host}; starttls or tls")
        return found

    return read


def _mail(typed: str) -> str:
    try:
        return _ADDRESS.validate_python(typed.strip())
    except ValidationError:
        raise NotRight(f'"{typed.strip()}" is no mail address; one looks like lead@shop.example') from None


def _host(typed: str) -> str:
    plain = typed.strip()
    if not plain or not plain.isascii() or set(plain) & set(" /@") or "://" in plain:
        raise NotRight(f'"{plain}" is no name of a server; one looks like mail.shop.example')
    return plain


def _port(typed: str) -> int | None:
    if typed.strip().lower() in ("the usual one", "usual"):
        return None
    value = written.number(typed, 1, 65535)
    if value != int(value):
        raise NotRight("a whole number from 1 to 65535")
    return int(value)
