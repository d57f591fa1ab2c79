"""What is MQTT's own: sessions, redelivery, acknowledging after the commit, refusals."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client
import pytest
import trustme
from cryptography.hazmat.primitives import serialization
from pydantic import ValidationError

from monitor.intake import mqtt, mqtt_settings
from monitor.intake.mqtt import DRAIN_PAUSE_S, MqttDriver
from monitor.intake.mqtt_settings import Broker, Wire
from monitor.intake.mqtt_topics import covering
from monitor.readings import Status
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.mosquitto import Mosquitto
from tests.waiting import eventually, stays

versions = pytest.mark.parametrize("version", ["5", "3.1.1"])
Start = Callable[..., MqttDriver]


def wire(topic: str = "shop/di") -> Wire:
    return Wire.model_validate({"broker": "hall", "topic": topic, "payload": {"kind": "number"}})


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts drivers; all are stopped at the end."""
    made: list[MqttDriver] = []

    def begin(
        at: Any,
        recorder: Recorder,
        *wires: Wire,
        seen_before: bool = False,
        grace_s: float = 0.0,
        **settings: Any,
    ) -> MqttDriver:
        broker = Broker.model_validate({"id": "hall", "host": "127.0.0.1", "port": at.port, **settings})
        meters = [
            meter(each, *(each.levels or [f"ec{n}"]), id=f"m{n}") for n, each in enumerate(wires or (wire(),))
        ]
        driver = MqttDriver(
            broker,
            meters,
            recorder,
            StillClock(),
            site="hall",
            seen_before=seen_before,
            delays=soon,
            stop_grace_s=grace_s,
        )
        made.append(driver)
        driver.start()
        return driver

    yield begin
    for driver in made:
        driver.stop()


def numbers(n: int, first: int = 0) -> list[str]:
    return [str(number) for number in range(first, first + n)]


@versions
def test_what_was_not_acknowledged_comes_again_marked_as_redelivered(
    broker: Mosquitto, start: Start, version: str
) -> None:
    first = Recorder(acknowledging=False)
    driver = start(broker, first, version=version)
    eventually(first.is_up)
    broker.publish("shop/di", *numbers(5))
    eventually(lambda: len(first.values) == 5)
    assert {sample.status for sample in first.samples} == {Status.OK}
    for parcel in first.parcels[:2]:
        assert parcel.acknowledge is not None
        parcel.acknowledge()
    driver.stop()

    again = Recorder()
    start(broker, again, version=version)
    eventually(lambda: len(again.values) >= 3)
    assert again.values == [2, 3, 4]
    assert all(sample.status & Status.REDELIVERED for sample in again.samples)
    eventually(again.is_up)
    assert not again.links[0].possible_gap


@versions
def test_what_was_acknowledged_never_comes_again_however_soon_we_leave(
    broker: Mosquitto, start: Start, version: str
) -> None:
    # Without waiting for the broker's answer some of these come again after some of the stops.
    for n in range(4):
        recorder = Recorder()
        driver = start(broker, recorder, version=version)
        eventually(recorder.is_up)
        broker.publish("shop/di", *numbers(30, first=100 * n))
        eventually(lambda recorder=recorder, n=n: 100 * n + 29 in recorder.values)
        driver.stop()
        assert recorder.values == list(range(100 * n, 100 * n + 30))


@pytest.mark.serial  # tells a queue from live messages by their pauses
@versions
def test_what_was_published_while_we_were_away_is_marked_as_drained_and_what_comes_later_is_not(
    broker: Mosquitto, start: Start, version: str
) -> None:
    start(broker, Recorder(), version=version).stop()
    first = Recorder()
    driver = start(broker, first, version=version)
    eventually(first.is_up)
    driver.stop()
    broker.publish("shop/di", *numbers(100))

    recorder = Recorder()
    start(broker, recorder, version=version)
    eventually(lambda: len(recorder.values) == 100)
    assert recorder.values == list(range(100))
    assert all(sample.status & Status.DRAINED for sample in recorder.samples)
    stays(lambda: len(recorder.values) == 100, 0.6)  # the pause that ends the draining
    broker.publish("shop/di", "100")
    eventually(lambda: len(recorder.values) == 101)
    assert recorder.samples[-1].status == Status.OK


@versions
def test_a_retained_message_is_marked(broker: Mosquitto, start: Start, version: str) -> None:
    broker.publish("shop/di", "5", retain=True)
    recorder = Recorder()
    start(broker, recorder, version=version)
    eventually(lambda: recorder.values)
    assert recorder.samples[0].status == Status.RETAINED
    broker.publish("shop/di", "6", retain=True)
    eventually(lambda: len(recorder.values) == 2)
    assert recorder.samples[1].status == Status.OK


def test_mqtt_5_does_not_repeat_a_retained_message_to_a_session_that_had_it(
    broker: Mosquitto, start: Start
) -> None:
    broker.publish("shop/di", "5", retain=True)
    first, again = Recorder(), Recorder()
    driver = start(broker, first)
    eventually(lambda: first.values == [5])
    driver.stop()
    start(broker, again)
    eventually(again.is_up)
    broker.publish("shop/di", "6")
    eventually(lambda: again.values)
    assert again.values == [6]


@pytest.mark.serial
@versions
def test_a_pause_of_our_own_does_not_end_the_draining(broker: Mosquitto, start: Start, version: str) -> None:
    first = Recorder()
    driver = start(broker, first, version=version)
    eventually(first.is_up)
    driver.stop()
    broker.publish("shop/di", *numbers(40))

    recorder = Recorder(acknowledging=False)
    start(broker, recorder, version=version)
    eventually(lambda: len(recorder.parcels) >= 20)
    stays(lambda: len(recorder.parcels) < 40, DRAIN_PAUSE_S + 0.2)  # a slow commit: the broker waits for us
    for parcel in recorder.parcels:
        assert parcel.acknowledge is not None
        parcel.acknowledge()
    eventually(lambda: len(recorder.parcels) == 40)
    assert all(sample.status & Status.DRAINED for sample in recorder.samples)


@versions
def test_the_parcel_that_fills_the_window_asks_for_a_commit_and_its_acknowledgement_brings_the_next(
    broker: Mosquitto, start: Start, version: str
) -> None:
    recorder = Recorder(acknowledging=False)
    start(broker, recorder, version=version, in_flight=10)
    eventually(recorder.is_up)
    broker.publish("shop/di", *numbers(55))
    for window in range(1, 6):
        eventually(lambda window=window: len(recorder.parcels) >= 10 * window)
        parcels = recorder.parcels[10 * (window - 1) : 10 * window]
        assert [parcel.flush for parcel in parcels] == [False] * 9 + [True]
        for parcel in parcels:
            assert parcel.acknowledge is not None
            parcel.acknowledge()
    eventually(lambda: len(recorder.values) == 55)
    assert recorder.values == list(range(55))
    assert not any(parcel.flush for parcel in recorder.parcels[50:])


def test_mqtt_5_holds_the_broker_to_our_window(broker: Mosquitto, start: Start) -> None:
    recorder = Recorder(acknowledging=False)
    start(broker, recorder, in_flight=3)
    eventually(recorder.is_up)
    broker.publish("shop/di", *numbers(10))
    eventually(lambda: len(recorder.values) == 3)
    stays(lambda: len(recorder.values) == 3)


@versions
def test_acknowledging_late_twice_or_after_a_reconnect_does_no_harm(
    broker: Mosquitto, start: Start, version: str
) -> None:
    recorder = Recorder(acknowledging=False)
    driver = start(broker, recorder, version=version)
    eventually(recorder.is_up)
    broker.publish("shop/di", *numbers(3))
    eventually(lambda: len(recorder.parcels) == 3)
    broker.stop()
    eventually(recorder.is_down)
    old = recorder.parcels
    broker.start()
    eventually(lambda: len(recorder.parcels) == 6)
    for parcel in old * 2 + recorder.parcels[3:] * 2:
        assert parcel.acknowledge is not None
        parcel.acknowledge()
    broker.publish("shop/di", "9")
    eventually(lambda: len(recorder.parcels) == 7)
    assert recorder.values == [0, 1, 2, 0, 1, 2, 9]
    assert len([link for link in recorder.links if link.up]) == 2
    driver.stop()
    for parcel in recorder.parcels:
        assert parcel.acknowledge is not None
        parcel.acknowledge()


def test_acknowledging_from_many_threads_writes_to_the_socket_from_one_only(
    broker: Mosquitto, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Two threads in one TLS socket, or a callback of the library in the thread that commits, would show
    # themselves once a year; so the writing thread is looked at, and not the damage.
    writers: set[str] = set()
    loop_write = paho.mqtt.client.Client.loop_write

    def watched(client: paho.mqtt.client.Client) -> Any:
        if threading.current_thread() is not threading.main_thread():  # that one publishes
            writers.add(threading.current_thread().name)
        return loop_write(client)

    monkeypatch.setattr(paho.mqtt.client.Client, "loop_write", watched)
    recorder = Recorder(acknowledging=False)
    start(broker, recorder, in_flight=20)
    eventually(recorder.is_up)

    def acknowledge(part: int) -> None:
        for n in range(part, 600, 3):
            eventually(lambda n=n: len(recorder.parcels) > n)
            done = recorder.parcels[n].acknowledge
            assert done is not None
            done()

    threads = [threading.Thread(target=acknowledge, args=(part,)) for part in range(3)]
    for thread in threads:
        thread.start()
    broker.publish("shop/di", *numbers(600))
    for thread in threads:
        thread.join()
    assert sorted(recorder.values) == list(range(600))
    assert writers == {"mqtt hall"}
    assert len(recorder.links) == 1


@versions
def test_a_broker_that_forgot_us_is_a_possible_gap(
    make_broker: Callable[..., Mosquitto], start: Start, version: str
) -> None:
    broker = make_broker(lines=["persistence_file other.db"])
    broker.start()
    recorder = Recorder()
    start(broker, recorder, version=version)
    eventually(recorder.is_up)
    assert not recorder.links[-1].possible_gap  # nothing was promised before the first time
    broker.kill()
    (broker.folder / "other.db").unlink(missing_ok=True)
    eventually(recorder.is_down)
    broker.start()
    eventually(recorder.is_up)
    assert recorder.links[-1].possible_gap


@versions
def test_a_site_that_was_here_before_and_is_not_remembered_is_a_possible_gap_at_once(
    broker: Mosquitto, start: Start, version: str
) -> None:
    recorder = Recorder()
    start(broker, recorder, version=version, seen_before=True)
    eventually(recorder.is_up)
    assert recorder.links[0].possible_gap


def test_a_message_at_qos_0_is_taken_and_has_nothing_to_acknowledge(broker: Mosquitto, start: Start) -> None:
    recorder = Recorder()
    start(broker, recorder)
    eventually(recorder.is_up)
    broker.publish("shop/di", "5", qos=0)
    eventually(lambda: recorder.values == [5])
    assert recorder.parcels[0].acknowledge is None


@versions
def test_a_topic_of_a_former_configuration_is_counted_and_acknowledged(
    broker: Mosquitto, start: Start, version: str
) -> None:
    first = Recorder()
    driver = start(broker, first, wire("shop/old"), version=version)
    eventually(first.is_up)
    driver.stop()
    recorder = Recorder()
    start(broker, recorder, wire("shop/new"), version=version)
    eventually(recorder.is_up)
    broker.publish("shop/old", "5")
    eventually(lambda: recorder.counts)
    assert [(count.what, count.subject) for count in recorder.counts] == [("unknown-topic", "shop/old")]
    assert recorder.parcels[0].acknowledge is not None


def test_a_message_larger_than_is_read_is_counted_and_a_huge_one_is_dropped_by_the_broker(
    broker: Mosquitto, start: Start
) -> None:
    recorder = Recorder()
    start(broker, recorder)
    eventually(recorder.is_up)
    broker.publish("shop/di", b"1" * 100_000, b"1" * 3_000_000, "7")
    eventually(lambda: recorder.values == [7])
    assert recorder.slugs == ["too-large"]


def gateway(topic: str, payload: dict[str, Any], **levels: str) -> Wire:
    return Wire.model_validate({"broker": "hall", "topic": topic, "payload": payload, "levels": levels})


def test_levels_of_a_topic_choose_the_channel_of_a_gateway_that_publishes_many_meters(
    broker: Mosquitto, start: Start
) -> None:
    recorder = Recorder()
    named = {"kind": "json", "values": {"ro": "/v", "tank": "/v"}, "time": "/t"}
    start(
        broker,
        recorder,
        gateway("hall/+/meter/+", {"kind": "number"}, di="1/ec", tap="2/ec"),
        gateway("plant/#", named, ro="a/b/c", tank="d"),
    )
    eventually(recorder.is_up)
    for topic, payload in (
        ("hall/2/meter/ec", "310"),
        ("hall/1/meter/ec", "4.9"),
        ("hall/3/meter/ec", "7"),
        ("plant/a/b/c", '{"v": 6, "t": 5}'),
        ("plant/d", '{"v": 7, "t": 6}'),
        ("plant/a/b", '{"v": 8, "t": 7}'),
    ):
        broker.publish(topic, payload)
    eventually(lambda: len(recorder.parcels) == 6)
    assert [(s.channel, s.value, s.time_ms) for s in recorder.samples] == [
        ("tap", 310.0, None),
        ("di", 4.9, None),
        ("ro", 6.0, 5),
        ("tank", 7.0, 6),
    ]
    assert [(c.what, c.subject) for c in recorder.counts] == [
        ("unknown-topic", "hall/3/meter/ec"),
        ("unknown-topic", "plant/a/b"),
    ]


@pytest.mark.parametrize(
    ("topic", "levels", "words"),
    [
        ("hall/di", {"a": "di"}, "do not fill"),
        ("hall/+/ec", {"a": "di/ec"}, "do not fill"),
        ("hall/+/+", {"a": "di"}, "do not fill"),
        ("hall/#", {"a": "+"}, "without \\+ and #"),
        ("hall/#", {}, "at least 1"),
    ],
)
def test_levels_that_fit_no_message_are_refused(topic: str, levels: dict[str, str], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        gateway(topic, {"kind": "number"}, **levels)


def test_levels_that_do_not_fit_their_instrument_are_said_so_and_name_the_topics_they_mean() -> None:
    wire = gateway("hall/+/ec", {"kind": "number"}, a="1", b="2")
    assert wire.mistakes(["a", "b"]) == []
    assert wire.mistakes(["a", "c"]) == [
        'levels of "b", which is no channel of this instrument; it has: a, c',
        'channel "c" has no levels',
    ]
    assert wire.sources(["a", "b"]) == {
        "a": 'topic "hall/1/ec" of broker "hall"',
        "b": 'topic "hall/2/ec" of broker "hall"',
    }
    assert (
        gateway("hall/+/ec", {"kind": "number"}, a="1", b="1").mistakes(["a", "b"])
        == ['payload "number" holds the value of one channel; here it would be for a, b'] * 2
    )


def test_a_message_that_says_nothing_to_anybody_is_counted(broker: Mosquitto, start: Start) -> None:
    recorder = Recorder()
    payload = {"kind": "senml", "values": {"ec0": "di:ec"}}
    start(broker, recorder, Wire.model_validate({"broker": "hall", "topic": "senml", "payload": payload}))
    eventually(recorder.is_up)
    broker.publish("senml", '[{"n":"ro:ec","v":1}]', '[{"n":"di:ec","u":"S/m","v":0.001}]')
    eventually(lambda: recorder.values == [10.0])
    assert [(c.what, c.subject) for c in recorder.counts] == [("nothing-for-us", "senml")]


def test_two_instruments_on_one_topic_both_get_their_values(broker: Mosquitto, start: Start) -> None:
    recorder = Recorder()
    start(broker, recorder, wire("shop/di"), wire("shop/+"), wire("other"))
    eventually(recorder.is_up)
    broker.publish("shop/di", "5")
    eventually(lambda: recorder.samples)
    assert [sample.channel for sample in recorder.samples] == ["ec0", "ec1"]
    stays(lambda: len(recorder.parcels) == 1, 0.2)  # not once for each subscription that matches


def test_a_topic_is_subscribed_once_and_not_when_another_covers_it() -> None:
    assert covering(["a/b", "a/b", "c"]) == ["a/b", "c"]
    assert covering(["a/b", "a/+", "a/#", "a", "c/+/d", "c/#"]) == ["a/#", "c/#"]
    assert covering(["a/+", "+/b", "a/b/c", "a"]) == ["a/+", "+/b", "a/b/c", "a"]


@versions
def test_a_wrong_password_is_told_once_in_the_brokers_words_and_the_right_one_works(
    make_broker: Callable[..., Mosquitto], start: Start, monkeypatch: pytest.MonkeyPatch, version: str
) -> None:
    broker = make_broker(passwords={"goodwater": "tap water"})
    broker.start()
    wrong = Recorder()
    start(broker, wrong, version=version, username="goodwater", password="salt water")
    eventually(wrong.is_down)
    stays(lambda: len(wrong.links) == 1)
    assert wrong.links[0].detail == "the broker refuses us: Not authorized"

    missing = Recorder()
    start(broker, missing, version=version, username="goodwater", password_env="GOODWATER_TEST_SECRET")
    eventually(missing.is_down)
    assert "GOODWATER_TEST_SECRET" in missing.links[0].detail

    monkeypatch.setenv("GOODWATER_TEST_SECRET", "tap water")
    eventually(missing.is_up)
    broker.publish("shop/di", "5")
    eventually(lambda: missing.values == [5])


@versions
def test_a_password_in_a_file_is_read_anew_for_every_connection(
    make_broker: Callable[..., Mosquitto], start: Start, tmp_path: Path, version: str
) -> None:
    broker = make_broker(passwords={"goodwater": "tap water"})
    broker.start()
    recorder = Recorder()
    secret = tmp_path / "broker-password"
    start(broker, recorder, version=version, username="goodwater", password_file=str(secret))
    eventually(recorder.is_down)
    assert "broker-password" in recorder.links[0].detail
    secret.write_text("tap water\n")
    eventually(recorder.is_up)


@versions
def test_a_broker_that_asks_for_our_certificate_gets_it_and_takes_nobody_without(
    make_broker: Callable[..., Mosquitto], start: Start, version: str
) -> None:
    broker = make_broker(tls=True, lines=["require_certificate true"])
    broker.start()
    assert broker.certificates is not None
    tls = {"ca_file": str(broker.certificates.ca_file)}
    without, shown = Recorder(), Recorder()
    start(broker, without, version=version, tls=tls)
    own = {
        "cert_file": str(broker.certificates.client_cert_file),
        "key_file": str(broker.certificates.client_key_file),
    }
    start(broker, shown, version=version, tls=tls | own, client_id="another")
    eventually(shown.is_up)
    broker.publish("shop/di", "5")
    eventually(lambda: shown.values == [5])
    eventually(without.is_down)
    assert not any(link.up for link in without.links)


def test_an_encrypted_key_is_opened_by_its_password_and_nobody_is_asked_at_a_terminal(tmp_path: Path) -> None:
    issued = trustme.CA().issue_cert("goodwater.shop.example")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "own.pem")
    key = serialization.load_pem_private_key(issued.private_key_pem.bytes(), None)
    locked = serialization.BestAvailableEncryption(b"tap water")
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8)
    (tmp_path / "own.key").write_bytes(key.private_bytes(*form, locked))
    files = {"cert_file": "own.pem", "key_file": "own.key"}
    with pytest.raises(OSError, match="give key_password_file or key_password_env"):
        mqtt_settings.Tls.model_validate(files).context(tmp_path)
    by_name = mqtt_settings.Tls.model_validate(files | {"key_password_env": "KEY"})
    with pytest.raises(OSError, match="is not set in the environment"):
        by_name.context(tmp_path, {})
    by_name.context(tmp_path, {"KEY": "tap water"})
    (tmp_path / "password").write_text("tap water\n")
    mqtt_settings.Tls.model_validate(files | {"key_password_file": "password"}).context(tmp_path)


def test_a_certificate_that_is_not_there_is_told_with_its_key(start: Start, broker: Mosquitto) -> None:
    recorder = Recorder()
    start(broker, recorder, tls={"cert_file": "own.pem", "key_file": "own.key"})
    eventually(recorder.is_down)
    assert "tls.cert_file own.pem" in recorder.links[0].detail


@versions
def test_a_topic_the_access_list_forbids_stays_silent_while_the_others_arrive(
    make_broker: Callable[..., Mosquitto], start: Start, version: str
) -> None:
    # mosquitto answers a forbidden subscription with "Granted": only a silence alarm can tell.
    broker = make_broker(
        passwords={"meter": "m", "goodwater": "g"},
        acl="user meter\ntopic write #\nuser goodwater\ntopic read shop/#\n",
    )
    broker.start()
    recorder = Recorder()
    login = {"username": "goodwater", "password": "g"}
    start(broker, recorder, wire("shop/di"), wire("secret/di"), version=version, **login)
    eventually(recorder.is_up)
    broker.publish("secret/di", "1")
    broker.publish("shop/di", "2")
    eventually(lambda: recorder.values)
    stays(lambda: recorder.values == [2], 0.2)


def test_an_untrusted_certificate_is_refused_and_told(
    make_broker: Callable[..., Mosquitto], start: Start
) -> None:
    broker = make_broker(tls=True)
    broker.start()
    recorder = Recorder()
    start(broker, recorder, tls={})
    eventually(recorder.is_down)
    assert "CERTIFICATE_VERIFY_FAILED" in recorder.links[0].detail


class Scripted:
    """A server that answers each thing it receives with the next of its answers, then hangs up."""

    def __init__(self, *answers: bytes) -> None:
        self._answers = answers
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self.connections = 0
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            connection, _ = self._listening.accept()
            with connection, contextlib.suppress(OSError):
                self.connections += 1
                if connection.recv(1) == b"":
                    continue  # the one who wanted only to wake us
                connection.recv(4096)
                for answer in self._answers:
                    if answer == b"bye":
                        return
                    connection.sendall(answer)
                    connection.recv(4096)

    def close(self) -> None:
        self._answers = (b"bye",)
        while self._thread.is_alive():
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1) as wake:
                wake.sendall(b"bye")
            self._thread.join(0.05)
        self._listening.close()


@pytest.fixture
def scripted() -> Iterator[Callable[..., Scripted]]:
    made: list[Scripted] = []

    def make(*answers: bytes) -> Scripted:
        made.append(Scripted(*answers))
        return made[-1]

    yield make
    for server in made:
        server.close()


# CONNACK: accepted, no session (3.1.1 has no properties). SUBACK for packet 1: QoS 1, then refused.
CONNACK = {"3.1.1": b"\x20\x02\x00\x00", "5": b"\x20\x03\x00\x00\x00"}
SUBACK_REFUSED = {"3.1.1": b"\x90\x03\x00\x01\x80", "5": b"\x90\x04\x00\x01\x00\x87"}
SUBACK_HALF = {"3.1.1": b"\x90\x04\x00\x01\x01\x80", "5": b"\x90\x05\x00\x01\x00\x01\x87"}


@versions
def test_a_broker_that_accepts_and_hangs_up_is_told_once_and_tried_again(
    scripted: Callable[..., Scripted], start: Start, version: str
) -> None:
    server = scripted()
    recorder = Recorder()
    start(server, recorder, version=version)
    eventually(lambda: server.connections >= 4)
    assert [link.detail for link in recorder.links] == [
        "the broker took the connection and closed it without an answer"
    ]


@versions
@pytest.mark.parametrize("welcome", [False, True])
def test_a_broker_that_accepts_and_says_no_more_is_given_up_and_tried_again(
    scripted: Callable[..., Scripted],
    start: Start,
    monkeypatch: pytest.MonkeyPatch,
    version: str,
    welcome: bool,
) -> None:
    monkeypatch.setattr(mqtt, "ANSWER_S", 0.2)
    server = scripted(CONNACK[version] if welcome else b"", b"")
    recorder = Recorder()
    start(server, recorder, version=version)
    eventually(lambda: server.connections >= 3)
    assert [link.detail for link in recorder.links] == [
        "the broker took the connection but did not answer within 0.2 s"
    ]


@versions
def test_a_server_that_takes_a_connection_for_tls_and_says_nothing_is_given_up_and_tried_again(
    scripted: Callable[..., Scripted], start: Start, monkeypatch: pytest.MonkeyPatch, version: str
) -> None:
    monkeypatch.setattr(mqtt, "ANSWER_S", 0.4)
    server = scripted(b"", b"")
    recorder = Recorder()
    start(server, recorder, version=version, tls={})
    eventually(lambda: server.connections >= 3)
    assert "timed out" in recorder.links[0].detail


@versions
def test_a_broker_that_hangs_up_after_its_welcome_was_never_up(
    scripted: Callable[..., Scripted], start: Start, version: str
) -> None:
    server = scripted(CONNACK[version])
    recorder = Recorder()
    start(server, recorder, version=version)
    eventually(lambda: server.connections >= 4)
    (link,) = recorder.links
    assert not link.up
    assert link.detail.startswith("the connection to the broker was lost soon after it was made")


@versions
def test_a_server_that_speaks_another_protocol_is_told_and_does_no_harm(
    scripted: Callable[..., Scripted], start: Start, version: str
) -> None:
    server = scripted(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 20)
    recorder = Recorder()
    start(server, recorder, version=version)
    eventually(lambda: server.connections >= 3)
    assert recorder.is_down()


@versions
def test_a_broker_that_refuses_every_subscription_is_down_and_each_topic_counted(
    scripted: Callable[..., Scripted], start: Start, version: str
) -> None:
    server = scripted(CONNACK[version], SUBACK_REFUSED[version])
    recorder = Recorder()
    start(server, recorder, version=version)
    eventually(recorder.is_down)
    assert 'the broker refuses "shop/di": ' in recorder.links[0].detail
    assert recorder.counts[0].what == "subscription-refused"
    assert recorder.counts[0].subject == "shop/di"


@versions
def test_a_broker_that_refuses_one_of_two_subscriptions_is_up_and_says_which(
    scripted: Callable[..., Scripted], start: Start, version: str
) -> None:
    server = scripted(CONNACK[version], SUBACK_HALF[version])
    recorder = Recorder()
    start(server, recorder, wire("shop/di"), wire("shop/ro"), version=version)
    eventually(lambda: recorder.links)
    assert recorder.links[0].up
    assert 'the broker refuses "shop/ro"' in recorder.links[0].detail
    assert [(count.what, count.subject) for count in recorder.counts[:1]] == [
        ("subscription-refused", "shop/ro")
    ]


def test_two_of_one_name_are_told_why_they_throw_each_other_out(broker: Mosquitto, start: Start) -> None:
    first, second = Recorder(), Recorder()
    one = start(broker, first)
    eventually(first.is_up)
    two = start(broker, second)
    details = eventually(lambda: [link.detail for link in first.links if not link.up])
    one.stop()
    two.stop()
    assert "another client with the name goodwater-hall-hall" in details[0]


def test_stop_waits_for_what_was_handed_over_to_be_acknowledged(broker: Mosquitto, start: Start) -> None:
    recorder = Recorder(acknowledging=False)
    driver = start(broker, recorder, grace_s=10.0)
    eventually(recorder.is_up)
    broker.publish("shop/di", "5")
    eventually(lambda: recorder.parcels)
    stopping = threading.Thread(target=driver.stop)
    stopping.start()
    stays(stopping.is_alive, 0.3)
    done = recorder.parcels[0].acknowledge
    assert done is not None
    done()
    stopping.join(5)
    assert not stopping.is_alive()
    again = Recorder()
    start(broker, again)
    eventually(again.is_up)
    stays(lambda: again.parcels == [], 0.2)


@pytest.mark.parametrize("topic", ["a/#/b", "a#", "a/b+", "$share/g/a", "", "a\0b"])
def test_a_topic_no_broker_would_take_is_refused(topic: str) -> None:
    with pytest.raises(ValidationError):
        wire(topic)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"password": "x"}, "needs a username"),
        ({"username": "u", "password": "x", "password_env": "Y"}, "not both"),
        ({"username": "u", "password_file": "x", "password_env": "Y"}, "not both"),
        ({"tls": {"cert_file": "a"}}, "go together"),
        ({"tls": {"key_password_file": "a"}}, "goes with key_file"),
        (
            {"tls": {"cert_file": "a", "key_file": "b", "key_password_file": "c", "key_password_env": "D"}},
            "exactly one",
        ),
        ({"version": "3.1"}, "'5' or '3.1.1'"),
        ({"keepalive": 60}, "with its unit in quotes"),
    ],
)
def test_a_broker_that_cannot_work_is_refused_with_the_reason(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Broker.model_validate({"id": "hall", "host": "h", **settings})


def test_a_password_is_not_shown_when_settings_are_printed() -> None:
    broker = Broker.model_validate({"id": "hall", "host": "h", "username": "u", "password": "tap water"})
    assert "tap water" not in repr(broker)
    assert broker.secret(Path()) == "tap water"
