"""Modbus requests and answers as bytes: what is asked, what is found in noise, that nothing is written."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

import monitor.intake
from monitor.intake.modbus_frame import (
    Answer,
    ReadFunction,
    Refused,
    Request,
    is_garbled,
    read_pdu,
    take_answer,
)
from simulator.wires.rtu import framed

THREE = Request(17, ReadFunction.HOLDING_REGISTERS, 0x6B, 3)
GOOD = framed(bytes([17, 3, 6, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]))
REFUSED = framed(bytes([17, 0x83, 2]))

functions = st.sampled_from(ReadFunction)


@st.composite
def requests(draw: st.DrawFn) -> Request:
    function = draw(functions)
    count = draw(st.integers(1, function.most))
    return Request(draw(st.integers(1, 247)), function, draw(st.integers(0, 65536 - count)), count)


@pytest.mark.parametrize(
    ("function", "address", "count", "pdu"),
    [
        # the examples of MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4
        (ReadFunction.COILS, 0x13, 0x13, "01 00 13 00 13"),
        (ReadFunction.DISCRETE_INPUTS, 0xC4, 0x16, "02 00 c4 00 16"),
        (ReadFunction.HOLDING_REGISTERS, 0x6B, 3, "03 00 6b 00 03"),
        (ReadFunction.INPUT_REGISTERS, 8, 1, "04 00 08 00 01"),
    ],
)
def test_requests_are_those_of_the_specification(
    function: ReadFunction, address: int, count: int, pdu: str
) -> None:
    assert Request(1, function, address, count).pdu().hex(" ") == pdu


@pytest.mark.parametrize(
    ("function", "address", "count", "answer", "held"),
    [
        # the answers to them, same source
        (ReadFunction.COILS, 0x13, 0x13, "01 03 cd 6b 05",
         (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1)),
        (ReadFunction.DISCRETE_INPUTS, 0xC4, 0x16, "02 03 ac db 35",
         (0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1)),
        (ReadFunction.HOLDING_REGISTERS, 0x6B, 3, "03 06 02 2b 00 00 00 64", (555, 0, 100)),
        (ReadFunction.INPUT_REGISTERS, 8, 1, "04 02 00 0a", (10,)),
    ],
)  # fmt: skip
def test_answers_are_read_as_the_specification_reads_them(
    function: ReadFunction, address: int, count: int, answer: str, held: tuple[int, ...]
) -> None:
    request = Request(1, function, address, count)
    pdu = bytes.fromhex(answer)
    assert read_pdu(request, pdu) == Answer(held)
    frame = framed(bytes([1]) + pdu)
    assert take_answer(request, frame) == (len(frame), Answer(held))


@given(request=requests())
def test_an_independent_decoder_reads_every_request_as_one_that_reads(request: Request) -> None:
    """pymodbus, as a server would, finds unit, function, address and count."""
    framer = FramerRTU(DecodePDU(True))
    used, unit, _, pdu = framer.decode(request.rtu())
    decoded = framer.decoder.decode(pdu)
    assert (used, unit) == (8, request.unit)
    assert decoded is not None
    assert (decoded.function_code, decoded.address, decoded.count) == (
        request.function, request.address, request.count
    )  # fmt: skip
    assert request.rtu()[1] in (1, 2, 3, 4)


@pytest.mark.parametrize("code", [0, 5, 6, 8, 15, 16, 22, 23, 43, 0x83])
def test_no_request_can_be_made_with_a_function_that_does_not_read(code: int) -> None:
    with pytest.raises(ValueError, match="not a valid ReadFunction"):
        Request(1, code, 0, 1)  # type: ignore[arg-type]  # that is the point


def test_the_functions_there_are_read_and_no_others() -> None:
    assert sorted(ReadFunction) == [1, 2, 3, 4]


def _calls(name: str) -> Iterator[tuple[str, ast.Call]]:
    folder = Path(monitor.intake.__file__).parent
    for path in sorted(folder.glob("modbus*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == name:
                yield path.name, node


@pytest.mark.parametrize(
    ("sending", "file", "sent", "made"),
    [
        ("write", "modbus_rtu.py", "self._device.write(frame)", "frame = request.rtu()"),
        (
            "sendall",
            "modbus_tcp.py",
            "self._socket.sendall(frame)",
            "frame = tcp(request, self._transaction)",
        ),
    ],
)
def test_all_that_is_sent_is_the_frame_of_a_request(sending: str, file: str, sent: str, made: str) -> None:
    """One place for each wire sends; what it sends was made of the request in the line above it."""
    ((found, call),) = _calls(sending)
    assert (found, ast.unparse(call)) == (file, sent)
    lines = (Path(monitor.intake.__file__).parent / file).read_text(encoding="utf-8").splitlines()
    assert lines[call.lineno - 2].strip() == made
    assert [list(_calls(other)) for other in ("send", "sendto", "sendmsg", "writelines")] == [[], [], [], []]


@pytest.mark.parametrize(
    ("unit", "address", "count"),
    [(-1, 0, 1), (256, 0, 1), (1, -1, 1), (1, 65535, 2), (1, 0, 0), (1, 0, 126)],
)
def test_what_no_request_can_ask_is_refused(unit: int, address: int, count: int) -> None:
    with pytest.raises(ValueError, match=": "):
        Request(unit, ReadFunction.HOLDING_REGISTERS, address, count)


@pytest.mark.parametrize("unit", [0, 248, 255])
def test_on_a_bus_nobody_is_asked_who_cannot_be_there(unit: int) -> None:
    with pytest.raises(ValueError, match="1 to 247 on a bus"):
        Request(unit, ReadFunction.HOLDING_REGISTERS, 0, 1).rtu()


def test_a_refusal_says_what_the_unit_said() -> None:
    used, answer = take_answer(THREE, REFUSED)
    assert (used, str(answer)) == (5, "illegal data address (exception 2)")


@pytest.mark.parametrize("end", range(len(GOOD)))
def test_half_an_answer_is_waited_for(end: int) -> None:
    assert take_answer(THREE, GOOD[:end]) == (0, None)


@pytest.mark.parametrize(
    "noise",
    [
        b"\x00\xff\x13",
        bytes([17]),
        bytes([17, 3]),
        bytes([17, 3, 6]),  # looks like the answer's own beginning
        THREE.rtu(),  # an adapter that echoes
        framed(bytes([18, 3, 6, 1, 2, 3, 4, 5, 6])),  # another unit, late
        framed(bytes([17, 3, 2, 1, 2])),  # the same unit, another answer
        GOOD[:-1] + bytes([GOOD[-1] ^ 0x40]),  # a wrong CRC
    ],
)
def test_an_answer_is_found_behind_noise(noise: bytes) -> None:
    used, answer = take_answer(THREE, noise + GOOD + b"tail")
    assert (used, answer) == (len(noise + GOOD), Answer((555, 0, 100)))


@pytest.mark.parametrize("bit", range(8 * len(GOOD)))
def test_no_single_flipped_bit_gives_an_answer(bit: int) -> None:
    bent = bytearray(GOOD)
    bent[bit // 8] ^= 1 << bit % 8
    assert take_answer(THREE, bytes(bent))[1] is None
    # the first three bytes tell whose frame it is; bit 15 turns it into what could be a refusal
    assert is_garbled(THREE, bytes(bent)) == (bit >= 24 or bit == 15)


@given(request=requests(), received=st.binary(max_size=600), data=st.data())
def test_no_bytes_raise_and_what_is_dropped_is_never_the_beginning_of_an_answer(
    request: Request, received: bytes, data: st.DataObject
) -> None:
    used, answer = take_answer(request, received)
    assert 0 <= used <= len(received)
    if answer is None:
        payload = data.draw(st.binary(min_size=request.data_bytes, max_size=request.data_bytes))
        frame = framed(bytes([request.unit, request.function, request.data_bytes]) + payload)
        cut = data.draw(st.integers(0, len(frame)))
        dropped, found = take_answer(request, received + frame[:cut])
        rest = (received + frame[:cut])[dropped:] + frame[cut:]
        assert isinstance(found or take_answer(request, rest)[1], (Answer, Refused))


@given(request=requests(), data=st.data())
def test_bits_and_words_come_back_as_they_were_packed(request: Request, data: st.DataObject) -> None:
    size = request.data_bytes
    packed = data.draw(st.binary(min_size=size, max_size=size))
    if request.function.reads_bits:
        number = int.from_bytes(packed, "little")
        held = tuple(number >> n & 1 for n in range(request.count))
    else:
        held = tuple(int.from_bytes(packed[n : n + 2], "big") for n in range(0, size, 2))
    assert read_pdu(request, bytes([request.function, size]) + packed) == Answer(held)
