"""Instruments that speak by themselves: lines of text on a port, and messages to an MQTT broker."""

from __future__ import annotations

import json
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulator.instruments import FAILED, OK, STATUS, Sample
from simulator.shop import Instrument, ShopError
from simulator.wires.ports import Port
from simulator.wires.values import decimals, text_of, unit_of


def line_of(instrument: Instrument, sample: Sample) -> bytes:
    """One line: label, value, unit; as `EC 12.3 uS/cm`."""
    wire = instrument.wire
    label = wire.label if wire is not None and wire.label else instrument.name
    return f"{label} {text_of(sample, decimals(instrument))} {unit_of(instrument)}".strip().encode() + b"\r\n"


def message_of(instrument: Instrument, sample: Sample) -> bytes:
    """JSON with the instrument's own time (`t`, ms since 1970 UTC), value (`v`) and status, or a bare
    number.
    """
    digits = decimals(instrument)
    if instrument.wire is not None and instrument.wire.payload == "number":
        return text_of(sample, digits).encode()
    body: dict[str, object] = {
        "t": sample.own_ms,
        "v": None if sample.status == FAILED else round(sample.value, digits),
    }
    if sample.status != OK:
        body["status"] = STATUS[sample.status]
    return json.dumps(body).encode()


class LinePort:
    """Meters that write lines of text to one port, one after the other."""

    def __init__(self, instruments: list[Instrument], path: Path) -> None:
        self.instruments = {instrument.name: instrument for instrument in instruments}
        self.port = Port(path)

    def say(self, sample: Sample) -> None:
        self.port.write(line_of(self.instruments[sample.instrument], sample))

    def start(self) -> None:
        """Nothing to do: lines are written when they fall due."""

    def stop(self) -> None:
        self.port.close()


class Publisher:
    """A gateway that publishes its instruments with QoS 1; what a lost broker did not take is sent
    when it is back.
    """

    def __init__(self, instruments: list[Instrument], host: str, port: int, client_id: str) -> None:
        self.instruments = {instrument.name: instrument for instrument in instruments}
        self._host, self._port = host, port
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 4)
        self._last: mqtt.MQTTMessageInfo | None = None
        self.said = 0

    def start(self) -> None:
        try:
            self._client.connect(self._host, self._port, keepalive=30)
        except OSError as error:
            raise ShopError(f"no broker at {self._host}:{self._port}: {error}") from error
        self._client.loop_start()

    def say(self, sample: Sample) -> None:
        instrument = self.instruments[sample.instrument]
        wire = instrument.wire
        assert wire is not None
        self._last = self._client.publish(wire.topic, message_of(instrument, sample), qos=1)
        self.said += 1

    def settle(self, wait_s: float) -> bool:
        """Wait until the broker has taken the last message; False if it did not in time."""
        if self._last is None:
            return True
        self._last.wait_for_publish(wait_s)
        return self._last.is_published()

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
