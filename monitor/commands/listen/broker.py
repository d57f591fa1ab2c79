"""Listening in on a broker: all topics it lets us read, as they come, in a session that leaves no trace."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from monitor.clock import MachineClock
from monitor.commands.listen.guess import Guess, guess
from monitor.commands.listen.shown import plain
from monitor.commands.listen.sources import Sources
from monitor.intake.decoded import MAX_BYTES
from monitor.intake.mqtt import ANSWER_S, Listener
from monitor.intake.mqtt_client import connect, new_client
from monitor.intake.mqtt_settings import Broker
from monitor.intake.mqtt_topics import covering
from monitor.intake.payloads import decode
from monitor.plant.model import Instrument

_TURN_S = 0.2


class Lost(Exception):
    """The connection was refused or lost; the text says why."""


Show = Callable[[str, str, str, str], None]  # what it came by, kind, what it says, whose it is


class BrokerEar:
    """One broker that is listened to. `instruments` are those of the site that listen to it."""

    def __init__(
        self,
        broker: Broker,
        folder: Path,
        instruments: Sequence[Instrument],
        topics: Sequence[str],
        show: Show,
    ) -> None:
        self.broker = broker
        self.sources = Sources()
        self.configured: set[str] = set()  # topics that an instrument of the site reads
        self._listeners = [(i.id, Listener(i.wire, i.channel)) for i in instruments]
        self.topics = covering(topics)
        self._show = show
        self._refusal = ""
        self._subscribed = False
        client_id = f"goodwater-listen-{secrets.token_hex(4)}"
        self._client = new_client(
            broker, folder, client_id, keep_session=False, connect_within_s=ANSWER_S / 2
        )
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    @property
    def name(self) -> str:
        return f"{self.broker.host}:{self.broker.port}"

    def open(self) -> None:
        """Connect and subscribe. Raises: Lost, OSError, ValueError."""
        connect(self._client, self.broker, keep_session=False)
        until_s = time.monotonic() + ANSWER_S
        while not self._subscribed:
            self.turn(_TURN_S)
            if time.monotonic() > until_s:
                raise Lost(f"the broker took the connection but did not answer within {ANSWER_S:g} s")

    def turn(self, wait_s: float) -> None:
        """Show what has come meanwhile. Raises: Lost."""
        code = self._client.loop(wait_s)
        if self._refusal:
            raise Lost(self._refusal)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise Lost(
                f"the connection to the broker was lost: {paho.error_string(code).rstrip('.').lower()}"
            )

    def close(self) -> None:
        """Leave; the broker forgets us."""
        self._client.on_message = None
        self._client.disconnect()
        while self._client.socket() and self._client.loop(_TURN_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
            pass

    def _on_connect(
        self, client: paho.Client, _: Any, __: paho.ConnectFlags, reason: ReasonCode, ___: Any
    ) -> None:
        if reason.is_failure:
            self._refusal = f"the broker refuses us: {reason}"
        else:
            client.subscribe([(topic, 0) for topic in self.topics])

    def _on_subscribe(self, _: paho.Client, __: Any, ___: int, reasons: list[ReasonCode], ____: Any) -> None:
        self._subscribed = True
        if all(reason.is_failure for reason in reasons):
            self._refusal = f"the broker lets us read none of {', '.join(self.topics)}: {reasons[0]}"

    def _on_message(self, _: paho.Client, __: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self._show("(topic not UTF-8)", "bytes", "", "")
            return
        raw = bytes(message.payload[: MAX_BYTES + 1])
        found = guess(raw)
        read = self._as_configured(topic, raw)
        if read:
            self.configured.add(topic)
        known = self.sources.heard(topic, found, time.monotonic(), retained=message.retain)
        if known is None and not read:
            return  # counted only
        old = "kept by the broker, old; " if message.retain else ""
        for whose, said in read:
            self._show(plain(topic), found.kind, old + said, whose)
        if not read:
            self._show(plain(topic), found.kind, old + as_guessed(found), "")

    def _as_configured(self, topic: str, raw: bytes) -> list[tuple[str, str]]:
        """What the site's instruments read in a message: instrument, and values or what is wrong."""
        read: list[tuple[str, str]] = []
        for whose, listener in self._listeners:
            channels = listener.channels_of(topic)
            if not channels:
                continue
            values: list[str] = []
            for moment in decode(
                listener.wire.payload, raw, channels=channels, subject=topic, now_ms=MachineClock().now_ms()
            ):
                values += [f"{channel} = {value:.10g}" for channel, value in moment.values.items()]
                values += [f"{problem.what} ({plain(problem.detail)})" for problem in moment.problems]
            read.append((whose, ", ".join(values) or "nothing for it"))
        return read


def as_guessed(found: Guess) -> str:
    """The values of a guess in one line."""
    values = [
        f"{plain(part.name) + ' = ' if part.name else ''}{plain(part.text)}"
        f"{' ' + plain(part.unit) if part.unit else ''}"
        for part in found.parts
    ]
    time_words = f"; time {plain(found.time)}" if found.time else ""
    return (", ".join(values) or found.remark or "nothing in it") + time_words
