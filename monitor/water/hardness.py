"""Hardness and alkalinity: one amount under many names.

Always "as CaCO3" inside, and always with the name of the scale when shown. Hardness cannot be read from
conductivity: a softener swaps ions one for one and the probe hardly moves.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from monitor.water.errors import OutOfRange, within

__all__ = [
    "hardness_class",
    "hardness_from_ca_mg_mg_l",
    "hardness_in_mg_l",
    "hardness_units",
]

HardnessUnit = Literal["mg/L as CaCO3", "gpg", "dH", "fH", "Clark", "meq/L", "mmol/L"]

HIGHEST_MG_L = 20_000.0

# mg/L as CaCO3 in one of each
GPG = 64.79891 / 3.785411784  # grains per US gallon
DH = 17.848  # 10 mg CaO per L
FH = 10.0
CLARK = 64.79891 / 4.54609  # grains per imperial gallon
MEQ_L = 50.043  # equivalent weight of CaCO3: 50, not 100
MMOL_L = 100.087

_PER_UNIT: dict[str, float] = {
    "mg/L as CaCO3": 1.0,
    "gpg": GPG,
    "dH": DH,
    "fH": FH,
    "Clark": CLARK,
    "meq/L": MEQ_L,
    "mmol/L": MMOL_L,
}


class HardnessUnits(NamedTuple):
    """One hardness in every unit of the trade."""

    hardness_mg_l: float
    hardness_gpg: float
    hardness_dh: float
    hardness_fh: float
    hardness_clark: float
    hardness_meq_l: float
    hardness_mmol_l: float


def hardness_in_mg_l(value: float, unit: HardnessUnit) -> float:
    """Hardness or alkalinity, as CaCO3, from any unit of the trade.

    Equation: 1 gpg = 17.118, 1 dH = 17.848, 1 fH = 10, 1 Clark = 14.254, 1 meq/L = 50.043, 1 mmol/L =
        100.087 mg/L
    Range: 0 to 20000 mg/L as CaCO3
    Raises: OutOfRange when the result is outside or the unit unknown
    Source: definitions (grain 64.79891 mg, US gallon 3.785411784 L, dH 10 mg CaO/L)
    Not for: mg/L of calcium itself
    Example:
        >>> round(hardness_in_mg_l(20, "gpg"), 2)
        342.36
    """
    if unit not in _PER_UNIT:
        raise OutOfRange("unit", unit, "one of " + ", ".join(_PER_UNIT))
    return within("value", value, 0.0, HIGHEST_MG_L / _PER_UNIT[unit], unit) * _PER_UNIT[unit]


def hardness_units(hardness_mg_l: float) -> HardnessUnits:
    """Hardness or alkalinity in every unit of the trade at once.

    Equation: as hardness_in_mg_l, the other way
    Range: 0 to 20000 mg/L as CaCO3
    Raises: OutOfRange when the input is outside
    Source: definitions
    Not for: mg/L of calcium itself
    Example:
        >>> units = hardness_units(342)
        >>> round(units.hardness_gpg, 3), round(units.hardness_dh, 3), round(units.hardness_meq_l, 3)
        (19.979, 19.162, 6.834)
    """
    mass = within("hardness_mg_l", hardness_mg_l, 0.0, HIGHEST_MG_L, "mg/L as CaCO3")
    return HardnessUnits(*(mass / size for size in _PER_UNIT.values()))


def hardness_from_ca_mg_mg_l(ca_mg_l: float, mg_mg_l: float) -> float:
    """Hardness, as CaCO3, from calcium and magnesium.

    Equation: H = 2.497 Ca + 4.118 Mg, each in mg/L of the metal
    Range: each 0 to 5000 mg/L
    Raises: OutOfRange when an input is outside
    Source: Standard Methods 2340 B form (read on secondary pages)
    Not for: iron, strontium or barium, which count in few waters
    Example:
        >>> round(hardness_from_ca_mg_mg_l(50, 10), 2)
        166.03
    """
    calcium = within("ca_mg_l", ca_mg_l, 0.0, 5000.0, "mg/L")
    return 2.497 * calcium + 4.118 * within("mg_mg_l", mg_mg_l, 0.0, 5000.0, "mg/L")


class HardnessClass(NamedTuple):
    """A word for a hardness, and the scale it belongs to: never one without the other."""

    name: str
    scale: str


_CLASSES: dict[str, tuple[tuple[float, str], ...]] = {
    "usgs": ((60.0, "soft"), (120.0, "moderately hard"), (180.0, "hard"), (HIGHEST_MG_L, "very hard")),
    "five-band": (
        (1.0 * GPG, "soft"),
        (3.5 * GPG, "slightly hard"),
        (7.0 * GPG, "moderately hard"),
        (10.5 * GPG, "hard"),
        (HIGHEST_MG_L, "very hard"),
    ),
}


def hardness_class(hardness_mg_l: float, scale: Literal["usgs", "five-band"] = "usgs") -> HardnessClass:
    """Word for a hardness on a named scale.

    Equation: usgs: up to 60 soft, 120 moderately hard, 180 hard, above very hard (mg/L); five-band: below 1
        soft, to 3.5 slightly hard, to 7 moderately hard, to 10.5 hard, above very hard (gpg)
    Range: 0 to 20000 mg/L as CaCO3
    Raises: OutOfRange when the input is outside
    Source: USGS bands (restated by secondary pages); five bands: common trade practice, their words from
        memory
    Assumes: the USGS scale unless named
    Not for: deciding anything: the number decides
    Example:
        >>> hardness_class(342).name
        'very hard'
    """
    mass = within("hardness_mg_l", hardness_mg_l, 0.0, HIGHEST_MG_L, "mg/L as CaCO3")
    if scale not in _CLASSES:
        raise OutOfRange("scale", scale, "usgs or five-band")
    name = next(word for limit, word in _CLASSES[scale] if mass <= limit)
    return HardnessClass(name, scale)
