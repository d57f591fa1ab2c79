"""Readings from an MQTT broker: QoS 1, a persistent session, acknowledged after they are stored.

A connection is one object with one client of the library; a lost one is thrown away and with it every
acknowledgement still owed to it, because the broker will send those messages again (with DUP set).
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.clock import Clock
from monitor.intake.decoded import Origin, shortened
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.link import STEADY_S, Link
from monitor.intake.mqtt_client import connect, new_client
from monitor.intake.mqtt_settings import Broker, Wire
from monitor.intake.mqtt_topics import covering, levels_of
from monitor.intake.payloads import decode
from monitor.plant.channel import Channel
from monitor.plant.model import Instrument
from monitor.readings import Count, Sample, Status

log = logging.getLogger(__name__)

ANSWER_S = 10.0  # a broker that takes the connection must answer CONNECT and SUBSCRIBE within this
CONFIRM_S = 2.0  # and has so long to tell, before we leave, that it has read our acknowledgements
TURN_S = 0.25  # how long one turn of the network loop waits; bounds how late a stop is noticed
DRAIN_PAUSE_S = 0.5  # a resumed session is drained when no message came for this long,
DRAIN_LONGEST_S = 30.0  # or after this, because a busy shop never pauses
_TOPICS_KNOWN = 4_096
_NOBODYS_TOPIC = "goodwater/leaving"  # never subscribed to


class _Ended(Exception):
    """The connection is over; the text says why, for a person."""


class _Connection:
    """One connection from CONNECT to its end. Callbacks and `serve` run in the driver's thread,
    `acknowledge` in any."""

    def __init__(self, driver: MqttDriver) -> None:
        self._driver = driver
        self._lock = threading.Lock()
        self._unacknowledged: set[int] = set()
        self._since_flush = 0
        self._answered_by = 0.0
        self._subscribed = False
        self._confirmed = False
        self._session_present = False
        self._draining = False
        self._connected_s = 0.0
        self._active_s = 0.0
        self._end = ""
        self._client = self._make_client()

    def _make_client(self) -> paho.Client:
        driver = self._driver
        client = new_client(
            driver.broker,
            driver.folder,
            driver.client_id,
            keep_session=True,
            connect_within_s=ANSWER_S / 2,
        )
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        # With this set, the library never writes from the thread that acknowledges: packets are queued
        # and the loop is woken. Two threads writing to one socket would mix their bytes.
        client.on_socket_register_write = lambda *_: None
        return client

    def serve(self, stopping: threading.Event) -> None:
        """Connect and take messages until the connection ends or `stopping` is set.

        Raises: _Ended or OSError with the reason, unless stopped.
        """
        try:
            self._connect()
            while not (stopping.is_set() and self._may_leave()):
                self._turn()
            self._confirm()
            self._client.disconnect()
            while self._client.socket() and self._client.loop(TURN_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                pass
        finally:
            self._close()

    def _connect(self) -> None:
        connect(self._client, self._driver.broker, keep_session=True)
        self._answered_by = time.monotonic() + ANSWER_S

    def _turn(self) -> None:
        code = self._client.loop(TURN_S)
        if self._end:
            raise _Ended(self._end)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise _Ended(paho.error_string(code))
        if not self._subscribed and time.monotonic() > self._answered_by:
            raise _Ended(f"the broker took the connection but did not answer within {ANSWER_S:g} s")

    def _may_leave(self) -> bool:
        """All that was handed over is acknowledged, or the wait for it is over."""
        with self._lock:
            return not self._unacknowledged or time.monotonic() >= self._driver.leave_by_s

    def _confirm(self) -> None:
        """Wait until the broker has read all we acknowledged.

        Closing at once leaves what it still sends us unread, so the connection is reset and it may drop our
        last acknowledgements unread too: up to a window of messages would come again. It answers in order,
        so its answer to a later request (to end a subscription that never was) says that it has read them.
        """
        if not self._subscribed:
            return
        self._client.unsubscribe(_NOBODYS_TOPIC)
        until_s = time.monotonic() + CONFIRM_S
        while not self._confirmed and time.monotonic() < until_s:
            self._turn()

    def _close(self) -> None:
        with self._lock:
            self._unacknowledged.clear()  # what is acknowledged from now on is too late, and will come again
        client = self._client
        client.on_connect = client.on_subscribe = client.on_unsubscribe = None
        client.on_message = client.on_disconnect = None
        client.on_socket_register_write = None
        socket = client.socket()
        if socket is not None:
            socket.close()

    # --- what the library calls, in the driver's thread

    def _on_connect(
        self, client: paho.Client, _: Any, flags: paho.ConnectFlags, reason: ReasonCode, __: Any
    ) -> None:
        if reason.is_failure:
            self._end = f"the broker refuses us: {reason}"
            return
        now_s = time.monotonic()
        self._session_present = self._draining = flags.session_present
        self._connected_s = self._active_s = now_s
        self._answered_by = now_s + ANSWER_S
        if self._driver.broker.version == "5":
            # Retained messages only when the subscription is new: they repeat what the session already had.
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(topic, options) for topic in self._driver.subscriptions])
        else:
            client.subscribe([(topic, 1) for topic in self._driver.subscriptions])

    def _on_subscribe(
        self, client: paho.Client, _: Any, mid: int, reasons: list[ReasonCode], __: Any
    ) -> None:
        self._subscribed = True
        answers = zip(self._driver.subscriptions, reasons, strict=False)
        refused = [(topic, str(reason)) for topic, reason in answers if reason.is_failure]
        words = "; ".join(f'the broker refuses "{topic}": {reason}' for topic, reason in refused)
        self._driver.subscriptions_refused(refused)
        if len(refused) == len(self._driver.subscriptions):
            self._end = words
        else:
            self._driver.connected(words, session_present=self._session_present)

    def _on_unsubscribe(self, *_: Any) -> None:
        self._confirmed = True

    def _on_disconnect(
        self, _: paho.Client, __: Any, flags: paho.DisconnectFlags, reason: ReasonCode, ___: Any
    ) -> None:
        if self._end:
            return
        if flags.is_disconnect_packet_from_server:
            self._end = f"the broker ended the connection: {reason}"
        elif not self._connected_s:
            self._end = "the broker took the connection and closed it without an answer"
        elif time.monotonic() - self._connected_s < STEADY_S:
            self._end = (
                "the connection to the broker was lost soon after it was made; if that goes on, look for "
                f"another client with the name {self._driver.client_id}"
            )
        else:
            self._end = "the connection to the broker was lost"

    def _on_message(self, _: paho.Client, __: Any, message: paho.MQTTMessage) -> None:
        if self._driver.stopping.is_set():
            return  # not acknowledged, so the broker keeps it for the next start
        parcel = self._driver.parcel(message, self._status(message))
        if message.qos == 0:
            self._driver.sink(parcel)
        else:
            flush = self._received(message.mid)
            acknowledge = partial(self.acknowledge, message.mid)
            self._driver.sink(Parcel(parcel.samples, parcel.counts, acknowledge, flush))
        self._active_s = time.monotonic()

    def _status(self, message: paho.MQTTMessage) -> Status:
        now_s = time.monotonic()
        if now_s - self._active_s >= DRAIN_PAUSE_S or now_s - self._connected_s >= DRAIN_LONGEST_S:
            self._draining = False
        status = Status.DRAINED if self._draining else Status.OK
        if message.dup:
            status |= Status.REDELIVERED
        if message.retain:
            status |= Status.RETAINED
        return status

    def _received(self, mid: int) -> bool:
        """Note a message as owed; True when the broker now waits for us, so that a batch must close.

        A flush covers all before it, so one for each whole window is enough: what is unacknowledged after
        it arrived later, and is less than a window until the next flush is due.
        """
        with self._lock:
            self._unacknowledged.add(mid)
            self._since_flush += 1
            window = self._driver.broker.in_flight
            if len(self._unacknowledged) < window or self._since_flush < window:
                return False
            self._since_flush = 0
            return True

    def acknowledge(self, mid: int) -> None:
        """Tell the broker that a message is stored. From any thread, any number of times, also too late."""
        with self._lock:
            if mid not in self._unacknowledged:
                return
            if len(self._unacknowledged) >= self._driver.broker.in_flight:
                self._active_s = time.monotonic()  # the broker waited for us: no pause of its own
            self._unacknowledged.remove(mid)
            self._client.ack(mid, 1)


class Listener:
    """One instrument's part of what a broker sends."""

    def __init__(self, wire: Wire, channels: Sequence[Channel]) -> None:
        self.wire = wire
        self._channels = tuple(channels)
        self._by_levels: dict[str, tuple[Channel, ...]] = {}
        for channel in channels:
            levels = (wire.levels or {}).get(channel.id, "")
            self._by_levels[levels] = (*self._by_levels.get(levels, ()), channel)

    def channels_of(self, topic: str) -> tuple[Channel, ...]:
        """The channels a message with this topic is for."""
        if not paho.topic_matches_sub(self.wire.topic, topic):
            return ()
        if self.wire.levels is None:
            return self._channels
        return self._by_levels.get(levels_of(self.wire.topic, topic), ())


class MqttDriver:
    """All instruments of one broker, by one connection in one thread.

    `instruments` are those whose wire is a `Wire` on this broker, `site` the site's id (for the name of the
    session), `folder` where relative certificate files are looked for. `seen_before` says that this site
    has had a session at this broker, so that a session which is not there any more is a possible gap
    already at the first connection. `stop` waits up to `stop_grace_s` for what was handed over to be
    acknowledged, so call it while the watch still takes parcels.
    """

    def __init__(
        self,
        broker: Broker,
        instruments: Sequence[Instrument],
        sink: Sink,
        clock: Clock,
        *,
        site: str,
        folder: Path = Path(),
        seen_before: bool = False,
        delays: Delays = growing_delays,
        stop_grace_s: float = 3.0,
    ) -> None:
        self.broker = broker
        self.name = f"broker {broker.id}"
        self.client_id = broker.client_id or f"goodwater-{site}-{broker.id}"
        self.folder = folder
        self.sink = sink
        self.stopping = threading.Event()
        self.leave_by_s = 0.0
        self._clock = clock
        self._listeners = [
            Listener(i.wire, i.channel)
            for i in instruments
            if isinstance(i.wire, Wire) and i.wire.broker == broker.id
        ]
        # A shop has few topics, and they come again and again; a stranger may invent many.
        self._who_listens = lru_cache(maxsize=_TOPICS_KNOWN)(self._find_listening)
        self.subscriptions = covering([listener.wire.topic for listener in self._listeners])
        self._link = Link(self.name, sink, clock, delays)
        self._seen_before = seen_before
        self._stop_grace_s = stop_grace_s
        self._thread = threading.Thread(target=self._run, name=f"mqtt {broker.id}", daemon=True)

    def start(self) -> None:
        """Begin to connect, and to try again for ever; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect cleanly (the session stays) and join the thread."""
        self.leave_by_s = time.monotonic() + self._stop_grace_s
        self.stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self.stopping.is_set():
            try:
                _Connection(self).serve(self.stopping)
            except (_Ended, OSError, ValueError) as error:  # ValueError: a host name that cannot be one
                self._lost(str(error) or type(error).__name__)
            except Exception as error:  # the supervisor of this thread: no fault ends intake
                log.exception("%s: unexpected fault, connecting anew", self.name)
                self._lost(f"{type(error).__name__}: {error}")
            if not self.stopping.is_set():
                self._link.wait(self.stopping)

    def _lost(self, reason: str) -> None:
        if not self.stopping.is_set():
            self._link.is_down(reason)

    def connected(self, detail: str, *, session_present: bool) -> None:
        """The broker answered our subscriptions."""
        gap = self._seen_before and not session_present
        self._seen_before = True
        self._link.is_up(detail, possible_gap=gap)

    def subscriptions_refused(self, refused: Sequence[tuple[str, str]]) -> None:
        """Count each topic that the broker will not give us."""
        now_ms = self._clock.now_ms()
        counts = tuple(Count("subscription-refused", topic, now_ms, reason) for topic, reason in refused)
        if counts:
            self.sink(Parcel(counts=counts))

    def parcel(self, message: paho.MQTTMessage, status: Status) -> Parcel:
        """What a message says to every instrument that listens to its topic."""
        now_ms = self._clock.now_ms()
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return Parcel(counts=(Origin("(topic not UTF-8)", now_ms).count("unknown-topic"),))
        raw = bytes(message.payload)
        samples: list[Sample] = []
        counts: list[Count] = []
        listening = self._who_listens(topic)
        for listener, channels in listening:
            for found in decode(listener.wire.payload, raw, channels=channels, subject=topic, now_ms=now_ms):
                counts += found.problems
                samples += found.samples(now_ms, status)
        if not (samples or counts):
            what = "nothing-for-us" if listening else "unknown-topic"
            counts.append(Origin(topic, now_ms).count(what, shortened(raw)))
        return Parcel(tuple(samples), tuple(counts))

    def _find_listening(self, topic: str) -> tuple[tuple[Listener, tuple[Channel, ...]], ...]:
        """The listeners that a message with this topic has something for, and for which of their channels."""
        found = ((listener, listener.channels_of(topic)) for listener in self._listeners)
        return tuple((listener, channels) for listener, channels in found if channels)
