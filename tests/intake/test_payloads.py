"""Payloads: what is read, what is refused and why, and that no bytes raise."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.intake.decoded import MAX_TIME_MS, NumberText, number_from_text, time_from
from monitor.intake.json_document import at_pointer
from monitor.intake.payload_json import JsonPayload
from monitor.intake.payload_named import NamedPayload
from monitor.intake.payload_number import NumberPayload
from monitor.intake.payloads import AnyPayload, decode
from monitor.readings import Sample, Status
from tests.intake.shop import channel

NAMES = ("ec", "temperature")
BOTH = (channel("ec"), channel("temperature", "temperature", "degC", 100.0))
NUMBER = NumberPayload()
JSON = JsonPayload(values={"ec": "/ec", "temperature": "/body/1/t"}, time="/at")
RUN = (channel("run", "contact", "1", 1.0),)


def moments(payload: AnyPayload, raw: bytes | str, channels: Any = BOTH) -> Any:
    """All that a payload says, each moment by itself."""
    data = raw.encode() if isinstance(raw, str) else raw
    if isinstance(payload, NumberPayload):
        channels = channels[:1]
    return decode(payload, data, channels=channels, subject="shop/di", now_ms=1000)


def read(payload: AnyPayload, raw: bytes | str, channels: Any = BOTH) -> Any:
    """What a payload of one moment says."""
    (found,) = moments(payload, raw, channels)
    return found


def slugs(payload: AnyPayload, raw: bytes | str) -> list[str]:
    return [problem.what for found in moments(payload, raw) for problem in found.problems]


def samples(payload: AnyPayload, raw: bytes | str, status: Status = Status.OK) -> list[Sample]:
    return [sample for found in moments(payload, raw) for sample in found.samples(1000, status)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.3", 12.3),
        (" -0.5\r\n", -0.5),
        ("\ufeff7", 7.0),
        ("+1.5e3", 1500.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("007", 7.0),
        ("12\0", 12.0),
    ],
)
def test_a_number_alone_is_the_value_of_the_one_channel(text: str, value: float) -> None:
    found = read(NUMBER, text)
    assert found.values == {"ec": value}
    assert (found.time_ms, found.problems) == (None, ())


@pytest.mark.parametrize(
    ("raw", "slug"),
    [
        (b"", "not-a-number"),
        (b"----", "not-a-number"),
        (b"1_000", "not-a-number"),
        (b"12,3", "not-a-number"),
        (b"1,234.5", "not-a-number"),
        (b"12.3.4", "not-a-number"),
        (b"0x1F", "unit-text"),
        (b"true", "not-a-number"),
        ("١٢".encode(), "not-a-number"),
        (b"nan", "not-finite"),
        (b"-Infinity", "not-finite"),
        (b"1e999", "not-finite"),
        (b"12.3 mS/cm", "unit-text"),
        (b"12.3 \xb5S/cm", "not-utf-8"),
        ("12.3".encode("utf-16"), "not-utf-8"),
        ("12.3".encode("utf-16-le"), "not-utf-8"),  # valid UTF-8, with zero bytes between
        (b"1" * 65_537, "too-large"),
    ],
)
def test_what_is_no_number_is_counted_by_its_reason(raw: bytes, slug: str) -> None:
    assert slugs(NUMBER, raw) == [slug]
    assert read(NUMBER, raw).values == {}


def test_a_problem_names_where_it_came_from_and_when_and_is_short() -> None:
    (problem,) = read(NUMBER, "x" * 60_000).problems
    assert (problem.subject, problem.time_ms) == ("shop/di", 1000)
    assert len(problem.detail) <= 80


def test_a_decimal_comma_is_read_where_it_is_configured_and_a_point_is_then_refused() -> None:
    written = NumberPayload(decimal="comma")
    assert read(written, "12,3").values == {"ec": 12.3}
    assert slugs(written, "1.234") == ["not-a-number"]
    assert slugs(written, "1,234,5") == ["not-a-number"]


def test_a_unit_behind_the_number_is_taken_off_only_when_it_is_the_configured_one() -> None:
    written = NumberPayload(unit_text=("uS/cm", "µS/cm"))
    assert read(written, "12.3 uS/cm").values == {"ec": 12.3}
    assert read(written, "12.3µS/cm").values == {"ec": 12.3}
    assert slugs(written, "1.23 mS/cm") == ["unit-text"]


def test_json_gives_values_and_time_by_their_pointers() -> None:
    found = read(JSON, '{"ec": 12, "body": [0, {"t": "21.5"}], "at": 1700000000123}')
    assert found.values == {"ec": 12.0, "temperature": 21.5}
    assert (found.time_ms, found.problems) == (1_700_000_000_123, ())


@pytest.mark.parametrize(
    ("value", "slug"),
    [
        ("true", "not-a-number"),
        ("null", "not-a-number"),
        ("[1]", "not-a-number"),
        ('{"v": 1}', "not-a-number"),
        ('"warm"', "not-a-number"),
        ("NaN", "not-finite"),
        ("-Infinity", "not-finite"),
        ("1e999", "not-finite"),
        ("9" * 400, "not-finite"),
        ('"inf"', "not-finite"),
        ('"3 degC"', "unit-text"),
    ],
)
def test_one_wrong_value_is_counted_and_does_not_harm_the_one_beside_it(value: str, slug: str) -> None:
    raw = f'{{"ec": {value}, "body": [0, {{"t": 20}}], "at": 5}}'
    assert slugs(JSON, raw) == [slug]
    assert read(JSON, raw).values == {"temperature": 20.0}
    assert read(JSON, raw).time_ms == 5


def test_a_missing_value_is_counted_with_its_pointer() -> None:
    (problem,) = read(JSON, '{"ec": 1, "body": [0], "at": 5}').problems
    assert problem.what == "missing-value"
    assert problem.detail == "nothing at /body/1/t for temperature"


@pytest.mark.parametrize(
    ("raw", "slug"),
    [
        (b"", "not-json"),
        (b"{", "not-json"),
        (b"[" * 10_000, "not-json"),
        (b'{"ec": 1} x', "not-json"),
        (b"9" * 5000, "not-json"),
        (b'{"ec": "\\ud800"}', "not-json"),
        (b"\xff\xfe{", "not-utf-8"),
        ('{"ec": 1}'.encode("utf-16"), "not-utf-8"),
        ('{"ec": 1}'.encode("utf-16-be"), "not-utf-8"),
    ],
)
def test_what_is_no_json_is_counted_once(raw: bytes, slug: str) -> None:
    assert slugs(JSON, raw) == [slug]


@pytest.mark.parametrize(("at", "slug"), [("", "missing-time"), (', "at": "yesterday"', "bad-time")])
def test_without_a_good_time_the_values_are_kept_and_the_reason_counted(at: str, slug: str) -> None:
    found = read(JSON, f'{{"ec": 1, "body": [0, {{"t": 2}}]{at}}}')
    assert found.values == {"ec": 1.0, "temperature": 2.0}
    assert found.time_ms is None
    assert [problem.what for problem in found.problems] == [slug]


@pytest.mark.parametrize(
    ("found", "unit", "time_ms"),
    [
        (1_700_000_000_123, "ms", 1_700_000_000_123),
        ("1700000000123", "ms", 1_700_000_000_123),
        (1_700_000_000.1234, "s", 1_700_000_000_123),
        (0, "s", 0),
        ("2023-11-14T22:13:20Z", "iso", 1_700_000_000_000),
        ("2023-11-14T23:13:20.5+01:00", "iso", 1_700_000_000_500),
        # The hour that autumn repeats is told apart by its offset.
        ("2026-10-25T02:30:00+02:00", "iso", 1_792_888_200_000),
        ("2026-10-25T02:30:00+01:00", "iso", 1_792_891_800_000),
    ],
)
def test_a_time_is_read_in_its_unit(found: object, unit: Any, time_ms: int) -> None:
    assert time_from(found, unit) == time_ms


@pytest.mark.parametrize(
    ("found", "unit"),
    [
        (True, "ms"),
        (None, "ms"),
        (-1, "ms"),
        (math.nan, "s"),
        (math.inf, "s"),
        (10**400, "ms"),
        (1e17, "s"),
        (MAX_TIME_MS + 1, "ms"),
        ("2023-11-14T22:13:20", "iso"),  # no offset: nobody knows which clock
        ("0001-01-01T00:00:00+23:59", "iso"),
        ("14.11.2023", "iso"),
        (1_700_000_000, "iso"),
        ([], "iso"),
    ],
)
def test_what_cannot_be_a_time_is_refused(found: object, unit: Any) -> None:
    refusal = time_from(found, unit)
    assert not isinstance(refusal, int)
    assert refusal.what == "bad-time"


# RFC 6901, section 5: the document and the value of each pointer.
RFC_DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_find_what_rfc_6901_says(pointer: str, value: object) -> None:
    assert at_pointer(RFC_DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/+1", "/nothing", "/a~1b/x", "/~01"])
def test_a_pointer_to_nothing_finds_nothing(pointer: str) -> None:
    payload = JsonPayload(values={"ec": pointer})
    found = read(payload, json.dumps(RFC_DOCUMENT), BOTH[:1])
    assert [problem.what for problem in found.problems] == ["missing-value"]


@pytest.mark.parametrize("pointer", ["ec", "/a~2", "/a~", "#/ec"])
def test_a_wrong_pointer_is_refused_with_a_right_one_shown(pointer: str) -> None:
    with pytest.raises(ValidationError, match='write "/key"'):
        JsonPayload(values={"ec": pointer})


def test_a_payload_that_does_not_fit_its_instrument_says_so() -> None:
    assert JSON.mistakes(NAMES, [NAMES]) == []
    assert JSON.mistakes(["ec", "flow"], [["ec", "flow"]]) == [
        'payload value "temperature" is no channel of this instrument; it has: ec, flow',
        'channel "flow" has no pointer in the payload\'s values',
    ]
    assert NUMBER.mistakes(["ec"], [["ec"]]) == []
    assert NUMBER.mistakes(NAMES, [["ec"], ["temperature"]]) == []  # each by a topic of its own
    assert NUMBER.mistakes(NAMES, [NAMES]) == [
        'payload "number" holds the value of one channel; here it would be for ec, temperature'
    ]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_written_as_text_comes_back_as_it_was(value: float) -> None:
    assert number_from_text(repr(value), NumberText()) == value


@pytest.mark.parametrize(
    ("raw", "value"),
    [("on", 1), ("OFF", 0), (" closed\r\n", 1), ("Open", 0), ("true", 1), ("false", 0), ("1", 1), ("0.0", 0)],
)
def test_a_contact_may_send_a_word(raw: str, value: float) -> None:
    found = read(NUMBER, raw, RUN)
    assert (found.values, found.problems) == ({"run": value}, ())
    (problem,) = read(NUMBER, b"perhaps", RUN).problems
    assert problem.what == "not-a-number"


def test_json_true_false_and_words_are_for_contacts_only() -> None:
    payload = JsonPayload(values={"run": "/run", "leak": "/leak", "ec": "/ec"})
    raw = b'{"run": true, "leak": "OPEN", "ec": false}'
    found = read(payload, raw, (*RUN, channel("leak", "contact", "1", 1.0), channel("ec")))
    assert found.values == {"run": 1.0, "leak": 0.0}
    assert [problem.what for problem in found.problems] == ["not-a-number"]


@pytest.mark.parametrize(
    ("raw", "value", "status"),
    [
        (">50.0", 50.0, Status.OVER_RANGE),
        ("< 50", 50.0, Status.UNDER_RANGE),
        ("50", 50.0, Status.OK),
        (" OL\r\n", 2000.0, Status.OVER_RANGE),
        ("1999", 2000.0, Status.OVER_RANGE),  # a display that stands still at its end
        ("UL", 0.0, Status.UNDER_RANGE),
    ],
)
def test_a_meter_that_writes_over_or_under_its_range_gives_a_value_that_says_so(
    raw: str, value: float, status: Status
) -> None:
    found = read(NumberPayload(over_text=("OL", "1999"), under_text=("UL",)), raw)
    assert (found.values, found.statuses) == ({"ec": value}, {"ec": status})
    (sample,) = found.samples(7, Status.RETAINED)
    assert (sample.arrival_ms, sample.status) == (7, status | Status.RETAINED)


EACH = JsonPayload(values={"ec": "/ec", "temperature": "/t"}, each="/log", time="/at")


def test_an_array_of_timed_readings_gives_them_all_oldest_first() -> None:
    late, first = '{"at": 900, "ec": 3, "t": 20}', '{"at": 700, "ec": 1}'
    raw = f'{{"log": [{late}, {first}, {{"at": 800, "ec": "> 2", "t": "x"}}]}}'
    assert [(s.channel, s.value, s.time_ms, s.status) for s in samples(EACH, raw)] == [
        ("ec", 1.0, 700, Status.OK),
        ("ec", 2.0, 800, Status.OVER_RANGE),
        ("ec", 3.0, 900, Status.OK),
        ("temperature", 20.0, 900, Status.OK),
    ]
    assert slugs(EACH, raw) == ["not-a-number"]  # not every element has to hold everything


def test_an_array_of_arrays_and_a_whole_message_that_is_the_array() -> None:
    payload = JsonPayload(values={"ec": "/1", "temperature": "/2"}, each="", time="/0", time_unit="iso")
    raw = '[["2023-11-14T22:13:20Z", 5.5, 20], ["2023-11-14T22:13:21Z", 5.6]]'
    found = [(s.channel, s.value, s.time_ms) for s in samples(payload, raw)]
    assert found == [
        ("ec", 5.5, 1_700_000_000_000),
        ("temperature", 20.0, 1_700_000_000_000),
        ("ec", 5.6, 1_700_000_001_000),
    ]


def test_elements_without_a_time_get_that_of_the_message_and_wrong_ones_are_counted_together() -> None:
    raw = '{"at": 500, "log": [{"ec": 1}, {"ec": 2, "at": 400}, {"ec": 3, "at": -1}, 7, null, {"ec": {}}]}'
    assert [(s.value, s.time_ms) for s in samples(EACH, raw)] == [(2.0, 400), (1.0, 500), (3.0, None)]
    problems = [problem for found in moments(EACH, raw) for problem in found.problems]
    assert {problem.what: problem.n for problem in problems} == {
        "missing-value": 5,  # both of 7 and of null, and the temperature of the last
        "not-a-number": 1,
        "bad-time": 1,
    }


@pytest.mark.parametrize(
    ("raw", "slug"),
    [
        ("{}", "not-an-array"),
        ('{"log": {"0": 1}}', "not-an-array"),
        ('{"log": [' + "0," * 4096 + "0]}", "too-many"),
        ("[" * 150 + "]" * 150, "not-an-array"),
    ],
)
def test_what_is_no_array_or_a_huge_one_is_counted_once_and_not_read(raw: str, slug: str) -> None:
    assert slugs(EACH, raw) == [slug]
    assert samples(EACH, raw) == []


NAMED = NamedPayload(
    each="/values", name="/id", value="/v", time="/t", values={"ec": "EC1", "temperature": "17"}
)


def test_named_values_are_found_in_any_order_and_those_of_others_are_left_alone() -> None:
    raw = """{"t": 950, "values": [{"id": 17, "v": "21.5"}, {"id": "EC9", "v": true}, {"v": 3}, 5,
        {"id": "EC1", "v": 4.9, "t": 940}, {"id": "EC1", "v": "broken"}, {"id": "EC1"}]}"""
    assert [(s.channel, s.value, s.time_ms) for s in samples(NAMED, raw)] == [
        ("ec", 4.9, 940),
        ("temperature", 21.5, 950),
    ]
    assert sorted(slugs(NAMED, raw)) == ["missing-value", "not-a-number"]


def test_a_payload_of_names_that_does_not_fit_its_instrument_says_so() -> None:
    assert NAMED.mistakes(NAMES, [NAMES]) == []
    assert NAMED.mistakes(["ec", "flow"], [["ec", "flow"]]) == [
        'payload value "temperature" is no channel of this instrument; it has: ec, flow',
        'channel "flow" has no name in the payload\'s values',
    ]
    assert NAMED.sources(NAMES)["ec"] == 'name "EC1" in "/values"'
