"""What is TCP's own: transactions, lengths, connections closed, half closed, or dead without a word."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU

from monitor.intake.driver import Driver
from monitor.intake.modbus_frame import ReadFunction, Request
from monitor.intake.modbus_settings import UnitWire
from monitor.intake.modbus_tcp import ModbusTcpDriver
from monitor.intake.modbus_tcp_frame import Frame, take_frame, tcp
from monitor.intake.modbus_tcp_settings import Server
from tests.intake.modbus_lines import OverTcp
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.waiting import eventually, stays

ASKED = Request(255, ReadFunction.HOLDING_REGISTERS, 0x6B, 3)
# the answer of MODBUS Application Protocol Specification V1.1b3, 6.3, behind a header
GOOD = bytes.fromhex("1501 0000 0009 ff 03 06 022b 0000 0064")


@given(transaction=st.integers(0, 65535), unit=st.integers(0, 255), count=st.integers(1, 125))
def test_an_independent_decoder_reads_every_request_as_one_that_reads(
    transaction: int, unit: int, count: int
) -> None:
    framer = FramerSocket(DecodePDU(True))
    frame = tcp(Request(unit, ReadFunction.INPUT_REGISTERS, 7, count), transaction)
    used, found, number, pdu = framer.decode(frame)
    decoded = framer.decoder.decode(pdu)
    assert (used, found, number) == (12, unit, transaction)
    assert decoded is not None
    assert (decoded.function_code, decoded.address, decoded.count) == (4, 7, count)


@pytest.mark.parametrize("end", range(len(GOOD)))
def test_half_a_frame_is_waited_for(end: int) -> None:
    assert take_frame(GOOD[:end]) == (0, None)
    assert take_frame(GOOD + GOOD[:end]) == (len(GOOD), Frame(0x1501, 255, GOOD[7:]))


@given(received=st.binary(max_size=600))
def test_no_bytes_raise_and_memory_is_bounded(received: bytes) -> None:
    used, found = take_frame(received)
    assert 0 <= used <= len(received)
    if found is None:
        assert used == 0 and len(received) < 260  # the longest frame there is; no more is ever kept
    if isinstance(found, Frame):
        assert len(found.pdu) <= 253 and used == len(found.pdu) + 7


@pytest.fixture
def line(tmp_path: Path) -> Iterator[OverTcp]:
    made = OverTcp(tmp_path)
    yield made
    made.close()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def start(line: OverTcp, recorder: Recorder) -> Iterator[Callable[..., Driver]]:
    with ExitStack() as stack:

        def begin(*wires: UnitWire) -> Driver:
            driver = line.driver(recorder, *wires)
            stack.callback(driver.stop)
            driver.start()
            return driver

        yield begin


Start = Callable[..., Driver]

BENT: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "wrong transaction": (lambda a: bytes([a[0] ^ 0x40]) + a[1:], "instead of 1"),
    "always transaction 0": (lambda a: b"\0\0" + a[2:], "transaction 0 instead of 1"),
    "wrong unit": (lambda a: a[:6] + b"\x09" + a[7:], "unit 9 instead of 3"),
    "wrong function": (lambda a: a[:7] + b"\x04" + a[8:], "another answer than was asked for"),
    "oversize length": (lambda a: a[:4] + struct.pack(">H", 60000) + a[6:], "a length of 60000"),
    "length of nothing": (lambda a: a[:4] + b"\0\0" + a[6:], "a length of 0"),
    "another protocol": (lambda a: a[:2] + b"\0\x01" + a[4:], "protocol 1"),
    "half an answer": (lambda a: a[:-2], "no good frame"),
}


@pytest.mark.parametrize("fault", BENT)
def test_what_cannot_be_the_answer_is_told_and_the_next_one_is_taken(
    fault: str, start: Start, recorder: Recorder, line: OverTcp
) -> None:
    """The link is never said to be lost: the connection is opened anew only where it is out of step."""
    bend, words = BENT[fault]
    straight = line.bend
    line.bend = lambda answer: [(0.0, bend(answer))]
    start(line.wire(3, "a", timeout="250 ms"))
    eventually(lambda: recorder.counts)
    line.bend = straight
    eventually(lambda: recorder.values)
    assert set(recorder.values) == {12.5}
    assert recorder.slugs == ["bad-answer", "answers-again"]
    assert words in recorder.counts[0].detail
    assert [link.up for link in recorder.links] == [True]


def test_a_late_answer_does_not_make_the_silence_behind_it_look_like_noise(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    turns = iter([[0.15], *[[]] * 100])
    line.bend = lambda answer: [(seconds, answer) for seconds in next(turns)]
    start(line.wire(3, "a", timeout="100 ms"))
    eventually(lambda: len(line.bodies) >= 4)
    assert recorder.slugs == ["no-answer"] and recorder.values == []


def test_a_half_closed_connection_is_lost_and_opened_anew(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    straight = line.bend
    line.bend = lambda answer: [(0.0, b"")]  # instead of an answer the server ends its half
    start(line.wire(3, "a", timeout="10 s"))
    eventually(recorder.is_down)
    assert recorder.links[-1].detail == "closed by the far end"
    line.bend = straight
    eventually(lambda: recorder.values)
    assert recorder.is_up()


def test_a_server_that_hangs_up_on_one_unit_does_not_starve_the_others(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    line.bend = lambda answer: [(0.0, answer if answer[6] == 3 else b"")]
    start(line.wire(4, "dead"), line.wire(3, "a"))
    eventually(lambda: len(recorder.values) >= 5)
    assert set(recorder.values) == {12.5}
    assert len([body for body in line.bodies if body[0] == 4]) >= 3
    assert recorder.slugs == ["no-answer"]
    assert "closed by the far end" in recorder.counts[0].detail
    # told of the link once, when nobody had answered yet
    assert [link.up for link in recorder.links] == [True, False, True]


def test_a_server_that_closes_idle_connections_is_asked_over_a_new_one_and_nothing_is_told(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    start(line.wire(3, "a", every="500 ms"))
    for turn in range(1, 3):
        eventually(lambda turn=turn: len(recorder.values) >= turn)
        line.relay.end()
        stays(lambda turn=turn: line.relay.connections == turn, 0.1)  # not before somebody is to be asked
    eventually(lambda: len(recorder.values) >= 3)
    assert [link.up for link in recorder.links] == [True] and recorder.counts == []


def test_a_server_that_accepts_and_hangs_up_is_not_called_up(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    line.relay.hangs_up = True
    start(line.wire(3, "a"))
    eventually(lambda: line.relay.connections >= 5)
    assert [link.up for link in recorder.links] == [False]
    line.relay.hangs_up = False
    eventually(lambda: recorder.values)


def test_a_connection_that_says_nothing_any_more_is_opened_anew(
    start: Start, recorder: Recorder, line: OverTcp
) -> None:
    """As when the gateway lost its power: nobody is left to say so."""
    start(line.wire(3, "a", timeout="200 ms"))
    eventually(lambda: recorder.values)
    straight = line.bend
    line.bend = lambda answer: []
    eventually(lambda: line.relay.connections >= 2)
    line.bend = straight
    before = len(recorder.values)
    eventually(lambda: len(recorder.values) > before)
    assert recorder.slugs == ["no-answer", "answers-again"]
    assert [link.up for link in recorder.links] == [True]


@pytest.mark.parametrize("host", ["nowhere.invalid", "a..b", "x" * 70])
def test_a_host_that_cannot_be_found_is_told_in_words(recorder: Recorder, host: str) -> None:
    wire = OverTcp.wire(3, "a")
    driver = ModbusTcpDriver(
        Server(id="hall", host=host), [meter(wire, "a")], recorder, StillClock(), delays=soon
    )
    driver.start()
    try:
        eventually(recorder.is_down)
    finally:
        driver.stop()
    assert recorder.links[0].detail and "Traceback" not in recorder.links[0].detail
