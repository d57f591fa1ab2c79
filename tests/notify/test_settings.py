"""What the site file may say about mail servers and delivery."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from monitor.notify.mail_server import MailServer
from monitor.notify.settings import DeliverySettings
from monitor.notify.smtp import Way as Email
from monitor.notify.webhook import Way as Webhook
from monitor.plant.addresses import is_loopback
from tests.notify.shop import mail_server


@pytest.mark.parametrize("model", [MailServer, DeliverySettings, Email, Webhook])
def test_every_key_has_a_description(model: Any) -> None:
    assert [name for name, key in model.model_fields.items() if not key.description] == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"host": "mail.shop.example", "security": "none"}, "would send alarms readable over the network"),
        ({"host": "192.168.1.4", "security": "none"}, "would send alarms readable over the network"),
        (
            {"security": "none", "username": "me", "password_env": "P"},
            "a login is only made over TLS",
        ),
        ({"username": "me"}, "give exactly one of password_file and password_env"),
        (
            {"username": "me", "password_env": "P", "password_file": "p"},
            "give exactly one of password_file and password_env",
        ),
        ({"password_env": "P"}, "a password goes with `username`"),
        ({"password": "secret"}, "Extra inputs are not permitted"),
        ({"sender": "goodwater"}, "is no mail address"),
        ({"port": 70_000}, "less than or equal to 65535"),
        ({"timeout": "0 s"}, "greater than 0"),
        ({"timeout": 20}, "a duration"),
        ({"security": "ssl"}, "Input should be 'starttls', 'tls' or 'none'"),
    ],
)
def test_what_does_not_agree_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        mail_server(**changes)


@pytest.mark.parametrize(
    ("security", "port"),
    [("starttls", 587), ("tls", 465), ("none", 25)],  # RFC 6409, RFC 8314, RFC 5321
)
def test_the_usual_port_goes_with_the_security(security: str, port: int) -> None:
    assert mail_server(security=security).where == f"127.0.0.1:{port}"


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("localhost", True),
        ("LOCALHOST.", True),
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost.shop.example", False),
        ("10.0.0.1", False),
        ("127.0.0.1.shop.example", False),
    ],
)
def test_only_this_machine_is_this_machine(host: str, here: bool) -> None:
    assert is_loopback(host) is here


@pytest.mark.parametrize(
    "address",
    ["lead@shop.example", "night.shift+alarm@mail.shop.example", "o'neil@shop.example", "lead@localhost"],
)
def test_mail_addresses_that_are_taken(address: str) -> None:
    assert Email(kind="email", to=address).to == address


@pytest.mark.parametrize(
    "address",
    [
        "lead",
        "@shop.example",
        "lead@",
        "lead@shop.example, all@shop.example",
        "Lead <lead@shop.example>",
        "lead@shop.example\r\nBcc: all@shop.example",
        "lead\t@shop.example",
        "le ad@shop.example",
        '"lead"@shop.example',
        "lead@[127.0.0.1]",
        "ł@shop.example",
        "a" * 250 + "@shop.example",
    ],
)
def test_mail_addresses_that_are_refused(address: str) -> None:
    with pytest.raises(ValidationError, match="is no mail address"):
        Email(kind="email", to=address)


def test_the_first_wait_is_not_longer_than_the_longest() -> None:
    with pytest.raises(ValidationError, match="first_retry must not be longer than longest_retry"):
        DeliverySettings.model_validate({"first_retry": "2 h", "longest_retry": "1 h"})


def test_delivery_is_tried_for_a_week_and_hourly_at_least() -> None:
    usual = DeliverySettings()
    assert (usual.first_retry, usual.longest_retry, usual.give_up_after) == (
        60_000,
        3_600_000,
        7 * 86_400_000,
    )


def test_no_secret_shows_in_what_is_printed_of_the_settings() -> None:
    from tests.notify.shop import around

    shown = repr(around(mail_server(username="me", password_env="P"), environ={"P": "correct horse"}))
    assert "correct horse" not in shown
    secret = mail_server(username="me", password_env="P").password(around().folder, {"P": "correct horse"})
    assert "correct horse" not in repr(secret)
