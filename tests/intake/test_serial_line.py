"""What is the serial port's own: pieces of lines, the middle of a line, asking, two programs on one port."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import serial

from monitor.intake import serial_line
from monitor.intake.serial_line import SerialLineDriver
from monitor.intake.serial_settings import Port, Wire
from monitor.readings import Status
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.pseudo_terminal import PseudoTerminal
from tests.waiting import eventually, stays

Start = Callable[..., SerialLineDriver]


def wire(pattern: str = r"(?P<ec>\S+)", channel: str = "ec0", **settings: Any) -> Wire:
    return Wire.model_validate({"port": "com", "pattern": pattern, "values": {channel: "ec"}, **settings})


@pytest.fixture
def start(pty_pair: PseudoTerminal) -> Iterator[Start]:
    """Starts drivers on the port; all are stopped at the end."""
    made: list[SerialLineDriver] = []

    def begin(recorder: Recorder, *wires: Wire, **settings: Any) -> SerialLineDriver:
        port = Port.model_validate({"id": "com", "device": str(pty_pair.device), **settings})
        meters = [meter(each, *each.values, id=f"m{n}") for n, each in enumerate(wires or (wire(),))]
        driver = SerialLineDriver(port, meters, recorder, StillClock(), delays=soon)
        made.append(driver)
        driver.start()
        return driver

    yield begin
    for driver in made:
        driver.stop()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


def test_a_line_that_comes_in_pieces_is_one_value_and_not_two(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder)
    eventually(recorder.is_up)
    pty_pair.write(b"12.")
    stays(lambda: recorder.parcels == [], serial_line.TURN_S + 0.2)  # longer than one read waits
    pty_pair.write(b"35\n")
    eventually(lambda: recorder.values == [12.35])
    assert recorder.samples[0].status == Status.OK
    assert recorder.parcels[0].acknowledge is None


def test_a_port_opened_in_the_middle_of_a_line_does_not_take_its_tail_for_a_value(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_line, "QUIET_S", 5.0)  # time enough to write while it listens
    start(recorder)
    eventually(pty_pair.is_open)
    pty_pair.write(b"2.35\n")

    def heard() -> list[float]:
        pty_pair.write(b"12.35\n")
        return recorder.values

    eventually(heard)
    assert set(recorder.values) == {12.35}
    assert recorder.counts == []


def test_a_line_whose_end_never_came_is_dropped_with_what_might_be_its_rest(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_line, "BROKEN_S", 0.1)
    start(recorder)
    eventually(recorder.is_up)
    pty_pair.write(b"12")  # the meter restarts here
    eventually(lambda: recorder.slugs == ["broken-line"])
    pty_pair.write(b"12.35\n")
    pty_pair.write(b"12.40\n")
    eventually(lambda: recorder.values == [12.4])


def test_bad_lines_are_counted_by_their_reason_and_the_raw_text_is_logged_once(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal, caplog: pytest.LogCaptureFixture
) -> None:
    start(recorder, wire(r"EC (?P<ec>\S+)"), max_line=20)
    eventually(recorder.is_up)
    pty_pair.write(b"hello\nhello again\nEC x1\nEC \xb5\n" + b"y" * 30 + b"\nEC 5\r\n")
    eventually(lambda: recorder.values == [5])
    assert sorted(recorder.slugs) == [
        "line-too-long",
        "not-a-number",
        "undecodable-line",
        "unmatched-line",
        "unmatched-line",
    ]
    assert {count.subject for count in recorder.counts} == {"com"}
    assert caplog.text.count("unmatched-line") == 1
    assert "b'hello'" in caplog.text


@pytest.mark.parametrize(
    ("delimiter", "sent"),
    [
        ("lf", b"1\r\n2\n"),
        ("cr", b"1\r2\r"),
        ("cr", b"1\r\n2\r\n"),
        ("crlf", b"1\r\n2\r\n"),
        ("etx", b"\x021\x03\x022\x03"),
        (";", b"1;2;"),
    ],
)
def test_lines_end_with_the_configured_delimiter(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal, delimiter: str, sent: bytes
) -> None:
    start(recorder, delimiter=delimiter)
    eventually(recorder.is_up)
    pty_pair.write(sent)
    eventually(lambda: recorder.values == [1, 2])
    assert recorder.counts == []


def test_the_encoding_of_the_port_is_used(start: Start, recorder: Recorder, pty_pair: PseudoTerminal) -> None:
    start(recorder, wire(r"(?P<ec>.+)", unit_text=["µS/cm"]), encoding="latin-1")
    eventually(recorder.is_up)
    pty_pair.write(b"12.3 \xb5S/cm\n")
    eventually(lambda: recorder.values == [12.3])


def test_instruments_share_a_port_and_the_pattern_says_whose_line_it_is(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder, wire(r"A (?P<ec>\S+)", "a"), wire(r"B (?P<ec>\S+)", "b"), wire(r"\w (?P<ec>\S+)", "both"))
    eventually(recorder.is_up)
    pty_pair.write(b"A 1\nB 2\n")
    eventually(lambda: len(recorder.samples) == 4)
    assert [(sample.channel, sample.value) for sample in recorder.samples] == [
        ("a", 1),
        ("both", 1),
        ("b", 2),
        ("both", 2),
    ]


def test_a_meter_that_speaks_only_when_asked_is_asked_at_its_interval(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder, wire(ask="R?", ask_every="100 ms"), delimiter="cr")
    for n in range(3):
        assert pty_pair.read() == b"R?\r"
        pty_pair.write(f"{n}\r".encode())
    eventually(lambda: recorder.values == [0, 1, 2])


def test_meters_that_answer_alike_are_asked_one_after_the_other_and_each_answer_is_the_askers(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    asked = {"ask_every": "100 ms", "timeout": "5 s"}
    one, two = wire(channel="one", ask="1?", **asked), wire(channel="two", ask="2?", **asked)
    start(recorder, one, two, delimiter="cr")
    for n in range(4):
        question = pty_pair.read()
        assert question in (b"1?\r", b"2?\r")  # never both at once: they share the line
        pty_pair.write(question[:1] + b"\r")
        eventually(lambda n=n: len(recorder.samples) == n + 1)
    assert {(s.channel, s.value) for s in recorder.samples} == {("one", 1.0), ("two", 2.0)}
    assert recorder.counts == []


def test_an_answer_that_comes_late_is_not_taken_for_that_of_the_next_meter(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    asked = {"ask_every": "100 ms", "timeout": "300 ms"}
    start(
        recorder,
        wire(channel="one", ask="1?", **asked),
        wire(channel="two", ask="2?", **asked),
        delimiter="cr",
    )
    first = pty_pair.read()
    eventually(lambda: recorder.slugs == ["no-answer"])
    pty_pair.write(first[:1] + b"\r")
    eventually(lambda: recorder.samples)
    assert pty_pair.read() != first
    assert (recorder.samples[0].channel, recorder.samples[0].value) in (("one", 1.0), ("two", 2.0))
    assert [(count.what, count.subject) for count in recorder.counts] == [
        ("no-answer", "m0" if first == b"1?\r" else "m1"),
        ("answers-again", "m0" if first == b"1?\r" else "m1"),
    ]


def test_a_meter_that_does_not_answer_leaves_the_line_to_the_others_and_is_told_once(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    asked = {"ask_every": "100 ms", "timeout": "100 ms"}
    start(
        recorder,
        wire(channel="one", ask="1?", **asked),
        wire(channel="two", ask="2?", **asked),
        delimiter="cr",
    )

    def answered() -> bool:
        if pty_pair.read() == b"2?\r":
            pty_pair.write(b"2?\r7\r")  # a line on two wires: the adapter hears its own question
        return len(recorder.values) >= 5

    eventually(answered)
    assert {(s.channel, s.value) for s in recorder.samples} == {("two", 7.0)}
    assert [(count.what, count.subject) for count in recorder.counts] == [("no-answer", "m0")]


def test_a_streaming_meter_on_the_line_of_one_that_is_asked_keeps_its_lines(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    asked = wire(r"A(?P<ec>\S+)", "asked", ask="?", ask_end="", ask_every="100 ms", timeout="10 s")
    start(recorder, asked, wire(r"S(?P<ec>\S+)", "streams"))
    assert pty_pair.read() == b"?"
    pty_pair.write(b"S1\nA2\nS3\n")
    eventually(lambda: len(recorder.samples) == 3)
    assert [(s.channel, s.value) for s in recorder.samples] == [("streams", 1), ("asked", 2), ("streams", 3)]


def test_nothing_is_ever_written_to_a_meter_that_is_not_asked(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder)
    eventually(recorder.is_up)
    pty_pair.write(b"1\n")
    eventually(lambda: recorder.values)
    with pytest.raises(AssertionError, match="nothing was sent"):
        pty_pair.read(0.3)


def test_a_port_that_another_program_has_open_is_told_and_taken_when_it_is_free(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    with serial.Serial(str(pty_pair.device), exclusive=True):
        start(recorder)
        eventually(recorder.is_down)
        assert re.search("lock", recorder.links[0].detail)
    eventually(recorder.is_up)


def test_half_a_line_before_the_plug_was_pulled_is_not_joined_to_what_comes_after(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder)
    eventually(recorder.is_up)
    pty_pair.write(b"1\n12")
    eventually(lambda: recorder.values == [1])
    pty_pair.unplug()
    eventually(recorder.is_down)
    pty_pair.plug()
    eventually(recorder.is_up)
    pty_pair.write(b"34\n")
    eventually(lambda: recorder.values == [1, 34])


def test_a_device_that_is_no_serial_port_is_told(pty_pair: PseudoTerminal, start: Start) -> None:
    recorder = Recorder()
    start(recorder, device="/dev/null")
    eventually(recorder.is_down)
    assert "/dev/null" in recorder.links[0].detail or "ioctl" in recorder.links[0].detail


def test_a_stream_without_any_line_end_keeps_the_link_and_is_counted(
    start: Start, recorder: Recorder, pty_pair: PseudoTerminal
) -> None:
    start(recorder)
    eventually(recorder.is_up)
    for _ in range(20):
        pty_pair.write(b"\x00\xf8" * 100)
    eventually(lambda: "line-too-long" in recorder.slugs)
    pty_pair.write(b"\n7\n")
    eventually(lambda: recorder.values == [7])
    assert recorder.slugs.count("line-too-long") == 1
