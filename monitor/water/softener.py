"""A softener: capacity, volume and days to the next regeneration, salt, sodium.

Nothing here takes a conductivity: each calcium or magnesium is replaced by two sodium, equivalents are
conserved, and conductivity moves by less than a source water does from day to day, in a direction that
even the models do not agree on. Hardness is measured by a hardness test or not at all.

Cautions: brine is corrosive and its discharge is regulated in many places (local code); softened water holds
sodium and is not for people on a low-sodium diet.
"""

from __future__ import annotations

from monitor.water.carbonate import CACO3_MG_EQ
from monitor.water.errors import OutOfRange, positive, within

__all__ = [
    "brine_volume_for_hardness_l",
    "hard_water_volume_from_brine_l",
    "hardness_from_brine_mg_l",
    "iron_corrected_hardness_mg_l",
    "resin_capacity_eq_l",
    "resin_capacity_g_l",
    "sodium_added_mg_l",
    "softener_capacity_eq",
    "softener_capacity_g",
    "softener_litres_left_l",
    "softener_litres_to_regeneration_l",
    "softener_salt_efficiency_g_g",
    "softener_salt_per_period_kg",
    "softener_salt_stoichiometric_g",
    "softener_salt_stoichiometric_g_l",
    "softener_time_to_regeneration_d",
    "total_dissolved_change_by_softening_pct",
]

CACO3_G_EQ = CACO3_MG_EQ  # g/eq as mg/meq
NACL_G_EQ = 58.443
NA_G_EQ = 22.98977
NACL_PER_CACO3 = NACL_G_EQ / CACO3_G_EQ
CA_G_EQ = 40.078 / 2
MG_G_EQ = 24.305 / 2

MOST_HARDNESS_MG_L = 5000.0
MOST_CAPACITY_G_L = 130.0


def softener_capacity_g(resin_l: float, capacity_g_l: float) -> float:
    """Hardness, as CaCO3, that a softener takes up between regenerations.

    Equation: G = V q
    Range: resin above 0 L; capacity above 0 and at most 130 g CaCO3 per L of resin (2.6 eq/L)
    Raises: OutOfRange
    Source: common practice: q is set by the salt dose, see `softener_salt_efficiency_g_g`
    Assumes: the capacity of the salt dose in use, not the resin's total
    Not for: knowing whether the resin still has that capacity; only a hardness test at the end of a run tells
    Example:
        >>> round(softener_capacity_g(resin_l=169.9, capacity_g_l=68.65))
        11664
    """
    return _resin(resin_l) * _capacity(capacity_g_l)


def softener_capacity_eq(resin_l: float, capacity_g_l: float) -> float:
    """The same capacity in equivalents.

    Equation: n = V q / 50.0435
    Range: as `softener_capacity_g`
    Raises: OutOfRange
    Source: equivalent weight of CaCO3 (half its molar mass; 100 g/eq is a published mistake)
    Assumes: as `softener_capacity_g`
    Not for: as `softener_capacity_g`
    Example:
        >>> round(softener_capacity_eq(resin_l=42.475, capacity_g_l=68.65), 1)
        58.3
    """
    return softener_capacity_g(resin_l, capacity_g_l) / CACO3_G_EQ


def resin_capacity_eq_l(capacity_g_l: float) -> float:
    """Resin capacity in equivalents per litre from grams of CaCO3 per litre.

    Equation: eq/L = g/L / 50.0435 (1 kilograin per cubic foot is 2.288 g/L is 0.04573 eq/L)
    Range: above 0 and at most 130 g/L
    Raises: OutOfRange
    Source: equivalent weight of CaCO3
    Assumes: the capacity is given as CaCO3
    Not for: capacity given as CaO or per gram of dry resin
    Example:
        >>> round(resin_capacity_eq_l(68.65), 3)
        1.372
    """
    return _capacity(capacity_g_l) / CACO3_G_EQ


def resin_capacity_g_l(capacity_eq_l: float) -> float:
    """Resin capacity in grams of CaCO3 per litre from equivalents per litre.

    Equation: g/L = eq/L x 50.0435
    Range: above 0 and at most 2.6 eq/L
    Raises: OutOfRange
    Source: equivalent weight of CaCO3
    Assumes: nothing
    Not for: capacity per gram of dry resin
    Example:
        >>> round(resin_capacity_g_l(0.5), 2)
        25.02
    """
    return positive("capacity_eq_l", capacity_eq_l, MOST_CAPACITY_G_L / CACO3_G_EQ, "eq/L") * CACO3_G_EQ


def softener_litres_to_regeneration_l(
    resin_l: float, capacity_g_l: float, hardness_mg_l: float, reserve_fraction: float = 0.0
) -> float:
    """Water a freshly regenerated softener can soften.

    Equation: L = V q (1 - reserve) x 1000 / H
    Range: resin above 0 L; capacity to 130 g/L; hardness above 0 and at most 5000 mg/L as CaCO3;
        reserve 0 to 0.9
    Raises: OutOfRange
    Source: common practice
    Assumes: hardness of the feed stays; no iron (see `iron_corrected_hardness_mg_l`)
    Not for: detecting hardness in the effluent, nor anything a conductivity reading could tell
    Example:
        >>> round(softener_litres_to_regeneration_l(resin_l=42.475, capacity_g_l=68.65, hardness_mg_l=257))
        11346
    """
    usable = softener_capacity_g(resin_l, capacity_g_l) * (1.0 - _reserve(reserve_fraction))
    return usable * 1000.0 / _hardness(hardness_mg_l)


def softener_litres_left_l(
    resin_l: float,
    capacity_g_l: float,
    hardness_mg_l: float,
    litres_since_regeneration_l: float,
    reserve_fraction: float = 0.0,
) -> float:
    """Water the softener can still soften; 0 once the run is used up.

    Equation: left = L - V_since, not below 0
    Range: as `softener_litres_to_regeneration_l`; litres since at least 0
    Raises: OutOfRange
    Source: common practice
    Assumes: a full regeneration at the start of the count
    Not for: telling that hardness passes; after 0 test the hardness
    Example:
        >>> round(softener_litres_left_l(42.475, 68.65, hardness_mg_l=257, litres_since_regeneration_l=9000))
        2346
    """
    used = within("litres_since_regeneration_l", litres_since_regeneration_l, 0.0, unit="L")
    whole = softener_litres_to_regeneration_l(resin_l, capacity_g_l, hardness_mg_l, reserve_fraction)
    return max(0.0, whole - used)


def softener_time_to_regeneration_d(
    capacity_g: float, hardness_mg_l: float, use_l_d: float, reserve_fraction: float = 0.0
) -> float:
    """Days a softener lasts between regenerations at the shop's use.

    Equation: days = G (1 - reserve) x 1000 / (H Q)
    Range: capacity above 0 g CaCO3; hardness above 0 and at most 5000 mg/L; use above 0 L/d;
        reserve 0 to 0.9
    Raises: OutOfRange
    Source: common practice
    Assumes: the same use every day
    Not for: a shop whose weekend differs; count litres instead
    Example:
        >>> round(softener_time_to_regeneration_d(1295.98, hardness_mg_l=256.77, use_l_d=1514.2), 2)
        3.33
    """
    usable = positive("capacity_g", capacity_g, unit="g CaCO3") * (1.0 - _reserve(reserve_fraction))
    return usable * 1000.0 / (_hardness(hardness_mg_l) * positive("use_l_d", use_l_d, unit="L/d"))


def softener_salt_per_period_kg(
    period_d: float, between_regenerations_d: float, salt_per_regeneration_kg: float
) -> float:
    """Salt used in a period, regenerating whenever the capacity is used.

    Equation: kg = period / between_regenerations_d x salt
    Range: everything above 0
    Raises: OutOfRange
    Source: common practice
    Assumes: regeneration by volume, at no reserve; a timer uses more
    Not for: a timer that regenerates whether water was used or not
    Example:
        >>> round(softener_salt_per_period_kg(30, 10 / 3, salt_per_regeneration_kg=2.722), 1)
        24.5
    """
    cycles = positive("period_d", period_d, unit="d") / positive(
        "between_regenerations_d", between_regenerations_d, unit="days"
    )
    return cycles * positive("salt_per_regeneration_kg", salt_per_regeneration_kg, unit="kg")


def softener_salt_efficiency_g_g(capacity_g_l: float, salt_g_l: float) -> float:
    """Hardness removed, as CaCO3, per mass of salt.

    Equation: e = q / dose
    Range: capacity to 130 g CaCO3/L; dose above 0 g/L and not below what stoichiometry needs
    Raises: OutOfRange, also for an efficiency above 0.8563 g/g (5994 grains per lb), which no salt gives
    Source: common practice: 96 g/L (6 lb/ft3) gives about 46 g/L, 128 gives 55, 240 gives 69
    Assumes: dose and capacity belong together
    Not for: comparing beds of different resin
    Example:
        >>> round(softener_salt_efficiency_g_g(capacity_g_l=54.92, salt_g_l=128.15), 4)
        0.4286
    """
    efficiency = _capacity(capacity_g_l) / positive("salt_g_l", salt_g_l, unit="g/L")
    if efficiency > CACO3_G_EQ / NACL_G_EQ:
        least = softener_salt_stoichiometric_g_l(capacity_g_l)
        raise OutOfRange("salt_g_l", salt_g_l, f"at least {least:.4g} g/L", "the stoichiometric dose")
    return efficiency


def softener_salt_stoichiometric_g_l(capacity_g_l: float) -> float:
    """The least salt per litre of resin that could restore a capacity; real doses are two to three times it.

    Equation: dose = q x 58.443 / 50.0435
    Range: capacity above 0 and at most 130 g CaCO3/L
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: sodium chloride, wholly used
    Not for: setting a regeneration
    Example:
        >>> round(softener_salt_stoichiometric_g_l(99.96), 1)
        116.7
    """
    return _capacity(capacity_g_l) * NACL_G_EQ / CACO3_G_EQ


def softener_salt_stoichiometric_g(capacity_g: float) -> float:
    """The least salt that could restore a capacity.

    Equation: m = G x 58.443 / 50.0435
    Range: capacity above 0 g CaCO3
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: sodium chloride, wholly used
    Not for: setting a regeneration
    Example:
        >>> round(softener_salt_stoichiometric_g(1943.97))
        2270
    """
    return positive("capacity_g", capacity_g, unit="g CaCO3") * NACL_G_EQ / CACO3_G_EQ


def hardness_from_brine_mg_l(
    brine_l: float, brine_g_l: float, hard_water_l: float, nacl_per_caco3: float = NACL_PER_CACO3
) -> float:
    """Hardness of a water from the brine that regenerated the bed it had exhausted.

    Equation: H = brine c x 1000 / (r V), r the mass of NaCl per mass of CaCO3
    Range: volumes above 0 L; brine above 0 and at most 360 g/L (saturated)
    Raises: OutOfRange
    Source: stoichiometry; textbook examples use r = 58.5/50
    Assumes: the brine was just enough. In practice it is two to three times that, so the answer is a ceiling
    Not for: measuring hardness
    Example:
        >>> round(hardness_from_brine_mg_l(8, brine_g_l=150, hard_water_l=10000, nacl_per_caco3=58.5 / 50), 1)
        102.6
    """
    salt = _volume("brine_l", brine_l) * _brine(brine_g_l)
    return salt * 1000.0 / (_ratio(nacl_per_caco3) * _volume("hard_water_l", hard_water_l))


def brine_volume_for_hardness_l(
    brine_g_l: float, hard_water_l: float, hardness_mg_l: float, nacl_per_caco3: float = NACL_PER_CACO3
) -> float:
    """The least brine that could regenerate a bed after a volume of hard water.

    Equation: brine = H V r / (1000 c)
    Range: as `hardness_from_brine_mg_l`; hardness above 0 and at most 5000 mg/L as CaCO3
    Raises: OutOfRange
    Source: stoichiometry; textbook examples use r = 58.5/50
    Assumes: brine wholly used
    Not for: setting a regeneration
    Example:
        >>> brine_volume_for_hardness_l(100, hard_water_l=5000, hardness_mg_l=250, nacl_per_caco3=58.5 / 50)
        14.625
    """
    salt_g = (
        _hardness(hardness_mg_l) * _volume("hard_water_l", hard_water_l) * _ratio(nacl_per_caco3) / 1000.0
    )
    return salt_g / _brine(brine_g_l)


def hard_water_volume_from_brine_l(
    brine_l: float, brine_g_l: float, hardness_mg_l: float, nacl_per_caco3: float = NACL_PER_CACO3
) -> float:
    """The most water of a hardness that a brine could have paid for.

    Equation: V = 1000 brine c / (r H)
    Range: as `brine_volume_for_hardness_l`
    Raises: OutOfRange
    Source: stoichiometry
    Assumes: brine wholly used
    Not for: setting a regeneration
    Example:
        >>> round(hard_water_volume_from_brine_l(20, brine_g_l=120, hardness_mg_l=300))
        6850
    """
    salt = _volume("brine_l", brine_l) * _brine(brine_g_l)
    return salt * 1000.0 / (_ratio(nacl_per_caco3) * _hardness(hardness_mg_l))


def sodium_added_mg_l(hardness_removed_mg_l: float) -> float:
    """Sodium that softening adds to the water.

    Equation: Na = H x 22.990 / 50.0435
    Range: 0 to 5000 mg/L as CaCO3
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: a sodium-form bed
    Not for: potassium-form beds
    Example:
        >>> round(sodium_added_mg_l(250), 1)
        114.8
    """
    removed = within("hardness_removed_mg_l", hardness_removed_mg_l, 0.0, MOST_HARDNESS_MG_L, "mg/L as CaCO3")
    return removed * NA_G_EQ / CACO3_G_EQ


def iron_corrected_hardness_mg_l(
    hardness_mg_l: float, iron_mg_l: float, allowance_mg_l_per_mg_l: float = 0.0
) -> float:
    """Hardness to size a run with when the water holds iron.

    Equation: H' = H + a Fe
    Range: hardness 0 to 5000 mg/L as CaCO3; iron 0 to 10 mg/L; allowance 0 to 100
    Raises: OutOfRange
    Source: common practice, no uniform rule: 34 or 51 mg/L (2 or 3 grains) per mg/L of iron are both in use;
        the default adds nothing
    Assumes: dissolved iron, taken up by the resin
    Not for: rust that is already a solid; it fouls the bed
    Example:
        >>> iron_corrected_hardness_mg_l(250, iron_mg_l=0.5, allowance_mg_l_per_mg_l=34)
        267.0
    """
    hardness = within("hardness_mg_l", hardness_mg_l, 0.0, MOST_HARDNESS_MG_L, "mg/L as CaCO3")
    allowance = within("allowance_mg_l_per_mg_l", allowance_mg_l_per_mg_l, 0.0, 100.0)
    return hardness + allowance * within("iron_mg_l", iron_mg_l, 0.0, 10.0, "mg/L")


def total_dissolved_change_by_softening_pct(
    total_dissolved_mg_l: float, calcium_mg_l: float, magnesium_mg_l: float
) -> float:
    """How much the mass of dissolved salts changes when all hardness is exchanged for sodium.

    Equation: dTDS = Ca (22.990/20.039 - 1) + Mg (22.990/12.1525 - 1), in per cent of the sum of ions
    Range: total above 0 and at most 50,000 mg/L; calcium and magnesium at least 0 and together not above it
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: complete exchange; the total counts every ion as itself
    Not for: a meter: what it shows follows conductivity, not mass
    Example:
        >>> round(total_dissolved_change_by_softening_pct(606.5, calcium_mg_l=100, magnesium_mg_l=30), 2)
        6.84
    """
    total = positive("total_dissolved_mg_l", total_dissolved_mg_l, 50_000.0, "mg/L")
    calcium = within("calcium_mg_l", calcium_mg_l, 0.0, total, "mg/L")
    magnesium = within("magnesium_mg_l", magnesium_mg_l, 0.0, total - calcium, "mg/L")
    gained = calcium * (NA_G_EQ / CA_G_EQ - 1.0) + magnesium * (NA_G_EQ / MG_G_EQ - 1.0)
    return 100.0 * gained / total


def _resin(resin_l: float) -> float:
    return positive("resin_l", resin_l, unit="L")


def _capacity(capacity_g_l: float) -> float:
    return positive(
        "capacity_g_l", capacity_g_l, MOST_CAPACITY_G_L, "g CaCO3/L", "2.6 eq/L, no resin holds it"
    )


def _hardness(hardness_mg_l: float) -> float:
    return positive("hardness_mg_l", hardness_mg_l, MOST_HARDNESS_MG_L, "mg/L as CaCO3")


def _reserve(reserve_fraction: float) -> float:
    return within("reserve_fraction", reserve_fraction, 0.0, 0.9)


def _volume(name: str, value: float) -> float:
    return positive(name, value, unit="L")


def _brine(brine_g_l: float) -> float:
    return positive("brine_g_l", brine_g_l, 360.0, "g/L", "360 is saturated")


def _ratio(nacl_per_caco3: float) -> float:
    return within("nacl_per_caco3", nacl_per_caco3, 1.1, 1.25)
