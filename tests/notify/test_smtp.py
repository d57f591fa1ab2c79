"""Mail against a real SMTP server with real TLS: what arrives, and what each kind of failure is called."""

from __future__ import annotations

import email.utils
import socket
import time
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from monitor.notify.failures import Failure, Permanent, Temporary
from monitor.notify.smtp import Way, as_mail
from monitor.readings import AlarmState
from simulator.mailbox import Handler, Mailbox
from tests.mailbox import DROP, HANG, Authority, MakeMailbox
from tests.notify.badly import Dripping
from tests.notify.shop import NOW_MS, TO_LEAD, around, mail_server, message, plant, transition


class WithoutLogin(Handler):
    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        return [line for line in responses if "AUTH" not in line]


LOGIN = {"username": "goodwater", "password_env": "MAIL"}
RIGHT = {"MAIL": "correct horse"}


def test_mail_goes_over_starttls_with_a_login(mailbox: Mailbox, authority: Authority) -> None:
    server = mail_server(mailbox, ca_file=str(authority.file), **LOGIN)
    detail = TO_LEAD.send(message(), around(server, environ=RIGHT))
    [mail] = mailbox.wait_for(1)
    assert detail == f"taken by mail server 127.0.0.1:{mailbox.port}"
    assert (mail.sender, mail.to, mail.login) == (
        "goodwater@shop.example",
        ("lead@shop.example",),
        "goodwater",
    )


def test_mail_goes_over_implicit_tls(make_mailbox: MakeMailbox, authority: Authority) -> None:
    box = make_mailbox(security="tls", users={"goodwater": "correct horse"})
    server = mail_server(box, security="tls", ca_file=str(authority.file), **LOGIN)
    TO_LEAD.send(message(), around(server, environ=RIGHT))
    assert box.wait_for(1)[0].login == "goodwater"


@pytest.mark.parametrize("security", ["none", "starttls", "tls"])
def test_mail_goes_over_ipv6(security: str, make_mailbox: MakeMailbox, authority: Authority) -> None:
    box = make_mailbox(host="::1", security=security)
    server = mail_server(box, security=security, ca_file=str(authority.file))
    assert TO_LEAD.send(message(), around(server)) == f"taken by mail server [::1]:{box.port}"
    assert len(box.wait_for(1)) == 1


def test_the_password_may_be_in_a_file_beside_the_site_file(
    mailbox: Mailbox, authority: Authority, tmp_path: Path
) -> None:
    (tmp_path / "mail.password").write_text("correct horse\n")
    server = mail_server(
        mailbox, ca_file=str(authority.file), username="goodwater", password_file="mail.password"
    )
    TO_LEAD.send(message(), around(server, folder=tmp_path))
    assert len(mailbox.wait_for(1)) == 1


def test_what_arrives_is_what_was_composed(make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    made = message()
    TO_LEAD.send(made, around(mail_server(box, security="none")))
    [mail] = box.wait_for(1)
    parsed = mail.parsed
    assert parsed["Subject"] == made.subject
    assert parsed["From"] == "Goodwater North hall <goodwater@shop.example>"
    assert parsed["To"] == "Maintenance lead <lead@shop.example>"
    assert parsed["Message-ID"] == made.message_id
    assert parsed["Auto-Submitted"] == "auto-generated"
    assert parsed["Importance"] == "high"
    assert email.utils.parsedate_to_datetime(parsed["Date"]).timestamp() == NOW_MS // 1000
    assert parsed.get_content_type() == "multipart/alternative"
    assert mail.part("plain") == made.text
    assert mail.part("html") == made.html


def test_the_mail_is_ascii_whatever_it_says(make_mailbox: MakeMailbox) -> None:
    # Older relays take no 8-bit mail: RFC 6152 is an extension.
    box = make_mailbox()
    TO_LEAD.send(
        message(at=plant(person="Łucja Ősz", site="Höfe 水")), around(mail_server(box, security="none"))
    )
    [mail] = box.wait_for(1)
    assert mail.raw.isascii()
    assert mail.parsed["From"].addresses[0].display_name == "Goodwater Höfe 水"
    assert mail.parsed["To"].addresses[0].display_name == "Łucja Ősz"


def test_one_alarm_is_one_thread(make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    post = around(mail_server(box, security="none"))
    TO_LEAD.send(message(), post)
    TO_LEAD.send(message(transition(cause="returned", step=2, state=AlarmState.RETURNED)), post)
    first, second = (mail.parsed for mail in box.wait_for(2))
    assert first["References"] is None and first["In-Reply-To"] is None
    assert second["References"] == second["In-Reply-To"] == first["Message-ID"]
    assert second["Message-ID"] != first["Message-ID"]


def test_a_long_message_id_stays_one_plain_token() -> None:
    # Folded, the standard library would write it as an encoded word.
    told = transition(condition="r" * 64 + "/" + "c" * 64, cause="returned", step=2, state=AlarmState.NORMAL)
    made = message(told)
    raw = as_mail(made, "a@shop.example", "b@shop.example")
    assert f"\r\nMessage-ID: {made.message_id}\r\n".encode() in raw
    assert f"\r\nReferences: {made.thread_id}\r\n".encode() in raw


@pytest.mark.parametrize(
    "name", ["x\r\nBcc: all@shop.example", "x\nBcc: all@shop.example\n\nbody", "x\x00\x0b\x85y"]
)
def test_a_name_cannot_add_a_header_or_a_recipient(name: str, make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    at = plant(person=name, point=name, site=name)
    made = message(transition(cause="returned", step=2, state=AlarmState.RETURNED), at)
    TO_LEAD.send(made, around(mail_server(box, security="none")))
    [mail] = box.wait_for(1)
    assert mail.to == ("lead@shop.example",)
    assert mail.parsed["Bcc"] is None
    assert mail.parsed.defects == []
    assert len(mail.parsed.keys()) == len(set(mail.parsed.keys()))


def failure_of(way: Way, *settings: Any, **more: Any) -> Failure:
    with pytest.raises(Failure) as caught:
        way.send(message(), around(*settings, **more))
    return caught.value


def test_a_wrong_password_is_worth_another_try(mailbox: Mailbox, authority: Authority) -> None:
    server = mail_server(mailbox, ca_file=str(authority.file), **LOGIN)
    failure = failure_of(TO_LEAD, server, environ={"MAIL": "battery staple"})
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert 'refuses the login of "goodwater": 535' in str(failure)
    assert "battery staple" not in str(failure)
    assert mailbox.mails == []


def test_a_server_that_wants_a_login_says_so(mailbox: Mailbox, authority: Authority) -> None:
    failure = failure_of(TO_LEAD, mail_server(mailbox, ca_file=str(authority.file)))
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert "refuses the sender goodwater@shop.example: 530" in str(failure)


def test_a_server_without_logins_says_so(make_mailbox: MakeMailbox, authority: Authority) -> None:
    box = make_mailbox(handler=WithoutLogin, security="starttls")
    server = mail_server(box, ca_file=str(authority.file), **LOGIN)
    failure = failure_of(TO_LEAD, server, environ=RIGHT)
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert f"mail server 127.0.0.1:{box.port} offers no login that is known here" in str(failure)
    assert box.mails == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_an_untrusted_certificate_gets_no_password_and_no_mail(
    security: str, make_mailbox: MakeMailbox
) -> None:
    box = make_mailbox(security=security, users={"goodwater": "correct horse"})
    failure = failure_of(TO_LEAD, mail_server(box, security=security, **LOGIN), environ=RIGHT)
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert "is not trusted" in str(failure) and "ca_file" in str(failure)
    assert box.mails == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_for_another_host_is_refused(
    security: str, make_mailbox: MakeMailbox, authority: Authority
) -> None:
    box = make_mailbox(security=security, tls=authority.stranger)
    failure = failure_of(TO_LEAD, mail_server(box, security=security, ca_file=str(authority.file)))
    assert isinstance(failure, Temporary)
    assert "is not trusted" in str(failure)
    assert box.mails == []


def test_without_starttls_nothing_is_sent_in_the_clear(make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    failure = failure_of(TO_LEAD, mail_server(box, security="starttls"))
    assert isinstance(failure, Temporary)
    assert "offers no STARTTLS" in str(failure)
    assert box.mails == []


@pytest.mark.parametrize(
    ("verb", "answer", "kind", "about"),
    [
        ("MAIL", "451 4.3.0 later", Temporary, "way"),
        ("MAIL", "553 5.1.8 sender not yours", Temporary, "way"),
        ("MAIL", "421 4.3.2 closing", Temporary, "way"),
        ("RCPT", "450 4.2.0 greylisted", Temporary, "message"),
        ("RCPT", "421 4.3.2 closing", Temporary, "way"),
        ("RCPT", "530 5.7.0 login first", Temporary, "way"),
        ("RCPT", "550 5.1.1 no such person", Permanent, None),
        ("RCPT", "552 5.2.2 mailbox full", Temporary, "message"),
        ("DATA", "452 4.3.1 no room", Temporary, "message"),
        ("DATA", "554 5.7.1 looks like junk", Permanent, None),
        ("DATA", "421 4.3.2 closing", Temporary, "way"),
    ],
)
def test_answers_of_the_server_are_sorted(
    verb: str, answer: str, kind: type[Failure], about: str | None, make_mailbox: MakeMailbox
) -> None:
    box = make_mailbox(answers={verb: answer})
    failure = failure_of(TO_LEAD, mail_server(box, security="none"))
    assert type(failure) is kind
    assert getattr(failure, "about", None) == about
    assert answer in str(failure)
    assert box.mails == []


@pytest.mark.parametrize("verb", ["MAIL", "RCPT", "DATA"])
def test_a_server_that_hangs_up_is_worth_another_try(verb: str, make_mailbox: MakeMailbox) -> None:
    box = make_mailbox(answers={verb: DROP})
    failure = failure_of(TO_LEAD, mail_server(box, security="none"))
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert str(box.port) in str(failure)


@pytest.mark.parametrize("verb", ["MAIL", "RCPT", "DATA"])
def test_a_server_that_stalls_costs_its_timeout_only(verb: str, make_mailbox: MakeMailbox) -> None:
    box = make_mailbox(answers={verb: HANG})
    began = time.monotonic()
    failure = failure_of(TO_LEAD, mail_server(box, security="none", timeout="300 ms"))
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert "no answer in time" in str(failure)
    assert 0.25 < time.monotonic() - began < 5


@pytest.mark.parametrize("verdict", [HANG, DROP, "500 what?"])
def test_trouble_after_the_mail_was_taken_does_not_send_it_again(
    verdict: str, make_mailbox: MakeMailbox
) -> None:
    box = make_mailbox(answers={"QUIT": verdict})
    TO_LEAD.send(message(), around(mail_server(box, security="none", timeout="300 ms")))
    assert len(box.mails) == 1


@pytest.mark.parametrize(
    ("bytes_", "words"),
    [(b"", "no answer in time"), (b"2", "did not finish within 1.2 s"), (b"220-mail\r\n", "within 1.2 s")],
    ids=["silent", "one digit", "lines without end"],
)
def test_a_server_that_never_finishes_its_greeting_is_left(bytes_: bytes, words: str) -> None:
    began = time.monotonic()
    with Dripping(bytes_) as server:
        settings = mail_server(port=server.port, security="none", timeout="400 ms")
        failure = failure_of(TO_LEAD, settings)
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert words in str(failure)
    assert time.monotonic() - began < 5


def test_a_server_that_is_away_is_worth_another_try() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    failure = failure_of(TO_LEAD, mail_server(port=port, security="none"))
    assert isinstance(failure, Temporary) and failure.about == "way"
    assert f"mail server 127.0.0.1:{port} cannot be reached: Connection refused" in str(failure)


def test_a_name_that_is_not_found_is_said_so() -> None:
    # .invalid never resolves: RFC 6761, 6.4.
    failure = failure_of(TO_LEAD, mail_server(host="mail.invalid"))
    assert isinstance(failure, Temporary)
    assert "mail server mail.invalid:587 cannot be reached: its name is not found" in str(failure)


def test_via_names_the_server_and_may_be_left_out_when_there_is_one() -> None:
    one, two = mail_server(), mail_server(id="other")
    assert TO_LEAD.mistakes(around(one)) == []
    assert TO_LEAD.mistakes(around(one, two)) == [
        "mail to lead@shop.example needs via, the id of a [[mail_server]]; there are: post, other"
    ]
    via = TO_LEAD.model_copy(update={"via": "third"})
    assert via.mistakes(around(one, two)) == ['via = "third" is no [[mail_server]]; there are: post, other']
    assert TO_LEAD.mistakes(around()) == [
        "mail to lead@shop.example needs via, the id of a [[mail_server]]; there are: none"
    ]


def test_what_is_missing_is_told_before_anything_is_sent(tmp_path: Path) -> None:
    server = mail_server(username="goodwater", password_file="mail.password", ca_file="ca.pem")
    assert TO_LEAD.mistakes(around(server, folder=tmp_path)) == [
        'password_file = "mail.password" cannot be read: No such file or directory',
        'ca_file = "ca.pem" cannot be used: No such file or directory',
    ]
    (tmp_path / "mail.password").write_text("\n")
    (tmp_path / "ca.pem").write_text("no certificate")
    found = TO_LEAD.mistakes(around(server, folder=tmp_path))
    assert found[0] == 'password_file = "mail.password" is empty; it should hold the password'
    assert found[1].startswith('ca_file = "ca.pem" cannot be used: ')
