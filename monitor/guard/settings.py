"""The guard's own small file: whom it listens for, and whom it tells by which mail server."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from monitor.alive.settings import TopicName
from monitor.intake.mqtt_settings import Broker
from monitor.notify.mail_server import MailServer
from monitor.notify.settings import DeliverySettings
from monitor.plant.fields import DurationMs, Id, RefersTo, Table
from monitor.plant.model import Site


class Guard(Site):
    """The guard itself."""

    id: Annotated[Id, Field(description="what message ids and brokers call this guard; never change it")]
    name: Annotated[str, Field(description="how messages call this guard: where it stands")]
    data: Annotated[
        str, Field(min_length=1, description="the folder for what it remembers, relative to this file")
    ]
    listen: Annotated[
        str,
        Field(
            min_length=1,
            description="address of this machine that heartbeats come to; 0.0.0.0 is all of IPv4, :: of IPv6",
        ),
    ] = "0.0.0.0"
    port: Annotated[int, Field(ge=1, le=65535, description="TCP port for heartbeats")] = 8411
    cert_file: Annotated[
        str | None,
        Field(description="certificate (PEM) for https, relative to this file; goes with key_file"),
    ] = None
    key_file: Annotated[str | None, Field(description="the key (PEM) of that certificate")] = None

    @model_validator(mode="after")
    def _pair(self) -> Guard:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together")
        return self


class Watch(Table):
    """A watch that is listened for, by its heartbeat, by its status topic, or by both."""

    id: Annotated[Id, Field(description="the id in the [site] of its site file")]
    name: Annotated[str, Field(description="how messages call the shop")]
    secret_file: Annotated[
        str | None,
        Field(
            description="file with the key that signs its heartbeats, relative to this file; the same key as "
            "in its [heartbeat]"
        ),
    ] = None
    broker: Annotated[
        Id | None, RefersTo("broker"), Field(description="id of the [[broker]] with its status topic")
    ] = None
    topic: Annotated[
        TopicName | None, Field(description="its status topic; goodwater/<id>/status where left out")
    ] = None
    patience: Annotated[
        DurationMs,
        Field(
            ge=1_000,
            le=7 * 86_400_000,
            description="silence that is told; several times what its heartbeat or topic calls every, and "
            "longer than its gateway takes to start",
        ),
    ] = 600_000

    @model_validator(mode="after")
    def _is_heard(self) -> Watch:
        if self.secret_file is None and self.broker is None:
            raise ValueError(
                "secret_file (it sends heartbeats) or broker (it keeps a status topic) is needed: else "
                "nothing is ever heard of it"
            )
        if self.topic is not None and self.broker is None:
            raise ValueError("topic goes with broker")
        return self

    @property
    def status_topic(self) -> str:
        return self.topic or f"goodwater/{self.id}/status"


class Told(Table):
    """Somebody the guard tells."""

    id: Annotated[Id, Field(description="what message ids call them")]
    name: Annotated[str, Field(description="how messages call them; a role will do")]
    way: Annotated[tuple[Any, ...], Field(min_length=1, description="how they are told, each way its own")]


class GuardFile(Table):
    """The whole file. `way` holds the settings of delivery; `config` knows which there are."""

    guard: Annotated[Guard, Field(description="the guard itself")]
    watch: Annotated[tuple[Watch, ...], Field(min_length=1, description="whom it listens for")]
    broker: Annotated[tuple[Broker, ...], Field(description="brokers with status topics")] = ()
    mail_server: Annotated[tuple[MailServer, ...], Field(description="its own mail servers")] = ()
    delivery: Annotated[DeliverySettings, Field(description="how long and how often delivery is tried")] = (
        DeliverySettings()
    )
    person: Annotated[tuple[Told, ...], Field(min_length=1, description="whom it tells")]
