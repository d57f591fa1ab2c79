"""The hand refractometer: Brix from the index, zero on the shop's water, temperature, coolant per cent."""

from __future__ import annotations

import math

import numpy as np

from monitor.water.errors import positive, within
from monitor.water.psychrometrics import saturated_water_density_kg_m3
from monitor.water.roots import where_zero

__all__ = [
    "brix_from_index_brix",
    "brix_temperature_correction_brix",
    "coolant_concentration_pct",
    "refractive_index_from_brix",
    "unzeroed_error",
    "water_refractive_index",
    "water_shift_brix",
]

# Sugar scale: polynomial fit to the ICUMSA table, nD at 20 °C. Its terms cancel to about 1e-10 of their size:
# every digit counts.
_BRIX = (11758.74, -88885.21, 270177.93, -413145.80, 318417.95, -99127.4536)
WATER_INDEX_20_C = 1.33299  # against air, 589.3 nm (ICUMSA; GOST R 50546)

# OIV-MA-AS2-02, Table I: correction for temperature, per cent by mass of sucrose. Rows to 17 °C were read in
# a public copy; those from 18 °C are from memory and held to the refractive index of water in the tests.
_OIV_BRIX = (10.0, 15.0, 20.0, 25.0, 30.0)
_OIV = {
    5: (-0.82, -0.87, -0.92, -0.95, -0.99),
    6: (-0.80, -0.82, -0.87, -0.90, -0.94),
    7: (-0.74, -0.78, -0.82, -0.84, -0.88),
    8: (-0.69, -0.73, -0.76, -0.79, -0.82),
    9: (-0.64, -0.67, -0.71, -0.73, -0.75),
    10: (-0.59, -0.62, -0.65, -0.67, -0.69),
    11: (-0.54, -0.57, -0.59, -0.61, -0.63),
    12: (-0.49, -0.51, -0.53, -0.55, -0.56),
    13: (-0.43, -0.45, -0.47, -0.48, -0.50),
    14: (-0.38, -0.39, -0.40, -0.42, -0.43),
    15: (-0.32, -0.33, -0.34, -0.35, -0.36),
    16: (-0.26, -0.27, -0.28, -0.28, -0.29),
    17: (-0.20, -0.20, -0.21, -0.21, -0.22),
    18: (-0.13, -0.14, -0.14, -0.14, -0.15),
    19: (-0.07, -0.07, -0.07, -0.07, -0.08),
    20: (0.0, 0.0, 0.0, 0.0, 0.0),
    21: (0.07, 0.07, 0.07, 0.07, 0.07),
    22: (0.14, 0.14, 0.15, 0.15, 0.15),
    23: (0.21, 0.22, 0.22, 0.23, 0.23),
    24: (0.28, 0.29, 0.30, 0.30, 0.31),
    25: (0.36, 0.37, 0.38, 0.38, 0.39),
    26: (0.44, 0.45, 0.46, 0.46, 0.47),
    27: (0.52, 0.53, 0.54, 0.55, 0.55),
    28: (0.60, 0.61, 0.62, 0.63, 0.64),
    29: (0.68, 0.69, 0.71, 0.72, 0.73),
    30: (0.77, 0.78, 0.80, 0.81, 0.82),
}


def brix_from_index_brix(refractive_index: float) -> float:
    """Degrees Brix from the refractive index at 20 °C.

    Equation: Brix = 11758.74 n⁵ - 88885.21 n⁴ + 270177.93 n³ - 413145.80 n² + 318417.95 n - 99127.4536
    Range: n 1.330 to 1.505 (water to 85 Brix)
    Raises: OutOfRange
    Source: polynomial fit to the ICUMSA table; 0.01 to 0.03 Brix below it
    Not for: a reading taken away from 20 °C without compensation
    Example:
        >>> round(brix_from_index_brix(1.34), 2)
        4.8
    """
    return _polynomial(within("refractive_index", refractive_index, 1.33, 1.505, why="nD at 20 °C"))


def refractive_index_from_brix(reading_brix: float) -> float:
    """Refractive index at 20 °C of a sugar solution of so many degrees Brix.

    Equation: `brix_from_index_brix` solved for n
    Range: -1 to 85 Brix
    Raises: OutOfRange
    Source: as there
    Not for: coolant's own index: Brix is a sugar scale
    Example:
        >>> round(refractive_index_from_brix(5.0), 6)
        1.340291
    """
    wanted = within("reading_brix", reading_brix, -1.0, 85.0, "°Brix")
    return where_zero(lambda n: _polynomial(n) - wanted, 1.33, 1.505)


def water_refractive_index(temperature_c: float) -> float:
    """Refractive index of pure water against air, yellow light (589.3 nm).

    Equation: (n² - 1)/(n² + 2) / rho = sum of eight terms in density, temperature and wavelength, scaled by
        one factor to 1.33299 at 20 °C
    Range: 0 to 60 °C
    Raises: OutOfRange
    Source: IAPWS R9-97, coefficients from memory, held to iapws in the tests
    Not for: other light than yellow
    Example:
        >>> round(water_refractive_index(30.0), 5)
        1.33193
    """
    temperature = within("temperature_c", temperature_c, 0.0, 60.0, "°C")
    return WATER_INDEX_20_C * _vacuum_index(temperature) / _vacuum_index(20.0)


def water_shift_brix(temperature_c: float) -> float:
    """What a refractometer without compensation, zeroed on water at 20 °C, reads on warmer or colder water.

    Equation: Brix(n(T)) - Brix(n(20 °C)); to correct, subtract it
    Range: 5 to 40 °C
    Raises: OutOfRange
    Source: `water_refractive_index` and `brix_from_index_brix`
    Assumes: prism at the sample's temperature
    Not for: an instrument with automatic compensation (its own is enough; wait 30 s for the prism)
    Example:
        >>> round(water_shift_brix(35.0), 2)
        -1.19
    """
    within("temperature_c", temperature_c, 5.0, 40.0, "°C")
    return _polynomial(water_refractive_index(temperature_c)) - _polynomial(WATER_INDEX_20_C)


def brix_temperature_correction_brix(reading_brix: float, temperature_c: float) -> float:
    """What to add to a reading taken without compensation at another temperature than 20 °C.

    Equation: straight lines in the printed table from 10 Brix up; below 10 Brix a straight line between the
        table's 10 Brix column and water itself (minus `water_shift_brix`)
    Range: 0 to 30 Brix, 5 to 30 °C
    Raises: OutOfRange
    Source: OIV-MA-AS2-02, Table I (sucrose)
    Assumes: coolant shifts as sugar does, unproven; at a few per cent it is mostly water
    Not for: an instrument with automatic compensation. The web formula "Brix + 0.00045 (T - 20)" is wrong:
        0.00045 is a change of index, not of Brix
    Example:
        >>> round(brix_temperature_correction_brix(10.0, 15.0), 2)
        -0.32
    """
    reading = within("reading_brix", reading_brix, 0.0, _OIV_BRIX[-1], "°Brix")
    temperature = within("temperature_c", temperature_c, 5.0, 30.0, "°C")
    rows = sorted(_OIV)
    at = [float(np.interp(temperature, rows, [_OIV[row][i] for row in rows])) for i in range(len(_OIV_BRIX))]
    return float(np.interp(reading, (0.0, *_OIV_BRIX), (-water_shift_brix(temperature), *at)))


def coolant_concentration_pct(reading_brix: float, factor_pct_brix: float, zero_brix: float = 0.0) -> float:
    """Coolant concentration from a refractometer reading and the product's factor.

    Equation: c = F (b - b0), b0 the reading on the shop's own make-up water
    Range: reading -5 to 90 Brix, zero -5 to 5 Brix, factor above 0 to 20 % per Brix
    Raises: OutOfRange, also when the reading is below its zero by more than 1 Brix
    Source: common practice; the factor stands on the product's sheet
    Assumes: no tramp oil or fines in the drop, both raise or blur the reading: skim, filter, read twice
    Not for: old or contaminated coolant without a titration beside it
    Example:
        >>> round(coolant_concentration_pct(4.1, 1.6, zero_brix=0.2), 2)
        6.24
    """
    factor = positive("factor_pct_brix", factor_pct_brix, 20.0, "% per °Brix")
    zero = within("zero_brix", zero_brix, -5.0, 5.0, "°Brix")
    reading = within("reading_brix", reading_brix, zero - 1.0, 90.0, "°Brix", "the zero on water less 1")
    return factor * (reading - zero)


def unzeroed_error(reading_brix: float, zero_brix: float) -> float:
    """Relative error of the concentration when the zero on water was left out; the factor does not matter.

    Equation: b0 / (b - b0)
    Range: zero -5 to 5 Brix, reading above the zero to 90 Brix
    Raises: OutOfRange
    Source: follows from `coolant_concentration_pct`
    Not for: readings at or below their zero
    Example:
        >>> round(unzeroed_error(5.2, 0.3), 3)
        0.061
    """
    zero = within("zero_brix", zero_brix, -5.0, 5.0, "°Brix")
    above = positive("reading_brix less zero_brix", reading_brix - zero, 95.0, "°Brix")
    return zero / above


def _polynomial(index: float) -> float:
    total = 0.0
    for coefficient in _BRIX:
        total = total * index + coefficient
    return total


def _vacuum_index(temperature_c: float) -> float:
    density = saturated_water_density_kg_m3(temperature_c) / 1000.0
    t = (temperature_c + 273.15) / 273.15
    light2 = 0.5893**2 / 0.589**2
    terms = (
        0.244257733
        + 9.74634476e-3 * density
        - 3.73234996e-3 * t
        + 2.68678472e-4 * light2 * t
        + 1.58920570e-3 / light2
        + 2.45934259e-3 / (light2 - 0.229202**2)
        + 0.900704920 / (light2 - 5.432937**2)
        - 1.66626219e-2 * density**2
    )
    bent = terms * density
    return math.sqrt((1.0 + 2.0 * bent) / (1.0 - bent))
