"""Numbers and units are taken as people write them; what can be read in two ways is asked back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.first import written
from monitor.first.written import NotRight, NoUnit

MEASURES: list[tuple[str, Mapping[str, str], str]] = [
    ("18 gpg", written.HARDNESS, "18 gpg"),
    ("18 grains", written.HARDNESS, "18 gpg"),
    ("18 grains/gallon", written.HARDNESS, "18 gpg"),
    ("17°dH", written.HARDNESS, "17 dH"),
    ("17,5 dh", written.HARDNESS, "17.5 dH"),
    ("310 ppm as CaCO3", written.HARDNESS, "310 ppm"),
    ("310 mg/l", written.HARDNESS, "310 mg/L"),
    ("31 °fH", written.HARDNESS, "31 fH"),
    ("3.1 mmol/L", written.HARDNESS, "310.26939 mg/L"),  # 100.0869 g/mol, IUPAC abridged weights
    ("1.5 cu ft", written.VOLUME, "1.5 ft3"),
    ("50 gallons", written.VOLUME, "50 gal"),
    ("0.3 m³", written.VOLUME, "0.3 m3"),
    ("300 litres", written.VOLUME, "300 L"),
    ("1 200 L", written.VOLUME, "1200 L"),
    ("8 lbs/ft3", written.SALT, "8 lb/ft3"),
    ("12 pounds", written.SALT, "12 lb"),
    ("1500 gallons a day", written.FLOW, "1500 gpd"),
    ("240 l/h", written.FLOW, "240 L/h"),
    ("480 µS", written.DISSOLVED, "480 uS/cm"),
    ("0.48 mS/cm", written.DISSOLVED, "0.48 mS/cm"),
    ("1.5 MΩ·cm", written.DISSOLVED, "1.5 Mohm*cm"),
    ('4"', written.LENGTH, "4 inch"),
    (".5 m", written.LENGTH, "0.5 m"),
]


@pytest.mark.parametrize(("typed", "units", "expected"), MEASURES, ids=[typed for typed, _, _ in MEASURES])
def test_a_measure_is_taken_as_the_site_file_wants_it(
    typed: str, units: Mapping[str, str], expected: str
) -> None:
    assert written.measure(typed, units, "") == expected


TWO_WAYS: list[tuple[Callable[[str], Any], str, str]] = [
    (lambda t: written.measure(t, written.VOLUME, "300 L"), "1,200 L", "can be read as 1200 or as 1.200"),
    (lambda t: written.measure(t, written.VOLUME, "300 L"), "300 bananas", '"bananas" is no unit for this'),
    (lambda t: written.measure(t, written.VOLUME, "300 L"), "about 300 L", "does not begin with a number"),
    (lambda t: written.measure(t, written.VOLUME, "300 L"), "300 40 L", "more than one number"),
    (lambda t: written.within(t, "mg/L", 0, 5000), "400 gpg", "0 to 5000 mg/L"),
    (lambda t: written.number(t, 4, 10), "76", "4 to 10"),
    (written.share, "160 %", "0 to 100"),
    (lambda t: written.band(t, 0, 30), "9 to 6", "the lower end comes first"),
    (lambda t: written.band(t, 0, 30), "6", "a lower and an upper end"),
    (written.rectangle_m2, "1200 mm", "a length and a width"),
    (written.rectangle_m2, "1200 x 600 L", '"L" is no length'),
    (written.day, "05/04/2026", "read one way"),
    (written.day, "31.2.2026", "is no day"),
    (written.yes, "perhaps", "yes or no"),
    (lambda t: written.choice(t, ("mqtt", "modbus")), "m", "1 (mqtt), 2 (modbus)"),
    (lambda t: written.choices(t, ("tap", "ro")), "tap, cellar", '"cellar" is none of them'),
    (lambda t: written.choices(t, ("tap", "ro")), "3", '"3" is none of them'),
]


@pytest.mark.parametrize(("read", "typed", "words"), TWO_WAYS, ids=[typed for _, typed, _ in TWO_WAYS])
def test_what_is_wrong_or_can_be_read_in_two_ways_is_asked_back(
    read: Callable[[str], Any], typed: str, words: str
) -> None:
    with pytest.raises(NotRight) as refused:
        read(typed)
    assert words in str(refused.value)


@pytest.mark.parametrize("typed", ["18", "1200 x 600"])
def test_a_number_without_its_unit_lacks_only_that(typed: str) -> None:
    read = written.rectangle_m2 if "x" in typed else lambda t: written.measure(t, written.HARDNESS, "18 gpg")
    with pytest.raises(NoUnit):
        read(typed)


@pytest.mark.parametrize("typed", ["1200 x 600 mm", "1.2 m x 60 cm", "1,2 × 0,6 m", "120 by 60 cm"])
def test_a_length_by_a_width_is_an_area(typed: str) -> None:
    assert written.rectangle_m2(typed) == pytest.approx(0.72)


@pytest.mark.parametrize("typed", ["6 to 9 %", "6 - 9%", "6–9", "6 % .. 9 %"])
def test_a_band_is_two_shares(typed: str) -> None:
    assert written.band(typed, 0, 30) == ("6 %", "9 %")


@pytest.mark.parametrize("typed", ["2026-05-04", "4.5.2026", "4 May 2026", "May 4, 2026", "4th May 2026"])
def test_a_day_is_read_as_it_is_written(typed: str) -> None:
    assert written.day(typed) == date(2026, 5, 4)


@pytest.mark.parametrize(
    ("typed", "expected"), [("every 3 days", "3 days"), ("1 week", "7 days"), ("36 h", "36 h")]
)
def test_a_time_span_may_begin_with_every(typed: str, expected: str) -> None:
    assert written.duration(typed, "3 days") == expected


@pytest.mark.parametrize("typed", ["1 3 4", "1,3-4", "tap, ro, di", "4, 3 and 1", "all but"])
def test_several_options_come_in_their_own_order(typed: str) -> None:
    options = ("tap", "carbon", "ro", "di")
    if typed == "all but":
        assert written.choices("all", options) == options and written.choices("none", options) == ()
    else:
        assert written.choices(typed, options) == ("tap", "ro", "di")


READERS: list[Callable[[str], Any]] = [
    lambda t: written.measure(t, written.HARDNESS, ""),
    lambda t: written.band(t, 0, 30),
    written.rectangle_m2,
    written.day,
    lambda t: written.duration(t, ""),
    lambda t: written.choices(t, ("tap", "ro")),
    lambda t: written.number(t, 0, 10),
]


@given(st.text(max_size=40), st.sampled_from(READERS))
def test_whatever_is_typed_is_taken_or_refused_in_words(typed: str, read: Callable[[str], Any]) -> None:
    try:
        read(typed)
    except NotRight as refused:
        assert str(refused)
