"""SenML in JSON: the examples of RFC 8428 with their sections, and what it says must be refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.intake.decoded import MAX_TIME_MS
from monitor.intake.payload_senml import SenmlPayload
from monitor.intake.payloads import decode
from monitor.intake.senml import Record, resolve
from monitor.plant.current_loop import CurrentLoop
from monitor.readings import Sample, Status
from tests.intake.shop import NOW_MS, channel

DEVICE = "urn:dev:ow:10e2073a01080063"

# RFC 8428, 5.1.1 Single Datapoint
SINGLE = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
# 5.1.2 Multiple Datapoints, the first two examples
SEVERAL = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
  {"n":"current","u":"A","v":1.2}
]"""
SEVERAL_TIMED = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
# 5.1.3 Multiple Measurements
MEASUREMENTS = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""
# 5.1.4 Resolved Data: the same, resolved
RESOLVED = """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]"""
# 5.1.5 Multiple Data Types
TYPES = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfc-reader","vd":"aGkgCg"}
]"""
# 5.1.6 Collection of Resources
COLLECTION = """[
  {"bn":"2001:db8::2/","bt":1.320078429e+09,
   "n":"temperature","u":"Cel","v":25.2},
  {"n":"humidity","u":"%RH","v":30},
  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
  {"n":"humidity","u":"%RH","v":67}
]"""
# 5.1.7 Setting an Actuator: the first example, and the last one
ACTUATOR = """[
  {"bn":"urn:dev:ow:10e2073a01080063:"},
  {"n":"temp","u":"Cel","v":23.1},
  {"n":"heat","u":"/","v":1},
  {"n":"fan","u":"/","v":0}
]"""
LIGHTS = """[
  {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},
  {"n":"2001:db8::4","v":0.5},
  {"n":"2001:db8::3","t":0.1,"v":0},
  {"n":"2001:db8::4","t":0.1,"v":0}
]"""


def records(text: str) -> tuple[Record, ...]:
    found = resolve(json.loads(text))
    assert found.refusals == ()
    return found.records


def refused(text: str) -> list[str]:
    return [refusal.what for refusal in resolve(json.loads(text)).refusals]


def test_5_1_1_a_value_without_a_time_was_measured_about_now() -> None:
    (record,) = records(SINGLE)
    assert record == Record(DEVICE, "Cel", 23.1, None, 0.0)
    assert record.time_ms is None


def test_5_1_2_base_name_base_time_and_base_unit_are_applied() -> None:
    assert [(r.name, r.unit, r.value) for r in records(SEVERAL)] == [
        (f"{DEVICE}:voltage", "V", 120.1),
        (f"{DEVICE}:current", "A", 1.2),
    ]
    timed = records(SEVERAL_TIMED)
    assert [(r.name.rpartition(":")[2], r.unit) for r in timed] == [("voltage", "V")] + [("current", "A")] * 6
    # Tue Jun 8 18:01:16.001 UTC 2010 and the five seconds before
    assert [r.time_ms for r in timed] == [1_276_020_076_001 - 1000 * n for n in (0, 5, 4, 3, 2, 1, 0)]


def test_5_1_3_resolves_to_5_1_4() -> None:
    assert records(MEASUREMENTS) == records(RESOLVED)


def test_5_1_5_text_boolean_and_data_have_their_types() -> None:
    assert [r.value for r in records(TYPES)] == [23.1, "Machine Room", False, None]


def test_5_1_6_a_new_base_name_leaves_the_base_time_in_force() -> None:
    assert [(r.name, r.value, r.time_ms) for r in records(COLLECTION)] == [
        ("2001:db8::2/temperature", 25.2, 1_320_078_429_000),
        ("2001:db8::2/humidity", 30.0, 1_320_078_429_000),
        ("2001:db8::1/temperature", 12.3, 1_320_078_429_000),
        ("2001:db8::1/humidity", 67.0, 1_320_078_429_000),
    ]


def test_5_1_7_a_record_of_base_fields_alone_is_no_measurement() -> None:
    assert [(r.name.rpartition(":")[2], r.value) for r in records(ACTUATOR)] == [
        ("temp", 23.1),
        ("heat", 1.0),
        ("fan", 0.0),
    ]
    assert [r.time_ms for r in records(LIGHTS)] == [1_320_078_429_000] * 2 + [1_320_078_429_100] * 2


def test_4_5_3_below_two_to_the_28_a_time_counts_from_now_and_from_there_on_from_1970() -> None:
    base = 2**28
    now, ago, absolute = records(
        f'[{{"n":"a","v":1,"t":0}}, {{"n":"a","v":1,"t":-5}}, {{"n":"a","v":1,"bt":{base - 1},"t":1}}]'
    )
    assert (now.time_ms, now.ago_ms) == (None, 0)
    assert (ago.time_ms, ago.ago_ms) == (None, 5000)
    assert absolute.time_ms == base * 1000  # 1978-07-04 21:24:16 UTC, the earliest there is


def test_4_5_4_base_value_and_base_sum_are_added_and_a_missing_one_is_zero() -> None:
    found = records(
        '[{"bn":"a","bv":20,"bs":100,"v":1.5}, {"v":-1}, {"t":5}, {"s":7}, {"bn":"b","vs":"x"},'
        ' {"bn":"c","bv":0,"s":3,"v":2}]'
    )
    assert [(r.value, r.sum) for r in found] == [
        (21.5, 100.0),
        (19.0, 100.0),
        (20.0, 100.0),
        (None, 107.0),
        ("x", 100.0),
        (2.0, 103.0),
    ]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('{"n":"a","v":1}', "not-senml"),  # 5: the root is an array
        ('["a"]', "not-senml"),
        ('[{"v":1}]', "not-senml"),  # 4.5.1: no name
        ('[{"n":"a","v":1,"vs":"1"}]', "not-senml"),  # 4.2: exactly one value
        ('[{"n":"a","u":"Cel"}]', "missing-value"),
        ('[{"n":"a","v":"1"}]', "not-a-number"),
        ('[{"n":"a","v":true}]', "not-a-number"),
        ('[{"n":"a","vb":1}]', "not-senml"),
        ('[{"n":"a","v":NaN}]', "not-finite"),
        ('[{"n":"a","bv":1e308,"v":1e308}]', "not-finite"),
        ('[{"n":5,"v":1}]', "not-senml"),
        ('[{"n":"a","v":1,"t":"now"}]', "not-senml"),
        ('[{"n":"a","v":1,"bt":true}]', "not-senml"),
        ('[{"n":"a","v":1,"bver":11}]', "senml-version"),  # 4.4: must not be used
        ('[{"n":"a","v":1},{"n":"a","v":2,"bver":1.5}]', "senml-version"),
        ('[{"n":"a","v":1,"limit_":3}]', "senml-unknown-label"),  # 4.4: an error must be generated
    ],
)
def test_what_the_rfc_does_not_allow_is_refused(text: str, what: str) -> None:
    assert refused(text) == [what]
    assert resolve(json.loads(text)).records == ()


def test_a_wrong_record_is_left_out_and_after_a_wrong_base_nothing_is_read() -> None:
    found = resolve(json.loads('[{"bn":"a","v":1}, {"v":"x"}, 7, {"v":3}, {"bt":"soon","v":4}, {"v":5}]'))
    assert [r.value for r in found.records] == [1.0, 3.0]
    assert [r.what for r in found.refusals] == ["not-a-number", "not-senml", "not-senml"]


def test_labels_nobody_knows_are_ignored_unless_they_must_be_understood() -> None:
    (record,) = records('[{"n":"a","v":1,"l":[{"href":"x"}],"ut":60,"colour":"red"}]')
    assert record.value == 1.0


# --- what our channels get of it

TEMPERATURE = channel("di-out.t", "temperature", "degF", 200.0)
CONTACT = channel("open", "contact", "1", 1.0)


def heard(text: str, payload: dict[str, Any], *channels: Any, status: Status = Status.OK) -> list[Sample]:
    found = decode(
        SenmlPayload.model_validate(payload), text.encode(), channels=channels, subject="s", now_ms=NOW_MS
    )
    return [sample for one in found for sample in one.samples(NOW_MS, status)]


def problems(text: str | bytes, payload: dict[str, Any], *channels: Any) -> dict[str, int]:
    raw = text.encode() if isinstance(text, str) else text
    found = decode(SenmlPayload.model_validate(payload), raw, channels=channels, subject="s", now_ms=NOW_MS)
    return {problem.what: problem.n for one in found for problem in one.problems}


def test_a_value_is_turned_into_the_unit_of_its_channel_and_a_boolean_into_a_contact() -> None:
    names = {"values": {"di-out.t": f"{DEVICE}:temp", "open": f"{DEVICE}:open"}}
    temperature, contact = heard(TYPES, names, TEMPERATURE, CONTACT)
    assert temperature.value == pytest.approx(23.1 * 9 / 5 + 32)
    assert (contact.channel, contact.value, contact.time_ms) == ("open", 0.0, None)


@pytest.mark.parametrize(
    ("unit", "quantity", "own", "factor"),
    [
        ("S/m", "conductivity", "uS/cm", 10_000.0),
        ("uS/cm", "conductivity", "uS/cm", 1.0),  # in no registry, but what instruments send
        ("mS/cm", "conductivity", "uS/cm", 1_000.0),
        ("l/s", "flow", "L/min", 60.0),
        ("m3", "volume", "L", 1_000.0),
        ("hPa", "pressure", "bar", 0.001),
        ("m", "level", "mm", 1_000.0),
        ("ppm", "tds", "ppm", 1.0),
        ("/", "fraction", "percent", 100.0),
        ("%", "fraction", "percent", 100.0),  # RFC 8428, 12.1, note 1: the ratio, not a percentage
        ("/100", "fraction", "percent", 1.0),  # RFC 8798, 3
        ("pH", "ph", "pH", 1.0),
    ],
)
def test_units_of_senml_are_turned_into_ours(unit: str, quantity: str, own: str, factor: float) -> None:
    extra = {"tds_scale": "nacl"} if quantity == "tds" else {}
    meter = channel("x", "conductivity").model_copy(update={"quantity": quantity, "unit": own, **extra})
    (sample,) = heard(f'[{{"n":"x","u":"{unit}","v":2}}]', {"values": {"x": "x"}}, meter)
    assert sample.value == pytest.approx(2 * factor)


def test_a_unit_of_another_quantity_or_of_nobody_is_refused() -> None:
    for unit in ("Cel", "m", "furlong", "m**9**9**9"):
        pack = f'[{{"n":"x","u":"{unit}","v":2}}]'
        assert problems(pack, {"values": {"x": "x"}}, channel("x")) == {"wrong-unit": 1}


def test_a_current_of_4_to_20_ma_comes_as_a_current_and_the_counts_of_its_input_as_such() -> None:
    loop = channel("x").model_copy(update={"current_loop": CurrentLoop()})
    counts = channel("x").model_copy(update={"current_loop": CurrentLoop(counts=(6400, 32000))})
    for unit, of, value in (("A", loop, 12.0), ("mA", loop, 0.012), ("count", counts, 0.012)):
        (sample,) = heard(f'[{{"n":"x","u":"{unit}","v":0.012}}]', {"values": {"x": "x"}}, of)
        assert sample.value == pytest.approx(value)
    for unit, of in (("uS/cm", loop), ("A", counts)):
        assert problems(f'[{{"n":"x","u":"{unit}","v":1}}]', {"values": {"x": "x"}}, of) == {"wrong-unit": 1}


def test_a_sum_is_a_channel_of_its_own_in_its_unit_times_seconds() -> None:
    litres = channel("litres", "volume", "L", 1e9)
    flow = channel("flow", "flow", "L/min", 100.0)
    pack = '[{"n":"di","u":"l/s","v":0.1,"s":1234.5}, {"n":"di","u":"kg/s","s":1}]'
    found = heard(pack, {"values": {"flow": "di"}, "sums": {"litres": "di"}}, flow, litres)
    assert [(s.channel, s.value) for s in found] == [("flow", pytest.approx(6.0)), ("litres", 1234.5)]


def test_relative_times_count_back_from_the_arrival_of_what_is_fresh_and_mean_nothing_later() -> None:
    pack = '[{"bn":"x","v":3}, {"t":-5,"v":1}, {"t":-2.5,"v":2}]'
    names = {"values": {"x": "x"}}
    fresh = heard(pack, names, channel("x"))
    assert [(s.value, s.time_ms) for s in fresh] == [
        (1.0, NOW_MS - 5000),
        (2.0, NOW_MS - 2500),
        (3.0, None),
    ]
    late = heard(pack, names, channel("x"), status=Status.RETAINED)
    assert [s.time_ms for s in late] == [None, None, None]


def test_an_absolute_time_stays_what_it_is_however_late_it_comes() -> None:
    names = {"values": {"x": "2001:db8::3"}}
    switch = channel("x", "contact", "1", 1.0)
    found = heard(LIGHTS, names, switch, status=Status.RETAINED)
    assert [(s.value, s.time_ms) for s in found] == [(0.5, 1_320_078_429_000), (0.0, 1_320_078_429_100)]


def test_times_that_no_calendar_has_are_counted() -> None:
    pack = [{"n": "x", "v": 1, "t": t} for t in (MAX_TIME_MS, -1e300, 1.7e306, -1.7e306)]
    assert problems(json.dumps(pack), {"values": {"x": "x"}}, channel("x")) == {"bad-time": 4}


def test_names_of_others_are_left_alone_and_what_is_no_pack_is_counted() -> None:
    names = {"values": {"x": "x"}}
    assert problems(MEASUREMENTS, names, channel("x")) == {}
    assert problems("{}", names, channel("x")) == {"not-senml": 1}
    assert problems("[" + "{}," * 4096 + "{}]", names, channel("x")) == {"too-many": 1}
    assert problems("[1,2,3]", names, channel("x")) == {"not-senml": 3}
    assert problems(b"\xff[", names, channel("x")) == {"not-utf-8": 1}


def test_a_payload_that_does_not_fit_its_instrument_says_so() -> None:
    payload = SenmlPayload(values={"a": "n", "b": "m"}, sums={"b": "m"})
    assert payload.mistakes(["a", "c"], [["a", "c"]]) == [
        'payload value "b" is no channel of this instrument; it has: a, c',
        'payload value "b" is no channel of this instrument; it has: a, c',
        'channel "c" has no name in the payload\'s values or sums',
        'channel "b" is in values and in sums',
    ]
