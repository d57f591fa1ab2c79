"""Units convert by published factors, and what pint would misread is read as the trade means it."""

from __future__ import annotations

import pytest

from monitor.plant.fields import Measure
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import (
    UnitError,
    parse_unit,
    registry,
    scale_between,
    shown,
    split_measure,
    to_canonical,
    unit_examples,
)

GRAIN_MG = 64.79891  # exact: NIST Handbook 44, appendix C (1 lb = 7000 gr = 453.59237 g)
US_GALLON_L = 3.785411784  # exact: NIST Handbook 44, appendix C (231 cubic inches)
CACO3_G_MOL, CAO_G_MOL = 100.0869, 56.0774  # IUPAC abridged standard atomic weights

FACTORS = [
    # (from, to, factor, relative tolerance)
    ("gpg", "mg/L", GRAIN_MG / US_GALLON_L, 1e-7),  # 17.118
    ("gpg", "mg/L", 17.118, 3e-5),  # NIST SP 811, appendix B.8: grain per gallon (US), 1.711806 E-02 kg/m3
    ("dH", "mg/L", 10 * CACO3_G_MOL / CAO_G_MOL, 1e-4),  # 1 °dH is 10 mg CaO per litre (DIN 38409-6)
    ("°dH", "mg/L", 17.848, 1e-6),
    ("fH", "mg/L", 10.0, 1e-9),  # 1 °fH is 10 mg CaCO3 per litre (common definition, no source)
    ("gpm", "L/min", US_GALLON_L, 1e-9),
    ("gpd", "L/min", US_GALLON_L / 1440, 1e-9),
    ("gal", "L", US_GALLON_L, 1e-9),  # a gallon is the US one
    ("psi", "bar", 0.06894757, 1e-6),  # NIST SP 811, appendix B.8
    ("m3/h", "L/min", 1000 / 60, 1e-9),
    ("mS/cm", "uS/cm", 1000.0, 1e-9),
    ("S/m", "uS/cm", 10_000.0, 1e-9),
    ("kohm*cm", "Mohm*cm", 1e-3, 1e-9),
    ("ppm", "mg/L", 1.0, 1e-9),
    ("g/L", "mg/L", 1000.0, 1e-9),
    ("inch", "mm", 25.4, 1e-9),
    ("ft3", "L", 28.316846592, 1e-9),  # exact: NIST Handbook 44, appendix C
    ("%", "1", 0.01, 1e-9),
]


@pytest.mark.parametrize(("unit", "target", "factor", "tolerance"), FACTORS)
def test_a_unit_converts_by_its_published_factor(
    unit: str, target: str, factor: float, tolerance: float
) -> None:
    scale = scale_between(unit, target)
    assert scale.factor == pytest.approx(factor, rel=tolerance)
    assert scale.offset == 0.0


def test_ultrapure_water_of_18_2_megohm_cm_has_0_0549_microsiemens_per_cm() -> None:
    """The reciprocal that ASTM D1193 and ISO 3696 print as 18.2 MΩ·cm and 0.055 µS/cm."""
    conductivity = 1 / registry().Quantity(18.2, parse_unit("MΩ·cm"))
    assert float(conductivity.to(parse_unit("uS/cm")).magnitude) == pytest.approx(0.05495, rel=1e-4)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (77.0, 25.0), (212.0, 100.0)])
def test_fahrenheit_is_a_scale_with_an_offset(fahrenheit: float, celsius: float) -> None:
    assert to_canonical("degF", "temperature").apply(fahrenheit) == pytest.approx(celsius, abs=1e-9)


def test_a_difference_of_temperatures_has_no_offset() -> None:
    assert Measure(1.8, "degF").difference("temperature") == pytest.approx(1.0)
    assert Measure(0.5, "degC").difference("temperature") == pytest.approx(0.5)


@pytest.mark.parametrize("text", ["pH", "ph"])
def test_ph_is_acidity_and_not_a_picohenry(text: str) -> None:
    assert parse_unit(text).dimensionality == {"[acidity]": 1}
    assert to_canonical(text, "ph").factor == 1.0


def test_ppm_of_a_tds_meter_is_milligrams_per_litre_and_no_bare_number() -> None:
    assert to_canonical("ppm", "tds").factor == pytest.approx(1.0)
    with pytest.raises(UnitError):
        to_canonical("ppm", "fraction")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_unit_offered_for_a_quantity_is_taken_for_it(quantity: str) -> None:
    for unit in unit_examples(quantity):
        assert to_canonical(unit, quantity).factor > 0


@pytest.mark.parametrize(
    ("unit", "quantity"),
    [("us/cm", "conductivity"), ("bar", "flow"), ("mg/L", "conductivity"), ("L", "flow"), ("dB", "fraction")],
)
def test_a_unit_of_another_kind_is_refused_with_units_that_would_do(unit: str, quantity: str) -> None:
    with pytest.raises(UnitError) as caught:
        to_canonical(unit, quantity)
    assert unit in str(caught.value)
    assert QUANTITIES[quantity].unit in str(caught.value)


@pytest.mark.parametrize(
    "unit", ["", "furlongs per", "m**9**9**9", "u" * 500, "1e9", "__import__('os')", "\0"]
)
def test_nonsense_is_refused_at_once_and_for_every_quantity_but_a_bare_number(unit: str) -> None:
    with pytest.raises(UnitError):
        to_canonical(unit, "conductivity")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("20 uS/cm", 20.0, "uS/cm"),
        ("20uS/cm", 20.0, "uS/cm"),
        ("-1.5e2 degC", -150.0, "degC"),
        ("2 %", 2.0, "%"),
        ("+3 eq", 3.0, "eq"),
        ("1.5E3 L", 1500.0, "L"),
    ],
)
def test_a_measure_is_a_number_and_a_unit(text: str, value: float, unit: str) -> None:
    assert split_measure(text) == (value, unit)


@pytest.mark.parametrize(
    ("text", "why"),
    [("20", "no unit"), ("uS/cm", "number"), ("1,5 L", "comma"), ("1e999 L", "too large"), ("", "number")],
)
def test_what_is_no_measure_is_refused_with_the_reason(text: str, why: str) -> None:
    with pytest.raises(UnitError, match=why):
        split_measure(text)


def test_a_value_is_shown_with_the_trade_s_own_unit() -> None:
    assert shown(18.18, "resistivity") == "18.18 MΩ·cm"
    assert shown(20.04, "conductivity") == "20.0 µS/cm"
    assert shown(1.0, "contact") == "1"
