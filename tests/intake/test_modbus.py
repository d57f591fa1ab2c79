"""Both Modbus wires: against an independent server, with every fault a wire has, and with dead neighbours."""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import repeat
from pathlib import Path

import pytest

from monitor.intake.delays import Delays
from monitor.intake.driver import Driver
from monitor.intake.modbus_settings import UnitWire
from tests.intake.modbus_lines import Line, OnABus, OverTcp, body_of
from tests.intake.recorder import Recorder
from tests.intake.shop import soon
from tests.waiting import eventually, stays


@pytest.fixture(params=[OnABus, OverTcp], ids=["rtu", "tcp"])
def line(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Line]:
    made: Line = request.param(tmp_path)
    yield made
    made.close()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


Start = Callable[..., Driver]


@pytest.fixture
def start(line: Line, recorder: Recorder) -> Iterator[Start]:
    """Starts a driver with these wires."""
    with ExitStack() as stack:

        def begin(*wires: UnitWire, delays: Delays = soon) -> Driver:
            driver = line.driver(recorder, *wires, delays=delays)
            stack.callback(driver.stop)
            driver.start()
            return driver

        yield begin


def values(recorder: Recorder, channel: str) -> list[float]:
    return [sample.value for sample in recorder.samples if sample.channel == channel]


def test_an_independent_server_is_read_by_all_four_functions(
    start: Start, recorder: Recorder, line: Line
) -> None:
    items = [
        {"channel": "float", "address": 0, "type": "float32"},
        {"channel": "integer", "address": 2, "type": "int16", "scale": 0.1},
        {"channel": "input", "function": "input-registers", "address": 8, "type": "uint16"},
        {"channel": "coil", "function": "coils", "address": 2},
        {"channel": "discrete", "function": "discrete-inputs", "address": 5},
    ]
    start(line.wire(3, value=items))
    eventually(lambda: len(recorder.samples) >= 10)
    assert {sample.channel: sample.value for sample in recorder.samples} == {
        "float": 12.5, "integer": pytest.approx(-12.3), "input": 7.0, "coil": 1.0, "discrete": 1.0
    }  # fmt: skip
    assert recorder.counts == [] and [link.up for link in recorder.links] == [True]
    bodies = set(line.bodies)
    assert {body[1] for body in bodies} == {1, 2, 3, 4}
    assert len(bodies) == 4  # the float and the integer beside it came by one request


def test_two_units_share_the_wire(start: Start, recorder: Recorder, line: Line) -> None:
    start(line.wire(3, "a"), line.wire(4, "b"))
    eventually(lambda: len(values(recorder, "a")) >= 3 and len(values(recorder, "b")) >= 3)
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {99.0}


def _split(line: Line, answer: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, answer[:4]), (0.03, answer[4:5]), (0.03, answer[5:])]


def _merged(line: Line, answer: bytes) -> list[tuple[float, bytes]]:
    """Behind an answer to somebody else in the same bytes: another unit's, another transaction's."""
    other = line.framed(bytes.fromhex("0903020001"), bytes([0xF0]) + answer[1:])
    return [(0.0, other + answer)]


def _twice(line: Line, answer: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, answer), (0.03, answer)]


@pytest.mark.parametrize("fault", [_split, _merged, _twice])
def test_an_answer_is_taken_through(
    fault: Callable[[Line, bytes], list[tuple[float, bytes]]], start: Start, recorder: Recorder, line: Line
) -> None:
    line.bend = lambda answer: fault(line, answer)
    start(line.wire(3, "a"))
    eventually(lambda: len(recorder.values) >= 3)
    assert set(recorder.values) == {12.5} and recorder.counts == []


def test_a_corrupted_answer_is_told_once_and_again_when_it_is_over(
    start: Start, recorder: Recorder, line: Line
) -> None:
    straight = line.bend
    line.bend = lambda answer: [(0.0, line.corrupted(answer))]
    start(line.wire(3, "a"))
    eventually(lambda: "bad-answer" in recorder.slugs)
    eventually(lambda: len(line.bodies) >= 4)
    assert recorder.slugs == ["bad-answer"] and recorder.values == []
    line.bend = straight
    eventually(lambda: recorder.values)
    assert recorder.slugs == ["bad-answer", "answers-again"]
    assert all(count.subject == "unit-3" for count in recorder.counts)


def test_a_late_answer_is_never_taken_for_that_to_the_next_question(
    start: Start, recorder: Recorder, line: Line
) -> None:
    """Two wires of one unit ask for as many bytes, so nothing in the late answer itself tells them apart."""
    other = {"channel": "b", "address": 10, "type": "float32"}
    turns = iter(range(1000))
    line.bend = lambda answer: [(0.25 if next(turns) % 3 == 0 else 0.0, answer)]
    start(line.wire(3, "a", timeout="200 ms"), line.wire(3, value=[other], timeout="200 ms"))
    eventually(lambda: len(values(recorder, "a")) >= 3 and len(values(recorder, "b")) >= 3, timeout=20)
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {25.0}
    assert set(recorder.slugs) == {"no-answer", "answers-again"}


def test_a_refused_address_is_told_in_the_standards_words_and_harms_no_other_value(
    start: Start, recorder: Recorder, line: Line
) -> None:
    items = [
        {"channel": "a", "address": 0, "type": "float32"},
        {"channel": "b", "address": 500, "type": "uint16"},
    ]
    start(line.wire(3, value=items))
    eventually(lambda: len(values(recorder, "a")) >= 3)
    (count,) = recorder.counts
    assert count.what == "modbus-exception" and "illegal data address (exception 2)" in count.detail


@pytest.mark.serial
@pytest.mark.parametrize("gateway", [False, True])
def test_a_dead_unit_is_told_once_and_its_neighbour_keeps_its_rate(
    start: Start, recorder: Recorder, line: Line, gateway: bool
) -> None:
    """Whether nothing comes, or a gateway says after a while that it got nothing."""

    def bend(answer: bytes) -> list[tuple[float, bytes]]:
        unit = body_of(answer, line)[0]
        if unit != 4:
            return [(0.0, answer)]
        return [(0.4, line.framed(bytes([4, 0x83, 11]), answer))] if gateway else []

    line.bend = bend
    timeout = "2 s" if gateway else "400 ms"
    start(line.wire(4, "dead", timeout=timeout), line.wire(3, "a"), delays=lambda: repeat(60.0))
    eventually(lambda: len([body for body in line.bodies if body[0] == 4]) >= 3)
    begin_s, before = time.monotonic(), len(recorder.values)
    eventually(lambda: len(recorder.values) >= before + 6)
    # 6 of them at 100 ms, and at most one wait for the dead one; with a wait for each it would be 2.4 s
    assert time.monotonic() - begin_s < 1.8
    assert len([body for body in line.bodies if body[0] == 4]) == 3
    (count,) = recorder.counts
    assert (count.what, count.subject) == ("no-answer", "unit-4")
    assert ("gateway target did not answer" if gateway else "nothing within 400 ms") in count.detail


def test_a_silent_wire_says_nothing_and_stops_at_once(start: Start, recorder: Recorder, line: Line) -> None:
    line.bend = lambda answer: []
    driver = start(line.wire(3, "a", timeout="10 s"))
    eventually(lambda: line.bodies)
    begin_s = time.monotonic()
    driver.stop()
    assert time.monotonic() - begin_s < 0.5
    stays(lambda: not any(t.name.startswith("modbus bus") for t in threading.enumerate()), 0.05)
    assert recorder.counts == []


def test_what_is_no_number_is_counted(start: Start, recorder: Recorder, line: Line) -> None:
    line.bend = lambda answer: [(0.0, line.framed(struct.pack(">BBBf", 3, 3, 4, float("inf")), answer))]
    start(line.wire(3, "a"))
    eventually(lambda: "not-finite" in recorder.slugs)
    assert recorder.values == []


def test_a_wire_pulled_out_is_told_and_values_come_when_it_is_back(
    start: Start, recorder: Recorder, line: Line
) -> None:
    start(line.wire(3, "a"))
    eventually(lambda: recorder.values)
    for _ in range(2):
        line.unplug()
        eventually(recorder.is_down)
        line.plug()
        eventually(recorder.is_up)
        before = len(recorder.values)
        eventually(lambda before=before: len(recorder.values) > before)
    assert len([link for link in recorder.links if link.up]) == 3
    assert all(link.detail for link in recorder.links if not link.up)
    assert set(recorder.values) == {12.5}
