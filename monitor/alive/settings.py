"""The tables `[heartbeat]` and `[status_topic]`: who outside is to notice that the watch has ended."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from monitor.notify.failures import Temporary
from monitor.notify.post import Poster
from monitor.notify.secret import Secret
from monitor.plant.addresses import web_address
from monitor.plant.fields import DurationMs, Id, RefersTo, SigningKeyFile, Table, TrustedFile

_SHORTEST_KEY = 16


class Heartbeat(Table):
    """A web address that hears from us while we watch; nothing is sent where `url` is left out."""

    url: Annotated[
        str | None,
        Field(
            description="address of a `goodwater guard`, or of any service that raises an alarm when nobody "
            "knocks; https, http only inside the shop"
        ),
    ] = None
    every: Annotated[DurationMs, Field(ge=1_000, le=86_400_000, description="how often it hears from us")] = (
        60_000
    )
    secret_file: SigningKeyFile = None
    ca_file: TrustedFile = None
    timeout: Annotated[
        DurationMs,
        Field(gt=0, description="longest wait for each answer; a whole heartbeat may take three times this"),
    ] = 10_000
    tell_after: Annotated[
        DurationMs,
        Field(
            ge=60_000,
            description="when no heartbeat was taken for so long, everybody is told: nobody outside would "
            "notice the end of the watch",
        ),
    ] = 3_600_000

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Heartbeat:
        if self.url is None:
            if self.model_fields_set:
                raise ValueError("a heartbeat needs `url`, the address that hears it")
            return self
        web_address(self.url)
        return self

    @property
    def host(self) -> str:
        """The host it goes to; empty where there is none."""
        return (urlsplit(self.url).hostname or "") if self.url is not None else ""

    @property
    def label(self) -> str:
        return f"heartbeat to {self.host}"

    def poster(self, folder: Path) -> Poster:
        """How one is sent. Raises: ValueError where there is no `url`."""
        if self.url is None:
            raise ValueError("a heartbeat needs `url`")
        return Poster(self.url, self.label, self.ca_file, folder, self.timeout)

    def key(self, folder: Path) -> bytes | None:
        """The signing key; None when heartbeats go out unsigned.

        Raises: Temporary when it cannot be read, or is too short.
        """
        return None if self.secret_file is None else signing_key(self.secret_file, folder, self.label)


def signing_key(file: str, folder: Path, label: str) -> bytes:
    """The key that signs heartbeats, at both ends.

    Raises: Temporary when it cannot be read, or is too short.
    """
    key = Secret("secret", file, None, folder, {}).read()
    if len(key) < _SHORTEST_KEY:
        raise Temporary(
            f"the signing key of {label} has {len(key)} characters; it needs {_SHORTEST_KEY} or more, as "
            "`openssl rand -hex 32` makes them"
        )
    return key.encode()


def topic_name(found: str) -> str:
    """A topic to publish to.

    Raises: ValueError for one with wildcards, or that no broker takes.
    """
    if "+" in found or "#" in found or "\0" in found or found.startswith("$"):
        raise ValueError(f'"{found}" is no topic to publish to; one looks like goodwater/north-hall/status')
    return found


TopicName = Annotated[str, Field(min_length=1, max_length=1024), AfterValidator(topic_name)]


class StatusTopic(Table):
    """A retained word on a broker: `running`, `stopped`, or `gone` by the broker itself (its last will)."""

    broker: Annotated[
        Id | None,
        RefersTo("broker"),
        Field(description="id of the [[broker]] it stands on; none where left out"),
    ] = None
    topic: Annotated[TopicName | None, Field(description="goodwater/<site>/status where left out")] = None
    every: Annotated[
        DurationMs,
        Field(
            ge=1_000,
            le=3_600_000,
            description="how often `running` is said again, for whoever must tell a word from a memory",
        ),
    ] = 60_000

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> StatusTopic:
        if self.broker is None and self.model_fields_set:
            raise ValueError("a status topic needs `broker`, the id of a [[broker]]")
        return self

    def topic_of(self, site: str) -> str:
        return self.topic or f"goodwater/{site}/status"


class AllWell(Table):
    """One line a day, whether all is well: the day it does not come, somebody looks."""

    at: Annotated[
        str | None,
        Field(
            pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
            description='the hour it is sent at, in the shop\'s time, like "06:30"; none where left out',
        ),
    ] = None
    to: Annotated[
        tuple[Annotated[Id, RefersTo("person")], ...],
        Field(description="ids of the people who get it; all where left out"),
    ] = ()

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> AllWell:
        if self.at is None and self.model_fields_set:
            raise ValueError('the daily line needs `at`, like "06:30"')
        return self
