"""What is asked of a unit, and what its registers mean."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pymodbus.client.mixin import ModbusClientMixin

from monitor.intake.decoded import Origin
from monitor.intake.modbus_frame import ReadFunction
from monitor.intake.modbus_settings import REGISTERS_OF, Wire
from monitor.intake.modbus_values import decode, requests
from monitor.readings import Status

HOLDING = ReadFunction.HOLDING_REGISTERS
ORIGIN = Origin("node", 1000)


def wire(*values: dict[str, Any], **settings: Any) -> Wire:
    named = [{"channel": f"c{n}", **value} for n, value in enumerate(values)]
    return Wire.model_validate({"port": "bus", "unit": 3, "every": "10 s", "value": named, **settings})


def asked(made: Wire) -> list[tuple[int, int, int]]:
    return [(request.function, request.address, request.count) for request in requests(made)]


def words(
    *held: int, address: int = 0, function: ReadFunction = HOLDING
) -> dict[tuple[ReadFunction, int], int]:
    return {(function, address + n): word for n, word in enumerate(held)}


def read(item: dict[str, Any], *held: int) -> Any:
    return decode(wire({"address": 0, **item}), words(*held), ORIGIN)


def test_neighbouring_registers_are_read_in_one_request() -> None:
    made = wire(
        {"address": 4, "type": "uint16"}, {"address": 0, "type": "float32"}, {"address": 2, "type": "int32"}
    )
    assert asked(made) == [(3, 0, 5)]


def test_registers_apart_are_read_together_up_to_the_gap() -> None:
    values = {"address": 0, "type": "uint16"}, {"address": 4, "type": "uint16"}
    assert asked(wire(*values)) == [(3, 0, 1), (3, 4, 1)]
    assert asked(wire(*values, gap=3)) == [(3, 0, 5)]


def test_no_request_asks_for_more_than_the_standard_allows_and_none_tears_a_value() -> None:
    made = wire(*({"address": 2 * n, "type": "float32"} for n in range(70)))
    assert asked(made) == [(3, 0, 124), (3, 124, 16)]


def test_each_function_has_requests_of_its_own() -> None:
    made = wire(
        {"address": 0, "type": "uint16"},
        {"address": 0, "function": "input-registers", "type": "uint16"},
        {"address": 9, "function": "coils"},
        {"address": 10, "function": "coils"},
        {"address": 1, "function": "discrete-inputs"},
    )
    assert asked(made) == [(1, 9, 2), (2, 1, 1), (3, 0, 1), (4, 0, 1)]


def test_status_registers_are_read_along() -> None:
    made = wire({"address": 0, "type": "uint16"}, status=[{"address": 1, "fault_bits": [0]}])
    assert asked(made) == [(3, 0, 2)]


@given(
    kind=st.sampled_from([name for name in REGISTERS_OF if name != "bit"]),
    low_first=st.booleans(),
    held=st.lists(st.integers(0, 65535), min_size=2, max_size=2),
)
def test_registers_mean_what_an_independent_client_says(kind: str, low_first: bool, held: list[int]) -> None:
    """pymodbus's convert_from_registers."""
    order = "low-first" if low_first else "high-first"
    registers = held[: REGISTERS_OF[kind]]
    expected = ModbusClientMixin.convert_from_registers(
        registers,
        ModbusClientMixin.DATATYPE[kind.upper()],
        word_order="little" if low_first else "big",
    )
    found = read({"type": kind, "word_order": order}, *registers)
    if expected == expected and abs(expected) != float("inf"):
        assert found.values == {"c0": expected}
    else:
        assert [problem.what for problem in found.problems] == ["not-finite"]


def test_bytes_within_a_register_may_be_swapped() -> None:
    value = 12.5
    low, high = struct.unpack("<HH", struct.pack("<f", value))
    swapped = [int.from_bytes(word.to_bytes(2, "big"), "little") for word in (high, low)]
    assert read({"type": "float32", "byte_order": "low-first"}, *swapped).values == {"c0": value}


def test_scale_and_offset_are_applied_in_this_order() -> None:
    assert read({"type": "int16", "scale": 0.1, "offset": -40.0}, 0xFF9C).values == {"c0": -50.0}


@pytest.mark.parametrize(("bit", "value"), [(0, 1.0), (1, 0.0), (15, 1.0)])
def test_a_bit_of_a_register_is_0_or_1(bit: int, value: float) -> None:
    assert read({"type": "bit", "bit": bit}, 0x8001).values == {"c0": value}


def test_a_coil_is_0_or_1() -> None:
    made = wire({"address": 5, "function": "coils"})
    image = words(1, address=5, function=ReadFunction.COILS)
    assert decode(made, image, ORIGIN).values == {"c0": 1.0}


def test_a_raw_number_that_says_no_valid_value_is_a_device_fault() -> None:
    found = read({"type": "int16", "scale": 0.1, "invalid": [-32768]}, 0x8000)
    assert found.statuses == {"c0": Status.DEVICE_FAULT}
    assert read({"type": "int16", "invalid": [-32768]}, 5).statuses == {"c0": Status.OK}


@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0, Status.OK),
        (0x10, Status.DEVICE_FAULT),
        (3, Status.DEVICE_FAULT),
        (1, Status.OVER_RANGE),
        (2, Status.UNDER_RANGE),
    ],
)
def test_a_status_register_speaks_of_its_channels_only(word: int, status: Status) -> None:
    told = {
        "address": 9, "channels": ["c0"], "fault_bits": [4], "fault_codes": [3],
        "over_codes": [1], "under_codes": [2],
    }  # fmt: skip
    made = wire({"address": 0, "type": "uint16"}, {"address": 1, "type": "uint16"}, status=[told])
    found = decode(made, words(7, 8) | words(word, address=9), ORIGIN)
    assert found.values == {"c0": 7.0, "c1": 8.0}
    assert found.statuses == {"c0": status, "c1": Status.OK}


def test_a_value_whose_status_could_not_be_read_is_left_out() -> None:
    made = wire({"address": 0, "type": "uint16"}, status=[{"address": 9, "fault_bits": [0]}])
    assert decode(made, words(7), ORIGIN).values == {}


@pytest.mark.parametrize(
    ("value", "settings", "words_of_it"),
    [
        ({"address": 0}, {}, "needs a type"),
        ({"address": 0, "type": "bit"}, {}, "needs a type"),
        ({"address": 0, "type": "uint16", "bit": 1}, {}, "bit goes with type"),
        ({"address": 0, "type": "uint16", "function": "coils"}, {}, "without type or bit"),
        ({"address": 65535, "type": "float32"}, {}, "ends beyond"),
        ({"address": 0, "type": "uint16", "scale": 0}, {}, "other than 0"),
        ({"address": 0, "type": "float32", "invalid": [1]}, {}, "not being a number"),
        ({"address": 0, "type": "uint16"}, {"unit": 0}, "greater than or equal to 1"),
        ({"address": 0, "type": "uint16"}, {"unit": 248}, "less than or equal to 247"),
        ({"address": 0, "type": "uint16"}, {"function": "write-register"}, "Input should be 'coils'"),
        ({"address": 0, "type": "uint16"}, {"status": [{"address": 1}]}, "give fault_bits"),
    ],
)
def test_settings_that_do_not_fit_are_refused_in_words(
    value: dict[str, Any], settings: dict[str, Any], words_of_it: str
) -> None:
    with pytest.raises(ValidationError, match=words_of_it):
        wire(value, **settings)


def test_two_values_in_one_register_are_a_mistake() -> None:
    made = wire({"address": 0, "type": "float32"}, {"address": 1, "type": "uint16"})
    assert made.mistakes(["c0", "c1"]) == ['register 1 belongs to "c0" and to "c1"']
    assert (
        wire({"address": 0, "type": "bit", "bit": 1}, {"address": 0, "type": "bit", "bit": 2}).mistakes(
            ["c0", "c1"]
        )
        == []
    )


def test_a_channel_without_a_value_and_one_with_two_are_mistakes() -> None:
    made = wire({"address": 0, "type": "uint16"}, {"address": 1, "type": "uint16", "channel": "c0"})
    assert made.mistakes(["c0", "c9"]) == [
        'channel "c9" has no value in the wire',
        'channel "c0" has two values',
    ]
