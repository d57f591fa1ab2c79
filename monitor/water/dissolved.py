"""Dissolved solids from conductivity: a convention, never a measurement.

A "ppm" display is conductivity at 25 °C times a factor. Store the conductivity and the factor. Rejection or
a trend from TDS with a different factor at each stage is biased by up to 60 %; compute those from EC25.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from monitor.water.errors import OutOfRange, within

__all__ = ["ec25_from_tds_us_cm", "tds_band", "tds_factor", "tds_mg_l"]

TdsScale = Literal["nacl", "kcl", "442", "natural", "own"]

HIGHEST_US_CM = 80_000.0
NATURAL_FACTOR = 0.65
FACTOR_LOW, FACTOR_HIGH = 0.3, 1.2

# EC25 in µS/cm -> mg/L of the trade's scales, printed in bench meter manuals (rows that a geochemical
# engine puts more than 6 % off are left out; 84, 447, 12880 and 80000 partly from memory). Read in
# logarithms; below and above, the end factor holds. The first NaCl row is PHREEQC's for 1 mg/L.
_SCALES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "nacl": (
        (2.19715, 23.0, 84.0, 447.0, 1413.0, 2070.0, 2764.0, 12_880.0, 15_000.0, 80_000.0),
        (1.0, 10.7, 38.04, 215.5, 702.1, 1041.0, 1414.8, 7230.0, 8532.0, 48_384.0),
    ),
    "kcl": (
        (23.0, 447.0, 1413.0, 8974.0, 12_880.0, 15_000.0, 80_000.0),
        (11.6, 225.6, 744.7, 5101.0, 7447.0, 8759.0, 52_168.0),
    ),
    "442": (
        (23.0, 84.0, 447.0, 1413.0, 1500.0, 2070.0, 2764.0, 8974.0, 12_880.0, 15_000.0, 80_000.0),
        (14.74, 50.5, 300.0, 1000.0, 1050.0, 1500.0, 2062.7, 7608.0, 11_367.0, 13_455.0, 79_688.0),
    ),
}

# How far the factor itself is in doubt when the water is not exactly the scale's: low, high.
_DOUBT = {"nacl": (0.45, 0.61), "kcl": (0.48, 0.66), "442": (0.60, 1.00), "natural": (0.55, 0.75)}


def tds_factor(ec25_us_cm: float, scale: TdsScale = "natural", factor: float | None = None) -> float:
    """Factor, mg/L per uS/cm, that a named scale uses at a conductivity.

    Equation: "natural" 0.65; "own" the factor given; "nacl", "kcl", "442" read from the trade's table in
        logarithms
    Range: 0 to 80000 uS/cm; own factor 0.3 to 1.2
    Raises: OutOfRange when an input is outside, a factor is given with a scale of its own, or none with "own"
    Source: printed scale tables of bench meter manuals (trade practice); natural waters 0.55 to 0.75
    Assumes: a natural water, 0.65, unless another scale is named
    Not for: weighing what is dissolved
    Example:
        >>> round(tds_factor(1413, "442"), 3)
        0.708
    """
    ec = within("ec25_us_cm", ec25_us_cm, 0.0, HIGHEST_US_CM, "µS/cm")
    if scale == "own":
        if factor is None:
            raise OutOfRange("factor", "missing", "0.3 to 1.2 with scale own")
        return within("factor", factor, FACTOR_LOW, FACTOR_HIGH, "mg/L per µS/cm")
    if factor is not None:
        raise OutOfRange("factor", factor, f"none with scale {scale}", "use scale own")
    if scale == "natural":
        return NATURAL_FACTOR
    if scale not in _SCALES:
        raise OutOfRange("scale", scale, "nacl, kcl, 442, natural or own")
    at, mass = (np.log(np.asarray(column)) for column in _SCALES[scale])
    return float(np.exp(np.interp(np.log(max(ec, 1e-9)), at, mass - at)))


def tds_mg_l(ec25_us_cm: float, scale: TdsScale = "natural", factor: float | None = None) -> float:
    """Dissolved solids by a named scale.

    Equation: TDS = factor x EC25, the factor as in tds_factor
    Range: 0 to 80000 uS/cm at 25 °C; own factor 0.3 to 1.2
    Raises: OutOfRange when an input is outside, a factor is given with a scale of its own, or none with "own"
    Source: convention; Standard Methods 2510 A range from memory
    Assumes: a natural water, 0.65, unless another scale is named; the conductivity is at 25 °C
    Not for: comparing stages of a train with different factors, or finding hardness
    Example:
        >>> tds_mg_l(500, "own", 0.65)
        325.0
    """
    return tds_factor(ec25_us_cm, scale, factor) * ec25_us_cm


def ec25_from_tds_us_cm(tds_mg_l: float, scale: TdsScale = "natural", factor: float | None = None) -> float:
    """Conductivity at 25 °C behind a dissolved-solids display; the inverse of tds_mg_l.

    Equation: EC25 = TDS / factor; for the table scales the table read the other way round
    Range: 0 mg/L to what 80000 uS/cm shows on that scale; own factor 0.3 to 1.2
    Raises: OutOfRange when an input is outside, a factor is given with a scale of its own, or none with "own"
    Source: inverse of tds_mg_l
    Assumes: the display's scale is known: ask, it is printed in its manual
    Not for: a display whose scale nobody knows
    Example:
        >>> round(ec25_from_tds_us_cm(702.1, "nacl"))
        1413
    """
    top = tds_factor(HIGHEST_US_CM, scale, factor) * HIGHEST_US_CM
    mass = within("tds_mg_l", tds_mg_l, 0.0, top, "mg/L")
    if scale not in _SCALES:
        return mass / tds_factor(0.0, scale, factor)
    at, known = (np.log(np.asarray(column)) for column in _SCALES[scale])
    # ln TDS - ln EC is linear in ln EC between rows, so ln EC is linear in ln TDS: the same line, inverted
    log_mass = np.log(max(mass, 1e-300))
    if log_mass <= known[0]:
        return float(mass * np.exp(at[0] - known[0]))
    return float(np.exp(np.interp(log_mass, known, at)))


class TdsBand(NamedTuple):
    """Dissolved solids by a scale, and between which bounds the mass may truly lie."""

    tds_mg_l: float
    low_mg_l: float
    high_mg_l: float
    factor: float
    scale: str


def tds_band(ec25_us_cm: float, scale: TdsScale = "natural", factor: float | None = None) -> TdsBand:
    """Dissolved solids by a named scale, with how wrong that may be.

    Equation: low and high = EC25 x the lowest and highest published factor of that kind of water: nacl 0.45
        to 0.61, kcl 0.48 to 0.66, 442 0.60 to 1.00, natural 0.55 to 0.75; own factor 15 % either way
    Range: 0 to 80000 uS/cm at 25 °C; own factor 0.3 to 1.2
    Raises: OutOfRange as tds_factor
    Source: factor ranges of trade tables and a state water centre's page; 15 % for an own factor is common
        practice, no source
    Assumes: a natural water, 0.65, unless another scale is named; the conductivity is at 25 °C
    Not for: sulfate waters (higher), or which TDS is meant: by sum of ions or by residue differs by 30 %
    Example:
        >>> band = tds_band(500)
        >>> band.tds_mg_l, band.low_mg_l, band.high_mg_l
        (325.0, 275.0, 375.0)
    """
    used = tds_factor(ec25_us_cm, scale, factor)
    low, high = _DOUBT.get(scale, (0.85 * used, 1.15 * used))
    return TdsBand(used * ec25_us_cm, low * ec25_us_cm, high * ec25_us_cm, used, scale)
