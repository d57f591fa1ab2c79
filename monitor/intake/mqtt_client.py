"""The library's client as a broker's settings say, for who keeps a session and for who only listens in."""

from __future__ import annotations

from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.intake.decoded import MAX_BYTES
from monitor.intake.mqtt_settings import Broker

# MQTT 5 only: the broker drops what is larger and we are spared the memory. What lies between
# MAX_BYTES and this is received, counted and acknowledged.
LARGEST_PACKET = 16 * MAX_BYTES


def new_client(
    broker: Broker, folder: Path, client_id: str, *, keep_session: bool, connect_within_s: float
) -> paho.Client:
    """A client that is not connected yet; relative files of the settings are looked for in `folder`.

    Raises: OSError naming a certificate or a password that is not there.
    """
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if broker.version == "5" else not keep_session,
        protocol=paho.MQTTv5 if broker.version == "5" else paho.MQTTv311,
        reconnect_on_failure=False,  # else it answers some refusals by trying older protocols
        manual_ack=keep_session,
    )
    client.connect_timeout = connect_within_s
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.secret(folder))
    if broker.tls is not None:
        client.tls_set_context(broker.tls.context(folder))
    return client


def connect(client: paho.Client, broker: Broker, *, keep_session: bool) -> None:
    """Open the connection and say CONNECT; the answer comes to `on_connect`.

    Raises: OSError when nobody takes the connection; ValueError for a host name that cannot be one.
    """
    keepalive = broker.keepalive // 1000
    if broker.version != "5":
        client.connect(broker.host, broker.port, keepalive)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library types no constructor here
    properties.MaximumPacketSize = LARGEST_PACKET
    if keep_session:
        properties.SessionExpiryInterval = broker.session_expiry // 1000
        properties.ReceiveMaximum = broker.in_flight
    client.connect(broker.host, broker.port, keepalive, clean_start=not keep_session, properties=properties)
