"""What a value might be, by the name and the unit it comes with: a guess that a person checks."""

from __future__ import annotations

import re
from dataclasses import dataclass

# Units as they are printed on instruments or sent by gateways: ours, and the quantity.
_UNITS: dict[str, tuple[str, str]] = {
    "us/cm": ("uS/cm", "conductivity"),
    "µs/cm": ("uS/cm", "conductivity"),
    "μs/cm": ("uS/cm", "conductivity"),
    "ms/cm": ("mS/cm", "conductivity"),
    "s/m": ("S/m", "conductivity"),
    "mohm*cm": ("Mohm*cm", "resistivity"),
    "mohm.cm": ("Mohm*cm", "resistivity"),
    "mω·cm": ("Mohm*cm", "resistivity"),
    "ppm": ("ppm", "tds"),
    "mg/l": ("mg/L", "tds"),
    "cel": ("degC", "temperature"),
    "c": ("degC", "temperature"),
    "°c": ("degC", "temperature"),
    "degc": ("degC", "temperature"),
    "f": ("degF", "temperature"),
    "°f": ("degF", "temperature"),
    "degf": ("degF", "temperature"),
    "l/min": ("L/min", "flow"),
    "lpm": ("L/min", "flow"),
    "l/h": ("L/h", "flow"),
    "l/s": ("L/s", "flow"),
    "m3/h": ("m3/h", "flow"),
    "m³/h": ("m3/h", "flow"),
    "gpm": ("gpm", "flow"),
    "l": ("L", "volume"),
    "m3": ("m3", "volume"),
    "m³": ("m3", "volume"),
    "gal": ("gal", "volume"),
    "mm": ("mm", "level"),
    "cm": ("cm", "level"),
    "m": ("m", "level"),
    "bar": ("bar", "pressure"),
    "mbar": ("mbar", "pressure"),
    "hpa": ("mbar", "pressure"),
    "kpa": ("kPa", "pressure"),
    "psi": ("psi", "pressure"),
    "ph": ("pH", "ph"),
    "ntu": ("NTU", "turbidity"),
    "fnu": ("FNU", "turbidity"),
    "brix": ("brix", "concentration"),
    "°brix": ("brix", "concentration"),
    "%": ("percent", "fraction"),
    "/100": ("percent", "fraction"),
}

# Words in names, and the quantity and unit they most likely mean.
_WORDS: dict[str, tuple[str, str]] = {
    "ec": ("uS/cm", "conductivity"),
    "cond": ("uS/cm", "conductivity"),
    "conductivity": ("uS/cm", "conductivity"),
    "conductance": ("uS/cm", "conductivity"),
    "resistivity": ("Mohm*cm", "resistivity"),
    "tds": ("ppm", "tds"),
    "temp": ("degC", "temperature"),
    "temperature": ("degC", "temperature"),
    "t": ("degC", "temperature"),
    "flow": ("L/min", "flow"),
    "volume": ("L", "volume"),
    "total": ("L", "volume"),
    "litres": ("L", "volume"),
    "level": ("mm", "level"),
    "pressure": ("bar", "pressure"),
    "ph": ("pH", "ph"),
    "turbidity": ("NTU", "turbidity"),
    "brix": ("brix", "concentration"),
    "run": ("1", "contact"),
    "running": ("1", "contact"),
    "on": ("1", "contact"),
    "leak": ("1", "contact"),
    "float": ("1", "contact"),
    "pump": ("1", "contact"),
}

# A range to begin with, in the unit guessed, each wide enough for what came.
_RANGES: dict[str, tuple[float, ...]] = {
    "uS/cm": (200, 2000, 20_000, 200_000),
    "mS/cm": (2, 20, 200),
    "S/m": (0.2, 2, 20),
    "ppm": (999, 9999, 99_999),
    "mg/L": (999, 9999, 99_999),
    "degC": (60, 150),
    "degF": (150, 300),
    "bar": (16, 100),
    "pH": (14,),
    "percent": (100,),
    "1": (1,),
}
_DECADES = (10, 100, 1000, 10_000, 100_000, 1_000_000, 1e9, 1e12)


@dataclass(frozen=True, slots=True)
class Likely:
    """A quantity and its unit as a site file writes them; both empty when nobody knows."""

    quantity: str = ""
    unit: str = ""


def likely(name: str, unit: str = "", *, contact: bool = False) -> Likely:
    """What a value of this name, with this unit behind it if any, most likely is.

    >>> likely("feed/EC"), likely("batteryVoltage")
    (Likely(quantity='conductivity', unit='uS/cm'), Likely(quantity='', unit=''))
    """
    if contact:
        return Likely("contact", "1")
    by_unit = _UNITS.get(unit.strip().lower())
    if by_unit is not None:
        return Likely(by_unit[1], by_unit[0])
    if unit.strip():
        return Likely()
    for word in reversed(_words(name)):  # the last one says what it is: feed/temp, ro.flow
        if word in _WORDS:
            return Likely(_WORDS[word][1], _WORDS[word][0])
    return Likely()


def _words(name: str) -> list[str]:
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    whole = re.findall(r"[a-z]+", name.lower())[-1:]  # pH is one word
    return [*re.findall(r"[a-z]+", apart.lower()), *whole]


def range_for(unit: str, highest: float) -> tuple[float, float]:
    """A range that holds a value, to begin with; the instrument's sheet knows better."""
    for end in (*_RANGES.get(unit, ()), *_DECADES):
        if abs(highest) <= end:
            return (-end if highest < 0 and unit != "1" else 0), end
    return 0, abs(highest) * 2


def resolution_of(texts: list[str]) -> float:
    """The smallest step a value was written in: 0.1 of `12.3`."""
    decimals = [len(re.split(r"[.,]", text)[1]) for text in texts if re.fullmatch(r"[^.,]*[.,]\d+", text)]
    return 10.0 ** -min(max(decimals, default=0), 6)
