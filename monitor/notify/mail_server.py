"""The mail server that messages are handed to: its settings, and a connection to it."""

from __future__ import annotations

import smtplib
import socket
import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from monitor.notify.deadline import Deadline
from monitor.notify.failures import Temporary
from monitor.notify.secret import Secret
from monitor.notify.words import one_line, said
from monitor.plant.addresses import is_loopback
from monitor.plant.fields import DurationMs, Id, Table
from monitor.plant.secret import one_of

_USUAL_PORT = {"starttls": 587, "tls": 465, "none": 25}


def _mail_address(found: str) -> str:
    person, at, domain = found.rpartition("@")
    refused = set(' \t"(),:;<>@[]\\')
    if not (at and person and domain and found.isascii() and found.isprintable()) or (
        set(person) & refused or set(domain) & refused or len(found) > 254
    ):
        raise ValueError(f'"{found}" is no mail address; one looks like lead@shop.example')
    return found


MailAddress = Annotated[str, AfterValidator(_mail_address)]


class MailServer(Table):
    """A `[[mail_server]]`: where mail is handed in, and as whom."""

    id: Annotated[Id, Field(description="what a way of delivery calls it in `via`")]
    host: Annotated[
        str,
        Field(min_length=1, description="name or address of the server; IPv6 without brackets, like ::1"),
    ]
    port: Annotated[
        int | None,
        Field(ge=1, le=65535, description="default 587 for starttls, 465 for tls, 25 for none"),
    ] = None
    security: Annotated[
        Literal["starttls", "tls", "none"],
        Field(
            description="starttls begins in the clear and turns to TLS before anything is said; tls is TLS "
            "from the first byte; none only for a server on this machine itself"
        ),
    ] = "starttls"
    username: Annotated[
        str | None, Field(min_length=1, description="for a server that wants a login; only over TLS")
    ] = None
    password_file: Annotated[
        str | None, Field(description="file that holds the password, relative to the site file")
    ] = None
    password_env: Annotated[str | None, Field(description="environment variable that holds the password")] = (
        None
    )
    ca_file: Annotated[
        str | None,
        Field(
            description="certificates (PEM) to trust instead of the system's, for a server with a "
            "certificate of the shop's own; relative to the site file"
        ),
    ] = None
    sender: Annotated[MailAddress, Field(description="the address messages come from")]
    timeout: Annotated[
        DurationMs,
        Field(gt=0, description="longest wait for each answer; a whole delivery may take three times this"),
    ] = 20_000

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> MailServer:
        if self.security == "none" and not is_loopback(self.host):
            raise ValueError(
                f'security = "none" would send alarms readable over the network to {self.host}; it is '
                'allowed only for this machine itself (localhost, 127.0.0.1, ::1): use "starttls" or "tls"'
            )
        if self.username is None:
            if self.password_file is not None or self.password_env is not None:
                raise ValueError("a password goes with `username`")
            return self
        if self.security == "none":
            raise ValueError('a login is only made over TLS: use "starttls" or "tls"')
        one_of("password", self.password_file, self.password_env)
        return self

    @property
    def where(self) -> str:
        """Host and port as a person writes them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self._port}"

    @property
    def _port(self) -> int:
        return self.port or _USUAL_PORT[self.security]

    @property
    def longest_s(self) -> float:
        """Machine seconds that one delivery may take in all."""
        return 3 * self.timeout / 1000

    def password(self, folder: Path, environ: Mapping[str, str]) -> Secret:
        return Secret("password", self.password_file, self.password_env, folder, environ)

    def mistakes(self, folder: Path, environ: Mapping[str, str]) -> list[str]:
        """What can be told to be wrong without connecting."""
        found = [] if self.username is None else self.password(folder, environ).mistakes()
        try:
            self._tls(folder)
        except Temporary as wrong:
            found.append(str(wrong))
        return found

    def connect(self, folder: Path, environ: Mapping[str, str], deadline: Deadline) -> smtplib.SMTP:
        """A connection that is encrypted and logged in as far as the settings say.

        Raises: Temporary, saying at which step it failed.
        """
        tls = self._tls(folder)
        client = self._open(tls, deadline)
        try:
            if self.security == "starttls":
                self._start_tls(client, tls)
            if self.username is not None:
                self._login(client, self.username, self.password(folder, environ).read())
        except Temporary:
            client.close()
            raise
        return client

    def _tls(self, folder: Path) -> ssl.SSLContext:
        return trusting(self.ca_file, folder)

    def _open(self, tls: ssl.SSLContext, deadline: Deadline) -> smtplib.SMTP:
        seconds, name = self.timeout / 1000, _own_name()
        try:
            if self.security == "tls":
                return _WatchedTls(
                    self.host, self._port, name, timeout=seconds, context=tls, deadline=deadline
                )
            return _Watched(self.host, self._port, name, timeout=seconds, deadline=deadline)
        except ssl.SSLCertVerificationError as error:
            raise self._untrusted(error) from error
        except (OSError, smtplib.SMTPException) as error:
            raise Temporary(f"mail server {self.where} cannot be reached: {said(error)}") from error

    def _start_tls(self, client: smtplib.SMTP, tls: ssl.SSLContext) -> None:
        try:
            client.starttls(context=tls)
        except ssl.SSLCertVerificationError as error:
            raise self._untrusted(error) from error
        except smtplib.SMTPNotSupportedError as error:
            raise Temporary(
                f"mail server {self.where} offers no STARTTLS, and nothing is sent in the clear; "
                'if it speaks TLS from the first byte, set security = "tls"'
            ) from error
        except (OSError, smtplib.SMTPException) as error:
            raise Temporary(f"mail server {self.where} failed to turn to TLS: {said(error)}") from error

    def _login(self, client: smtplib.SMTP, username: str, password: str) -> None:
        try:
            client.login(username, password)
        except smtplib.SMTPNotSupportedError as error:
            raise Temporary(
                f"mail server {self.where} offers no login that is known here; "
                "without `username` it may take the mail"
            ) from error
        except smtplib.SMTPAuthenticationError as error:
            raise Temporary(
                f'mail server {self.where} refuses the login of "{one_line(username)}": {said(error)}; '
                "check username and password"
            ) from error
        except (OSError, smtplib.SMTPException, UnicodeError) as error:
            raise Temporary(f"login to mail server {self.where} failed: {said(error)}") from error

    def _untrusted(self, error: ssl.SSLCertVerificationError) -> Temporary:
        return Temporary(
            f"the certificate of mail server {self.where} is not trusted: {error.verify_message}; "
            "if it is the shop's own, name its authority in ca_file"
        )


class _Watched(smtplib.SMTP):
    """A client whose deadline knows it before the first byte is read."""

    def __init__(self, *args: Any, deadline: Deadline, **settings: Any) -> None:
        deadline.watch(self)
        super().__init__(*args, **settings)


class _WatchedTls(_Watched, smtplib.SMTP_SSL):
    pass


def trusting(ca_file: str | None, folder: Path) -> ssl.SSLContext:
    """Verified TLS: by the system's authorities, or only by those in a file.

    Raises: Temporary naming the file when it cannot be read as PEM.
    """
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(folder / ca_file))
    except OSError as error:  # ssl.SSLError is one
        raise Temporary(f'ca_file = "{ca_file}" cannot be used: {said(error)}') from error


def _own_name() -> str:
    """What to greet with. smtplib would ask the name service, which can take long when the net is away."""
    name = socket.gethostname()
    return name if "." in name and name.isascii() else "[127.0.0.1]"
