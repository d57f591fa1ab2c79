"""Laws that conductivity, dissolved solids and calibration keep on any input in range."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.water import calibration, conductivity, dissolved, standards, ultrapure
from monitor.water.errors import OutOfRange
from monitor.water.interpolate import cubic, cubic_series

EC = st.floats(0.1, 10_000.0)
SCALES = st.sampled_from(["nacl", "kcl", "442", "natural"])

Rule = Callable[[float, float], float]

COMPENSATIONS = [
    conductivity.ec25_linear_us_cm,
    conductivity.ec25_natural_us_cm,
    conductivity.ec25_sodium_chloride_us_cm,
]


@pytest.mark.parametrize("rule", COMPENSATIONS)
@given(ec=EC)
def test_at_25_degrees_no_rule_changes_a_reading(rule: Rule, ec: float) -> None:
    assert rule(ec, 25.0) == pytest.approx(ec, rel=1e-12)


@pytest.mark.parametrize("rule", COMPENSATIONS)
@given(ec=EC, t=st.floats(0.0, 34.8), more=st.floats(0.1, 1.0))
def test_the_same_reading_in_warmer_water_means_less_salt(
    rule: Rule, ec: float, t: float, more: float
) -> None:
    assert rule(ec, t + more) < rule(ec, t)


@given(ec=st.floats(0.2, 10_000.0), t=st.floats(0.0, 49.0))
def test_high_purity_water_at_25_degrees_stays_and_salt_part_scales(ec: float, t: float) -> None:
    own = ultrapure.pure_water_us_cm(t)
    once = conductivity.ec25_high_purity_us_cm(own + ec, t)
    twice = conductivity.ec25_high_purity_us_cm(own + 2 * ec, t)
    own_25 = ultrapure.pure_water_us_cm(25.0)
    assert twice - own_25 == pytest.approx(2 * (once - own_25), rel=1e-9)


@given(t=st.floats(0.0, 50.0), share=st.floats(0.0, 0.94))
def test_a_reading_below_pure_water_is_refused_and_says_what_to_check(t: float, share: float) -> None:
    with pytest.raises(OutOfRange, match="check temperature, cell constant, compensation"):
        conductivity.ec25_high_purity_us_cm(share * ultrapure.pure_water_us_cm(t), t)


@given(t=st.floats(0.0, 50.0), share=st.floats(0.951, 1.0))
def test_a_reading_a_little_below_pure_water_is_pure_water_and_never_negative_salt(
    t: float, share: float
) -> None:
    own_25 = ultrapure.pure_water_us_cm(25.0)
    assert conductivity.ec25_high_purity_us_cm(share * ultrapure.pure_water_us_cm(t), t) == own_25


@given(ec=EC, t=st.floats(0.0, 24.0), alpha=st.floats(0.01, 0.03))
def test_the_coefficient_found_from_two_readings_brings_one_to_the_other(
    ec: float, t: float, alpha: float
) -> None:
    cold = ec * (1.0 + alpha * (t - 25.0))
    forth = conductivity.alpha_from_two_readings_per_c(ec, 25.0, cold, t, "first")
    back = conductivity.alpha_from_two_readings_per_c(cold, t, ec, 25.0, "second")
    assert forth == pytest.approx(alpha, rel=1e-6)
    assert back == pytest.approx(forth, rel=1e-12)
    assert conductivity.ec25_linear_us_cm(cold, t, forth) == pytest.approx(ec, rel=1e-6)


@given(
    readings=st.lists(st.tuples(st.floats(1.0, 5000.0), st.floats(0.0, 35.9)), min_size=1, max_size=20),
    method=st.sampled_from(["linear", "natural", "sodium chloride", "high purity"]),
)
def test_a_series_gives_what_its_readings_give_one_by_one(
    readings: list[tuple[float, float]], method: str
) -> None:
    one = {
        "linear": conductivity.ec25_linear_us_cm,
        "natural": conductivity.ec25_natural_us_cm,
        "sodium chloride": conductivity.ec25_sodium_chloride_us_cm,
        "high purity": conductivity.ec25_high_purity_us_cm,
    }[method]
    ec, t = zip(*readings, strict=True)
    series = conductivity.ec25_series_us_cm(ec, t, method)
    assert series == pytest.approx([one(k, at) for k, at in readings], rel=1e-12)


def test_a_series_names_its_first_bad_value() -> None:
    with pytest.raises(OutOfRange, match=r"temperature_c = 36\.5 is out of range: 0 to 35\.9 °C"):
        conductivity.ec25_series_us_cm([1.0, 2.0], [20.0, 36.5], "natural")


@given(t=st.floats(0.1, 34.8))
def test_the_natural_water_factor_falls_smoothly(t: float) -> None:
    step = conductivity.natural_water_factor_25(t) - conductivity.natural_water_factor_25(t + 1.0)
    assert 0.013 < step < 0.062


@given(ec=st.floats(0.001, 79_000.0), scale=SCALES)
def test_tds_and_conductivity_are_inverse_on_every_scale(ec: float, scale: str) -> None:
    mass = dissolved.tds_mg_l(ec, scale)
    assert dissolved.ec25_from_tds_us_cm(mass, scale) == pytest.approx(ec, rel=1e-9)


@given(ec=st.floats(0.0, 80_000.0), factor=st.floats(0.3, 1.2))
def test_tds_by_an_own_factor_is_inverse_too(ec: float, factor: float) -> None:
    assert dissolved.ec25_from_tds_us_cm(
        dissolved.tds_mg_l(ec, "own", factor), "own", factor
    ) == pytest.approx(ec, rel=1e-12, abs=1e-300)


@given(ec=st.floats(0.01, 70_000.0), more=st.floats(1.001, 1.1), scale=SCALES)
def test_more_conductivity_is_more_dissolved_solids(ec: float, more: float, scale: str) -> None:
    assert dissolved.tds_mg_l(ec * more, scale) > dissolved.tds_mg_l(ec, scale)


@given(ec=st.floats(0.01, 80_000.0), scale=SCALES)
def test_the_band_of_dissolved_solids_holds_its_own_value(ec: float, scale: str) -> None:
    band = dissolved.tds_band(ec, scale)
    assert band.low_mg_l <= band.tds_mg_l <= band.high_mg_l


@pytest.mark.parametrize(("scale", "factor"), [("own", None), ("nacl", 0.5), ("own", 2.0), ("own", 0.0)])
def test_a_factor_goes_with_scale_own_and_only_there(scale: str, factor: float | None) -> None:
    with pytest.raises(OutOfRange, match="factor"):
        dissolved.tds_mg_l(100.0, scale, factor)


@given(
    r1=st.floats(1.0, 100.0),
    gap=st.floats(10.0, 2000.0),
    gain=st.floats(0.81, 1.19),
    offset=st.floats(0.0, 5.0),
)
def test_a_two_point_line_goes_through_both_standards(
    r1: float, gap: float, gain: float, offset: float
) -> None:
    r2 = r1 + gap
    s1, s2 = gain * r1 + offset, gain * r2 + offset
    line = calibration.two_point(r1, r2, s1, s2)
    assert line.gain * r1 + line.offset_us_cm == pytest.approx(s1, rel=1e-9)
    assert line.gain * r2 + line.offset_us_cm == pytest.approx(s2, rel=1e-9)


@pytest.mark.parametrize(
    "readings",
    [
        (100.0, 100.0, 84.0, 1413.0),
        (1390.0, 80.5, 84.0, 1413.0),
        (80.5, 1000.0, 84.0, 1413.0),
        (80.5, 1390.0, 84.0, 84.0),
        (math.nan, 1390.0, 84.0, 1413.0),
    ],
)
def test_a_calibration_that_cannot_be_right_is_refused(readings: tuple[float, float, float, float]) -> None:
    with pytest.raises(OutOfRange):
        calibration.two_point(*readings)


@given(constant=st.floats(0.001, 100.0), ohm=st.floats(200.0, 1e8))
def test_resistivity_is_conductivity_upside_down(constant: float, ohm: float) -> None:
    k = calibration.conductivity_from_resistance_us_cm(ohm, constant)
    r = calibration.resistivity_from_resistance_mohm_cm(ohm, constant)
    assert k * r == pytest.approx(1.0, rel=1e-12)
    assert calibration.cell_constant_per_cm(k, ohm) == pytest.approx(constant, rel=1e-12)


@given(ec=st.floats(0.02, 1e5))
def test_conductivity_and_resistivity_are_inverse(ec: float) -> None:
    r = conductivity.resistivity_from_ec_mohm_cm(ec)
    assert conductivity.ec_from_resistivity_us_cm(r) == pytest.approx(ec, rel=1e-12)


@given(t=st.floats(0.0, 49.0), label=st.floats(10.0, 112_000.0), more=st.floats(0.01, 1.0))
def test_a_standard_conducts_more_when_warmer_and_its_label_at_25(
    t: float, label: float, more: float
) -> None:
    assert standards.labelled_standard_us_cm(label, t + more) > standards.labelled_standard_us_cm(label, t)
    assert standards.labelled_standard_us_cm(label, 25.0) == pytest.approx(label, rel=1e-12)


@given(strength=st.floats(0.0001, 0.9), more=st.floats(1.001, 1.1), t=st.floats(0.0, 50.0))
def test_a_stronger_kcl_solution_conducts_more(strength: float, more: float, t: float) -> None:
    assume(strength * more <= 1.0)
    assert standards.kcl_standard_us_cm(strength * more, t) > standards.kcl_standard_us_cm(strength, t)


def test_the_misprint_of_1667_at_35_degrees_is_not_copied() -> None:
    # a bench manual prints 1667; NIST's ratio gives 1693
    assert standards.labelled_standard_us_cm(1413.0, 35.0) == pytest.approx(1693.0, abs=2.0)


def test_the_cubic_goes_through_its_table_and_is_exact_for_a_cubic() -> None:
    xs = [0.0, 1.0, 3.0, 4.0, 7.0, 8.0]
    ys = [x**3 - 2 * x for x in xs]
    at = np.linspace(0.0, 8.0, 41)
    assert cubic_series(at, xs, ys) == pytest.approx(at**3 - 2 * at, abs=1e-9)
    assert [cubic(x, xs, ys) for x in at] == pytest.approx(at**3 - 2 * at, abs=1e-9)
    assert [cubic(x, xs, ys) for x in xs] == pytest.approx(ys, abs=1e-12)
