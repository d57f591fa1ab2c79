"""Will calcium carbonate come out? The Langelier index of a water, and of an RO's concentrate as it runs.

The index needs hardness, alkalinity and pH from tests. It cannot be had from conductivity: when a softener
stops, the concentrate turns from harmless to strongly scaling while its conductivity hardly moves.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from monitor.water.carbonate import (
    CACO3_MG_EQ,
    activity_coefficient,
    co2_from_alkalinity_mg_l,
    ionic_strength_from_tds_mol_l,
    ph_from_alkalinity_co2,
    pk2_carbonic,
)
from monitor.water.errors import OutOfRange, positive, within
from monitor.water.osmosis import ro_concentration_factor

__all__ = [
    "ConcentrateIndex",
    "SaturationIndex",
    "langelier_carrier",
    "langelier_factor_table",
    "langelier_of_concentrate",
    "langelier_sm2330",
    "pks_calcite",
]

Form = Literal["Carrier", "SM 2330B"]
CACO3_MG_MOL = 2.0 * CACO3_MG_EQ


class SaturationIndex(NamedTuple):
    """A Langelier index, the pH at which it would be zero, and the form it was computed by."""

    langelier_index: float
    saturation_ph: float
    form: str


class ConcentrateIndex(NamedTuple):
    """Langelier index of feed and concentrate, and what the concentrate was taken to be."""

    feed_index: float
    concentrate_index: float
    concentrate_ph: float
    concentrate_calcium_hardness_mg_l: float
    concentrate_alkalinity_mg_l: float
    form: str


def langelier_carrier(
    ph: float,
    calcium_hardness_mg_l: float,
    alkalinity_mg_l: float,
    tds_mg_l: float,
    temperature_c: float = 25.0,
) -> SaturationIndex:
    """Langelier index by the Carrier form, the one printed on most worksheets.

    Equation: LSI = pH - pHs; pHs = 9.3 + A + B - C - D; A = (log10 TDS - 1)/10;
        B = -13.12 log10(T + 273) + 34.55; C = log10(calcium hardness) - 0.4; D = log10(alkalinity)
    Range: pH 4 to 12; calcium hardness and alkalinity above 0 to 5000 mg/L as CaCO3; TDS 10 to 20,000 mg/L;
        0 to 95 °C
    Raises: OutOfRange
    Source: Carrier worksheet with a printed example (pH 7.5, TDS 320, Ca 150, alkalinity 34: -0.7 at 25 °C,
        +0.3 at 82 °C). A common copy omits the -0.4 in C, and every result is then 0.4 too high
    Assumes: alkalinity is bicarbonate
    Not for: comparison with the SM 2330B form: this one reads 0.13 to 0.33 lower at 15 to 25 °C
    Example:
        >>> langelier_carrier(7.5, 150, 34, 320).langelier_index.__round__(2)
        -0.73
    """
    solids = within("tds_mg_l", tds_mg_l, 10.0, 20_000.0, "mg/L")
    warm = within("temperature_c", temperature_c, 0.0, 95.0, "°C")
    a = (math.log10(solids) - 1.0) / 10.0
    b = -13.12 * math.log10(warm + 273.0) + 34.55
    c = math.log10(_hardness(calcium_hardness_mg_l)) - 0.4
    d = math.log10(_alkalinity(alkalinity_mg_l))
    saturation = 9.3 + a + b - c - d
    return SaturationIndex(_ph(ph) - saturation, saturation, "Carrier")


def langelier_sm2330(
    ph: float,
    calcium_hardness_mg_l: float,
    alkalinity_mg_l: float,
    tds_mg_l: float,
    temperature_c: float = 25.0,
    ionic_strength_mol_l: float | None = None,
) -> SaturationIndex:
    """Langelier index by the form of Standard Methods 2330 B, near what a geochemical engine gives.

    Equation: pHs = pK2 - pKs + pCa + pHCO3 + 5 pfm; pfm = -log10 of the Davies coefficient at I;
        I = TDS/40000 unless given
    Range: as `langelier_carrier`; 0 to 90 °C
    Raises: OutOfRange
    Source: Standard Methods 2330 B form (secondary pages); pK2 and pKs of phreeqc.dat. Agrees with the
        calcite index of PHREEQC to 0.02 for two tap waters at 15 and 25 °C
    Assumes: alkalinity is bicarbonate; ionic strength from TDS unless given
    Not for: water with phosphate or antiscalant, which hold scale back above an index of 0
    Example:
        >>> langelier_sm2330(7.4, 249.7, 260, 606.5).langelier_index.__round__(2)
        0.4
    """
    warm = within("temperature_c", temperature_c, 0.0, 90.0, "°C")
    solids = within("tds_mg_l", tds_mg_l, 0.0, 20_000.0, "mg/L")
    given = ionic_strength_mol_l
    strength = ionic_strength_from_tds_mol_l(solids) if given is None else given
    pfm = -math.log10(activity_coefficient(strength, warm))
    calcium = -math.log10(_hardness(calcium_hardness_mg_l) / CACO3_MG_MOL / 1000.0)
    bicarbonate = -math.log10(_alkalinity(alkalinity_mg_l) / CACO3_MG_EQ / 1000.0)
    saturation = pk2_carbonic(warm) - pks_calcite(warm) + calcium + bicarbonate + 5.0 * pfm
    return SaturationIndex(_ph(ph) - saturation, saturation, "SM 2330B")


def pks_calcite(temperature_c: float) -> float:
    """Solubility product of calcite, as pKs.

    Equation: log10 Ks = -171.9065 - 0.077993 T + 2839.319/T + 71.595 log10 T, T in kelvin
    Range: 0 to 90 °C
    Raises: OutOfRange
    Source: Plummer and Busenberg 1982, as in phreeqc.dat
    Not for: aragonite or freshly formed scale, both more soluble
    Example:
        >>> round(pks_calcite(25), 2)
        8.48
    """
    kelvin = within("temperature_c", temperature_c, 0.0, 90.0, "°C") + 273.15
    return 171.9065 + 0.077993 * kelvin - 2839.319 / kelvin - 71.595 * math.log10(kelvin)


def langelier_factor_table(
    ph: float,
    temperature_factor: float,
    calcium_factor: float,
    alkalinity_factor: float,
    solids_constant: float = 12.1,
) -> SaturationIndex:
    """Langelier index from the rounded factors of a pool table.

    Equation: LSI = pH + TF + CF + AF - constant
    Range: pH 4 to 12; TF 0 to 1.5; CF 0 to 3.5; AF 0 to 3.5; constant 11 to 13
    Raises: OutOfRange
    Source: pool operators' tables; examples printed -0.9 and +1.1
    Assumes: constant 12.1, for low dissolved solids
    Not for: RO concentrate
    Example:
        >>> langelier_factor_table(7.0, 0.6, 1.9, 1.7).langelier_index.__round__(1)
        -0.9
    """
    factors = (
        within("temperature_factor", temperature_factor, 0.0, 1.5)
        + within("calcium_factor", calcium_factor, 0.0, 3.5)
        + within("alkalinity_factor", alkalinity_factor, 0.0, 3.5)
    )
    saturation = within("solids_constant", solids_constant, 11.0, 13.0) - factors
    return SaturationIndex(_ph(ph) - saturation, saturation, "factor table")


def langelier_of_concentrate(
    ph: float,
    calcium_hardness_mg_l: float,
    alkalinity_mg_l: float,
    tds_mg_l: float,
    recovery_pct: float,
    temperature_c: float = 25.0,
    form: Form = "SM 2330B",
) -> ConcentrateIndex:
    """Langelier index of an RO's feed and of its concentrate at the running recovery.

    Equation: hardness, alkalinity and TDS times 1/(1-Y), CO2 unchanged, the pH that follows; then the form
    Range: as the form, for feed and concentrate; recovery 0 to 95 %; 0 to 50 °C
    Raises: OutOfRange
    Source: as the forms. Within 0.1 of PHREEQC to 75 % recovery (its ion pairs are not counted here)
    Assumes: no salt passes; CO2 passes freely; the SM 2330B form unless another is named
    Not for: a dosed feed; sulfate or silica scale
    Example:
        >>> hard = langelier_of_concentrate(7.4, 249.7, 260, 606.5, recovery_pct=60)
        >>> soft = langelier_of_concentrate(7.4, 5.0, 260, 650, recovery_pct=60)
        >>> round(hard.concentrate_index, 1), round(soft.concentrate_index, 1)
        (1.4, -0.3)
    """
    warm = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    times = ro_concentration_factor(within("recovery_pct", recovery_pct, 0.0, 95.0, "%"))
    strength = ionic_strength_from_tds_mol_l(tds_mg_l)
    co2 = co2_from_alkalinity_mg_l(_alkalinity(alkalinity_mg_l), _ph(ph), warm, strength)
    ph_after = ph_from_alkalinity_co2(times * alkalinity_mg_l, co2, warm, times * strength)
    if form not in ("Carrier", "SM 2330B"):
        raise OutOfRange("form", form, "Carrier or SM 2330B")
    compute = langelier_carrier if form == "Carrier" else langelier_sm2330
    calcium, alkalinity = times * calcium_hardness_mg_l, times * alkalinity_mg_l
    feed = compute(ph, calcium_hardness_mg_l, alkalinity_mg_l, tds_mg_l, warm)
    concentrate = compute(ph_after, calcium, alkalinity, times * tds_mg_l, warm)
    return ConcentrateIndex(
        feed.langelier_index, concentrate.langelier_index, ph_after, calcium, alkalinity, feed.form
    )


def _ph(ph: float) -> float:
    return within("ph", ph, 4.0, 12.0)


def _hardness(calcium_hardness_mg_l: float) -> float:
    return positive("calcium_hardness_mg_l", calcium_hardness_mg_l, 5000.0, "mg/L as CaCO3")


def _alkalinity(alkalinity_mg_l: float) -> float:
    return positive("alkalinity_mg_l", alkalinity_mg_l, 5000.0, "mg/L as CaCO3")
