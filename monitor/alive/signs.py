"""Which signs of life a site file asks for, made of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.alive.heartbeat import Heart
from monitor.alive.settings import Heartbeat, StatusTopic
from monitor.alive.status_topic import StatusWord
from monitor.clock import Clock
from monitor.intake.driver import Sink
from monitor.intake.mqtt_settings import Broker
from monitor.plant.model import Site


def signs(
    heartbeat: Heartbeat,
    status: StatusTopic,
    brokers: Sequence[Broker],
    site: Site,
    *,
    sink: Sink,
    clock: Clock,
    folder: Path,
    tell: Callable[[str], bool],
) -> list[Heart | StatusWord]:
    """The heartbeat and the status topic, as far as they are asked for; not started yet."""
    made: list[Heart | StatusWord] = []
    if heartbeat.url is not None:
        made.append(Heart(heartbeat, site, sink, clock, folder=folder, tell=tell))
    made += [
        StatusWord(status, broker, site.id, sink, clock, folder=folder)
        for broker in brokers
        if broker.id == status.broker
    ]
    return made
