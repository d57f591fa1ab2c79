"""One connection to a broker, turned by the thread that uses it: for a few words, not for readings."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from monitor.intake.mqtt_client import connect, new_client
from monitor.intake.mqtt_settings import Broker

ANSWER_S = 5.0  # for each answer of the broker
_TURN_S = 0.2


class Talk:
    """`open`, then `say`, `listen` and `turn` until it raises OSError, then `close`. All in one thread."""

    def __init__(self, broker: Broker, folder: Path, client_id: str) -> None:
        """Raises: OSError naming a certificate or a password that is not there."""
        self._broker = broker
        self._greetings: list[ReasonCode] = []
        self._granted: list[ReasonCode] = []
        self._came: list[tuple[str, bytes, bool]] = []
        self.client = new_client(broker, folder, client_id, keep_session=False, connect_within_s=ANSWER_S)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message

    def open(self) -> None:
        """Raises: OSError saying why there is no connection; ValueError for what cannot be a host name."""
        connect(self.client, self._broker, keep_session=False)
        self._until(lambda: bool(self._greetings), "took the connection, but did not answer")
        if self._greetings[-1].is_failure:
            raise OSError(f"the broker refuses us: {self._greetings[-1]}")

    def say(self, topic: str, word: bytes) -> None:
        """Publish a retained word and wait until the broker has it. Raises: OSError."""
        said = self.client.publish(topic, word, qos=1, retain=True)
        self._until(said.is_published, f"did not take {word.decode()} on {topic}")

    def listen(self, topic: str) -> None:
        """Subscribe; what comes is given by `heard`. Raises: OSError."""
        self._granted = []
        self.client.subscribe(topic, qos=1)
        self._until(lambda: bool(self._granted), f"did not answer the subscription to {topic}")
        if self._granted[0].is_failure:
            raise OSError(f'the broker refuses "{topic}": {self._granted[0]}')

    def heard(self) -> list[tuple[str, bytes, bool]]:
        """What came since the last call: topic, word, and whether it is a retained one."""
        came, self._came = self._came, []
        return came

    def turn(self) -> None:
        """Move the connection on, waiting a moment at most. Raises: OSError when it is over."""
        code = self.client.loop(_TURN_S)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise OSError(f"the connection to the broker was lost: {paho.error_string(code)}")

    def close(self) -> None:
        """Part in good order where there is a connection: the broker then publishes no last will."""
        self.client.on_connect = self.client.on_subscribe = self.client.on_message = None
        self.client.disconnect()
        socket = self.client.socket()
        if socket is not None:
            self.client.loop(_TURN_S)
            socket.close()

    def _until(self, done: Callable[[], bool], wrong: str) -> None:
        until_s = time.monotonic() + ANSWER_S
        while not done():
            if time.monotonic() >= until_s:
                raise OSError(f"the broker {wrong} within {ANSWER_S:g} s")
            self.turn()

    def _on_connect(
        self, _: paho.Client, __: Any, ___: paho.ConnectFlags, reason: ReasonCode, ____: Any
    ) -> None:
        self._greetings.append(reason)

    def _on_subscribe(self, _: paho.Client, __: Any, ___: int, reasons: list[ReasonCode], ____: Any) -> None:
        self._granted = reasons

    def _on_message(self, _: paho.Client, __: Any, message: paho.MQTTMessage) -> None:
        self._came.append((message.topic, bytes(message.payload), message.retain))
