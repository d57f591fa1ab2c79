"""Units at the edge: pint parses and shows them, floats travel inside.

Our own aliases are the names the trade writes on its instruments and pint does not know. `pH` is one of
them because pint would read it as picohenry, and `ppm` because on a dissolved-solids meter it means mg/L.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache

import pint

from monitor.plant.quantities import QUANTITIES

_ALIASES = (
    "gpm = gallon / minute = _ = GPM",
    "gph = gallon / hour = _ = GPH",
    "gpd = gallon / day = _ = GPD",
    "lpm = liter / minute = _ = LPM",
    # hardness, all as mg/L as CaCO3: 64.79891 mg per 3.785411784 L; 10 mg CaO/L; 10 mg CaCO3/L
    "grain_per_gallon = 17.118061 * milligram / liter = gpg",
    "german_degree = 17.8480 * milligram / liter = dH = dGH",
    "french_degree = 10.0 * milligram / liter = fH",
    "clark_degree = 14.2538 * milligram / liter = Clark",
    "equivalent = [equivalents] = eq",
    "pulse = [pulses]",
    "by_volume_millionth = 1e-6 = ppmv",
    "money = [money]",
    "mg_per_litre_scale = milligram / liter = PPM = TDS = ppm_tds",
    "nephelometric_unit = [turbidity] = NTU = FNU",
    "acidity = [acidity] = pH_unit",
    "brix_degree = [brix] = brix = Brix",
    "volume_in_metres = meter ** 3 = m3 = m³",
    "area_in_metres = meter ** 2 = m2 = m²",
    "volume_in_feet = foot ** 3 = ft3 = ft³",
    "area_in_feet = foot ** 2 = ft2 = ft²",
)

# What pint's grammar cannot take as an alias, replaced as whole words before it sees the text.
_SPELLINGS = {
    "pH": "pH_unit",
    "ph": "pH_unit",
    "ppm": "ppm_tds",
    "°C": "degC",
    "°F": "degF",
    "C": "degC",  # nobody here means coulomb or farad
    "F": "degF",
    "°dH": "dH",
    "°fH": "fH",
    "°Brix": "brix",
    "%": "percent",
    "µS/cm": "uS/cm",
    "μS/cm": "uS/cm",
    "MΩ·cm": "Mohm*cm",
    "Mohm.cm": "Mohm*cm",
    "Mohm·cm": "Mohm*cm",
    "MOhm*cm": "Mohm*cm",
    "MOhm·cm": "Mohm*cm",
    "MOhm.cm": "Mohm*cm",
    "1": "dimensionless",
    "": "dimensionless",
}

_ALSO_WRITTEN: dict[str, tuple[str, ...]] = {
    "conductivity": ("mS/cm", "uS/m"),
    "resistivity": ("kohm*cm",),
    "tds": ("ppm", "g/L"),
    "temperature": ("degF",),
    "flow": ("L/h", "m3/h", "gpm", "gpd"),
    "volume": ("m3", "gal"),
    "level": ("cm", "m", "inch"),
    "pressure": ("mbar", "kPa", "psi"),
    "turbidity": ("FNU",),
    "hardness": ("ppm", "gpg", "dH", "fH"),
    "chlorine": ("ppm",),
    "fraction": ("1",),
    "duration": ("min", "d"),
    "load": ("meq",),
}

_SHOWN = {
    "uS/cm": "µS/cm",
    "Mohm*cm": "MΩ·cm",
    "degC": "°C",
    "degF": "°F",
    "percent": "%",
    "brix": "°Brix",
    "1": "",
}


_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d")
_LONGEST_UNIT, _MOST_POWERS, _LONG_NUMBER = 40, 2, re.compile(r"\d\d|\d\s*\*\*|\^")


# Pieces of a compound unit, printed
_PRINTED = {
    "**2": "²",
    "**3": "³",
    "*": "·",
    "delta_degC": "°C",
    "kelvin": "K",
    "uS": "µS",
    "ug": "µg",
    "percent": "%",
    "brix": "°Brix",
    "minute": "min",
    "second": "s",
    "hour": "h",
    "day": "d",
}
_PLAIN = re.compile(r"\*\*[23]|\*|\b(" + "|".join(name for name in _PRINTED if name[0].isalpha()) + r")\b")


class UnitError(ValueError):
    """A unit nobody knows, or of the wrong dimension; the text says which and what would do."""


@cache
def registry() -> pint.UnitRegistry[float]:
    """The one registry, with our aliases (about 0.1 s to build, so only when first needed)."""
    units: pint.UnitRegistry[float] = pint.UnitRegistry()
    for line in _ALIASES:
        units.define(line)
    return units


@dataclass(frozen=True, slots=True)
class Scale:
    """From one unit to another: `canonical = factor * received + offset`."""

    factor: float
    offset: float

    def apply(self, value: float) -> float:
        return self.factor * value + self.offset


def parse_unit(text: str) -> pint.Unit:
    """The unit a text names.

    Raises: UnitError, naming the text, when pint and our aliases do not know it.
    """
    plain = text.strip().removesuffix("as CaCO3").strip().replace("^", "**")
    name = _SPELLINGS.get(plain, plain)
    # pint reckons out what stands in a unit: "m**9**9**9" would keep it busy for good
    if len(name) > _LONGEST_UNIT or name.count("**") > _MOST_POWERS or _LONG_NUMBER.search(name):
        raise UnitError(f'unit "{text}" is not known')
    try:
        return registry().Unit(name)
    except Exception as error:  # pint's parser raises anything from token errors to AttributeError
        raise UnitError(f'unit "{text}" is not known') from error


@lru_cache(maxsize=1024)
def scale_between(unit: str, target: str) -> Scale:
    """Factor and offset from one unit to another of the same dimension.

    Raises: UnitError when the dimensions differ or a unit is unknown.
    """
    source, wanted = parse_unit(unit), parse_unit(target)
    if source.dimensionality != wanted.dimensionality:
        raise UnitError(f'unit "{unit}" cannot be turned into {shown_unit(target)}')
    try:
        at_zero, at_one, at_thousand = (_converted(value, source, wanted) for value in (0.0, 1.0, 1000.0))
    except (pint.PintError, ArithmeticError, ValueError) as error:
        raise UnitError(f'unit "{unit}" cannot be turned into {shown_unit(target)}') from error
    # The difference of two converted values carries rounding of the offset (273.15); a difference of
    # 1000 keeps it at 1e-13 of the factor.
    factor = at_one if at_zero == 0.0 else (at_thousand - at_zero) / 1000.0
    straight = math.isclose(factor + at_zero, at_one, rel_tol=1e-6)
    if not (straight and math.isclose(factor * 1000.0 + at_zero, at_thousand, rel_tol=1e-6)):  # decibel
        raise UnitError(f'unit "{unit}" cannot be turned into {shown_unit(target)}')
    return Scale(factor, at_zero)


def _converted(value: float, source: pint.Unit, wanted: pint.Unit) -> float:
    return float(registry().Quantity(value, source).to(wanted).magnitude)


def to_canonical(unit: str, quantity: str) -> Scale:
    """From an instrument's unit to the canonical unit of its quantity.

    Raises: UnitError naming the quantity's own unit when the unit does not fit.
    """
    canonical = QUANTITIES[quantity].unit
    try:
        return scale_between(unit, canonical)
    except UnitError as error:
        examples = ", ".join(unit_examples(quantity))
        raise UnitError(f"{error}; {quantity} is written in {examples}") from error


def unit_examples(quantity: str) -> tuple[str, ...]:
    """Units a person may write for a quantity, the canonical one first."""
    return (QUANTITIES[quantity].unit, *_ALSO_WRITTEN.get(quantity, ()))


def split_measure(text: str) -> tuple[float, str]:
    """`"20 uS/cm"` as `(20.0, "uS/cm")`; `"2 %"` as `(2.0, "%")`.

    Raises: UnitError when there is no number, or no unit.
    """
    stripped = text.strip()
    if _DECIMAL_COMMA.match(stripped):
        raise UnitError(f'"{text}" has a comma; the decimal sign is a point')
    end = len(stripped)
    for position, character in enumerate(stripped):
        if not (character.isdigit() or character in "+-.eE") or (
            character in "eE" and not stripped[position + 1 : position + 2].strip("+-").isdigit()
        ):
            end = position
            break
    number, unit = stripped[:end].strip(), stripped[end:].strip()
    try:
        value = float(number)
    except ValueError:
        raise UnitError(f'"{text}" does not begin with a number') from None
    if not math.isfinite(value):
        raise UnitError(f'"{text}" is too large a number')
    if not unit:
        raise UnitError(f'"{text}" has no unit')
    return value, unit


def shown_unit(unit: str) -> str:
    """A unit as a person reads it."""
    if unit in _SHOWN:
        return _SHOWN[unit]
    return _PLAIN.sub(lambda found: _PRINTED[found.group()], unit)


def shown(value: float, quantity: str, *, decimals: int | None = None) -> str:
    """A canonical value with its unit, at the quantity's usual number of decimals."""
    known = QUANTITIES[quantity]
    unit = shown_unit(known.unit)
    text = f"{value:.{known.decimals if decimals is None else decimals}f}"
    return f"{text} {unit}".rstrip()
