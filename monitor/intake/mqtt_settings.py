"""Settings of MQTT: the broker, and what of it an instrument listens to."""

from __future__ import annotations

import os
import ssl
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, SecretStr, model_validator

from monitor.intake.mqtt_topics import filled
from monitor.intake.payloads import Payload
from monitor.plant.fields import DurationMs, Id, RefersTo, Table
from monitor.plant.secret import Secret, SecretMissing, one_of


class _Socket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the library would leave it open until it is collected."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class Tls(Table):
    """A connection by TLS; the broker's name is always verified."""

    ca_file: str | None = Field(
        default=None,
        description="certificates (PEM) to trust, for an authority of your own; without it the system's",
    )
    cert_file: str | None = Field(
        default=None,
        description="our own certificate (PEM), where the broker asks for one; goes with key_file",
    )
    key_file: str | None = Field(default=None, description="the key (PEM) of our own certificate")
    key_password_file: str | None = Field(
        default=None, min_length=1, description="file that holds the password of an encrypted key"
    )
    key_password_env: str | None = Field(
        default=None, min_length=1, description="environment variable that holds it"
    )

    @model_validator(mode="after")
    def _pair(self) -> Tls:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together")
        passwords = [self.key_password_file, self.key_password_env]
        if passwords != [None, None]:
            if self.key_file is None:
                raise ValueError("a key's password goes with key_file")
            one_of("key_password", *passwords)
        return self

    def context(self, folder: Path, environment: Mapping[str, str] = os.environ) -> ssl.SSLContext:
        """The context for a connection; relative files are looked for in `folder`.

        Raises: OSError (ssl.SSLError among them) naming the file that is missing or no PEM.
        """

        def key_password() -> str:  # asked for when the key is encrypted; without it a terminal would be
            if self.key_password_file is None and self.key_password_env is None:
                raise ValueError("the key is encrypted; give key_password_file or key_password_env")
            places = (self.key_password_file, self.key_password_env)
            try:
                return Secret("key_password", *places, folder, environment).read()
            except SecretMissing as missing:
                raise ValueError(str(missing)) from missing

        try:
            context = ssl.create_default_context(cafile=self.ca_file and str(folder / self.ca_file))
        except (OSError, ValueError) as error:
            raise OSError(f"tls.ca_file {self.ca_file}: {error}") from error
        if self.cert_file and self.key_file:
            try:
                context.load_cert_chain(folder / self.cert_file, folder / self.key_file, key_password)
            except (OSError, ValueError) as error:
                raise OSError(f"tls.cert_file {self.cert_file}, key_file {self.key_file}: {error}") from error
        context.sslsocket_class = _Socket
        return context


class Broker(Table):
    """One MQTT broker. Readings are taken at QoS 1 by a persistent session and acknowledged once stored."""

    id: Id = Field(description="the name instruments use to say which broker they are on")
    host: str = Field(min_length=1, description="name or address of the broker")
    port: int = Field(default=1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    version: Literal["5", "3.1.1"] = Field(default="5", description='version of MQTT spoken: "5" or "3.1.1"')
    client_id: str | None = Field(
        default=None,
        min_length=1,
        max_length=128,
        description=(
            "fixed name of our session at the broker; goodwater-<site>-<broker> when not given. The broker "
            "keeps messages under this name, and a second client of the same name throws the first one out"
        ),
    )
    username: str | None = Field(default=None, min_length=1, description="name to log in with")
    password: SecretStr | None = Field(
        default=None,
        description="password to log in with; better kept out of this file by password_file or password_env",
    )
    password_file: str | None = Field(
        default=None, min_length=1, description="file that holds the password, relative to the site file"
    )
    password_env: str | None = Field(
        default=None, min_length=1, description="environment variable that holds the password"
    )
    tls: Tls | None = Field(default=None, description="certificates; when the table is there, TLS is used")
    keepalive: DurationMs = Field(
        default=60_000, ge=5_000, le=3_600_000, description="the broker hears from us at least this often"
    )
    session_expiry: DurationMs = Field(
        default=30 * 86_400_000,
        ge=60_000,
        le=4_294_967_294_000,
        description=(
            "how long the broker keeps messages for us while we are away (MQTT 5; with 3.1.1 the broker's "
            "own setting decides)"
        ),
    )
    in_flight: int = Field(
        default=20,
        ge=1,
        le=65535,
        description=(
            "messages the broker may send before the first of them is stored; not more than the broker's "
            "own limit (max_inflight_messages, 20 by default in mosquitto), or intake waits a "
            "second at each batch"
        ),
    )

    @model_validator(mode="after")
    def _one_password(self) -> Broker:
        given = [
            key for key in ("password", "password_file", "password_env") if getattr(self, key) is not None
        ]
        if len(given) > 1:
            raise ValueError(f"give one of {' and '.join(given)}, not both")
        if given and self.username is None:
            raise ValueError("a password needs a username")
        return self

    def secret(self, folder: Path, environment: Mapping[str, str] = os.environ) -> str | None:
        """The password, from the site file, a file of its own or the environment; None when there is none.

        Read anew for every connection, so a changed one counts without a restart.
        Raises: OSError naming the file or variable that is not there, or empty.
        """
        if self.password is not None:
            return self.password.get_secret_value()
        if self.password_file is None and self.password_env is None:
            return None
        try:
            return Secret("password", self.password_file, self.password_env, folder, environment).read()
        except SecretMissing as missing:
            raise OSError(str(missing)) from missing


def _topic_filter(text: str) -> str:
    levels = text.split("/")
    if text.startswith("$share/"):
        raise ValueError("shared subscriptions ($share/...) are not taken")
    if "#" in "".join(levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        raise ValueError(f'in "{text}" the # must be the last level, and alone in it')
    if any("+" in level and level != "+" for level in levels):
        raise ValueError(f'in "{text}" a + must be alone in its level')
    if "\0" in text:
        raise ValueError("a topic holds no NUL character")
    return text


TopicFilter = Annotated[str, Field(min_length=1, max_length=1024), AfterValidator(_topic_filter)]


class Wire(Table):
    """An instrument whose readings come by MQTT."""

    kind: Literal["mqtt"] = Field(default="mqtt", description='"mqtt": readings come by an MQTT broker')
    broker: Annotated[Id, RefersTo("broker")] = Field(description="id of the [[broker]]")
    topic: TopicFilter = Field(
        description="topic to listen to; + stands for any one level, # at the end for all that follow"
    )
    levels: dict[Id, Annotated[str, Field(min_length=1, max_length=256)]] | None = Field(
        default=None,
        min_length=1,
        description="where a gateway publishes many meters: channel id to the levels its messages have in "
        'place of the wildcards, joined by "/", like { "di-out.ec" = "di/ec" } with topic "gateway/+/+"; '
        "without it every message is for all channels",
    )
    payload: Payload = Field(description="how a message is read; see the payload kinds")

    @model_validator(mode="after")
    def _levels_have_a_place(self) -> Wire:
        for channel, levels in (self.levels or {}).items():
            if "+" in levels or "#" in levels:
                raise ValueError(f'levels of "{channel}" are texts as they come, without + and #')
            if filled(self.topic, levels) is None:
                raise ValueError(
                    f'levels "{levels}" of "{channel}" do not fill the wildcards of "{self.topic}"'
                )
        return self

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        if self.levels is None:
            return self.payload.mistakes(channels, [channels])
        strange = [
            f'levels of "{channel}", which is no channel of this instrument; it has: {", ".join(channels)}'
            for channel in self.levels
            if channel not in channels
        ]
        missing = [f'channel "{channel}" has no levels' for channel in channels if channel not in self.levels]
        together = [[c for c in channels if self.levels.get(c) == levels] for levels in self.levels.values()]
        return strange + missing + self.payload.mistakes(channels, together)

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words; the same source for two channels is a mistake."""
        inside = self.payload.sources(channels)
        return {
            channel: f"{part} of {self._topic_of(channel)}" if part else self._topic_of(channel)
            for channel, part in inside.items()
        }

    def _topic_of(self, channel: str) -> str:
        levels = (self.levels or {}).get(channel)
        topic = self.topic if levels is None else filled(self.topic, levels)
        return f'topic "{topic}" of broker "{self.broker}"'
