"""What water is made of, and what a conductivity cell would see in it.

A composition is an array whose last axis holds, in this order, Na, K, Mg, Ca, Cl, NO3, SO4 in meq/L and
total inorganic carbon and silica in mmol/L. Hydrogen, hydroxide, bicarbonate and carbonate follow from
the charge balance. Everything here is worked out from ionic mobilities, the viscosity and permittivity of
water and the size of the ion cloud; no table of compensation factors is used.
"""

from __future__ import annotations

import numpy as np

from simulator.noise import Floats

NA, K, MG, CA, CL, NO3, SO4, TIC, SI = range(9)
SIZE = 9
CATIONS = slice(NA, CL)
STRONG_ANIONS = slice(CL, TIC)
CHARGE = np.array([1.0, 1.0, 2.0, 2.0, 1.0, 1.0, 2.0])

# Limiting equivalent conductivities at 25 C, S cm2/eq (CRC Handbook, section 5).
MOBILITY = np.array([50.08, 73.48, 53.0, 59.47, 76.31, 71.42, 80.0])
MOBILITY_H, MOBILITY_OH, MOBILITY_HCO3, MOBILITY_CO3, MOBILITY_HSIO3 = 349.65, 198.0, 44.5, 69.3, 40.0
# Exponents of the fractional Walden rule: how closely a mobility follows 1/viscosity (values from memory).
WALDEN = np.array([0.97, 0.93, 0.97, 0.97, 0.93, 0.92, 0.96])
WALDEN_H, WALDEN_OH, WALDEN_HCO3 = 0.66, 0.76, 0.98

GAS_J_MOL_K = 8.314462618
FARADAY_C_MOL = 96485.332
ELEMENTARY_C = 1.602176634e-19
BOLTZMANN_J_K = 1.380649e-23
VACUUM_F_M = 8.8541878e-12
ION_SIZE_M = 4.0e-10
ZERO_C_K = 273.15
ROOM_K = 298.15


def viscosity_pa_s(temp_c: Floats | float) -> Floats:
    """Viscosity of water, Vogel-Fulcher-Tammann form, 0 to 60 C, within about 1 % (constants from memory)."""
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_C_K
    return np.asarray(2.939e-5 * np.exp(507.88 / (kelvin - 149.3)))


def permittivity(temp_c: Floats | float) -> Floats:
    """Relative permittivity of water, 0 to 60 C (Malmberg and Maryott's fit shortened to second order)."""
    t = np.asarray(temp_c, dtype=float)
    return np.asarray(87.74 - 0.40008 * t + 9.398e-4 * t * t)


def van_t_hoff(pk25: float, enthalpy_j_mol: float, temp_c: Floats | float) -> Floats:
    """Equilibrium constant in mmol/L at a temperature, from its value at 25 C and a constant enthalpy."""
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_C_K
    shift = enthalpy_j_mol / GAS_J_MOL_K * (1.0 / ROOM_K - 1.0 / kelvin)
    return np.asarray(10.0**-pk25 * np.exp(shift) * 1000.0)


def carbonate_constants(temp_c: Floats | float) -> tuple[Floats, Floats, Floats, Floats]:
    """K1, K2 and the silica constant in mmol/L and Kw in (mmol/L)2."""
    first = van_t_hoff(6.352, 9_150.0, temp_c)
    second = van_t_hoff(10.329, 14_900.0, temp_c)
    silica = van_t_hoff(9.83, 25_000.0, temp_c)
    water = van_t_hoff(13.995, 56_500.0, temp_c) * 1000.0
    return first, second, silica, water


def charge_excess_meq_l(water: Floats) -> Floats:
    """Strong cations less strong anions: what bicarbonate, carbonate and hydroxide have to balance."""
    return np.asarray(water[..., CATIONS].sum(-1) - water[..., STRONG_ANIONS].sum(-1))


def hydrogen_mmol_l(water: Floats, temp_c: Floats | float) -> Floats:
    """Hydrogen ion, mmol/L, by bisection on the charge balance (activities taken as one)."""
    k1, k2, ks, kw = carbonate_constants(temp_c)
    excess = charge_excess_meq_l(water)
    carbon, silica = water[..., TIC], water[..., SI]
    low = np.full(np.broadcast(excess, k1).shape, -32.0)
    high = np.full_like(low, 5.0)
    for _ in range(34):
        middle = 0.5 * (low + high)
        h = np.exp(middle)
        bicarbonate = carbon * k1 * (h + 2.0 * k2) / (h * (h + k1) + k1 * k2)
        positive = excess + h - kw / h - bicarbonate - silica * ks / (ks + h) > 0.0
        high = np.where(positive, middle, high)
        low = np.where(positive, low, middle)
    return np.asarray(np.exp(0.5 * (low + high)))


def ph(water: Floats, temp_c: Floats | float) -> Floats:
    """pH (of concentrations, not activities)."""
    return np.asarray(3.0 - np.log10(hydrogen_mmol_l(water, temp_c)))


def carbon_dioxide_mmol_l(water: Floats, temp_c: Floats | float) -> Floats:
    """Dissolved carbon dioxide, mmol/L."""
    k1, k2, _, _ = carbonate_constants(temp_c)
    h = hydrogen_mmol_l(water, temp_c)
    return np.asarray(water[..., TIC] * h * h / (h * (h + k1) + k1 * k2))


def _debye(strength_mol_l: Floats, temp_c: Floats | float) -> tuple[Floats, Floats]:
    """Inverse thickness of the ion cloud (1/m) and the Bjerrum length (m)."""
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_C_K
    thermal = 4.0 * np.pi * VACUUM_F_M * permittivity(temp_c) * BOLTZMANN_J_K * kelvin
    bjerrum = ELEMENTARY_C**2 / thermal
    kappa = np.sqrt(8.0 * np.pi * bjerrum * 6.02214076e26 * strength_mol_l)
    return kappa, bjerrum


def conductivity_us_cm(water: Floats, temp_c: Floats | float) -> Floats:
    """Electrolytic conductivity at the temperature itself, uS/cm, 0 to 60 C, up to about 0.1 eq/L.

    Mobilities scale with viscosity (fractional Walden rule); the drag of the ion cloud is the electrophoretic
    and relaxation effect worked out from the Debye length and the Bjerrum length, with a finite ion size.
    Ion pairs are left out, so strong sulfate waters read some per cent high.
    """
    temp_c = np.asarray(temp_c, dtype=float)
    k1, k2, ks, kw = carbonate_constants(temp_c)
    h = hydrogen_mmol_l(water, temp_c)
    carbon = water[..., TIC]
    denominator = h * (h + k1) + k1 * k2
    bicarbonate = carbon * k1 * h / denominator
    carbonate_eq = 2.0 * carbon * k1 * k2 / denominator
    silicate = water[..., SI] * ks / (ks + h)
    hydroxide = kw / h
    singles = h + hydroxide + bicarbonate + silicate
    strength = 0.5e-3 * ((water[..., :TIC] * CHARGE).sum(-1) + singles + 2.0 * carbonate_eq)
    kappa, bjerrum = _debye(strength, temp_c)
    cloud = kappa / (1.0 + kappa * ION_SIZE_M)
    eta = viscosity_pa_s(temp_c)
    drag = 1e4 * FARADAY_C_MOL * ELEMENTARY_C * cloud / (6.0 * np.pi * eta)
    relax = bjerrum * cloud / 3.0 * (0.5 / (1.0 + np.sqrt(0.5)))
    fluidity = viscosity_pa_s(25.0) / eta
    total = np.zeros_like(strength)
    for index in range(TIC):
        z = CHARGE[index]
        free = MOBILITY[index] * fluidity ** WALDEN[index]
        total += water[..., index] * (free * (1.0 - z * relax) - z * drag)
    for amount, mobility, power, z in (
        (h, MOBILITY_H, WALDEN_H, 1.0),
        (hydroxide, MOBILITY_OH, WALDEN_OH, 1.0),
        (bicarbonate, MOBILITY_HCO3, WALDEN_HCO3, 1.0),
        (silicate, MOBILITY_HSIO3, WALDEN_HCO3, 1.0),
        (carbonate_eq, MOBILITY_CO3, WALDEN_HCO3, 2.0),
    ):
        total += amount * (mobility * fluidity**power * (1.0 - z * relax) - z * drag)
    return total


def osmotic_pa(water: Floats, temp_c: Floats | float) -> Floats:
    """Osmotic pressure by counting dissolved particles, Pa (bicarbonate taken as the balancing anion)."""
    particles = (water[..., :TIC] / CHARGE).sum(-1) + np.maximum(charge_excess_meq_l(water), 0.0)
    return np.asarray(particles * GAS_J_MOL_K * (np.asarray(temp_c, dtype=float) + ZERO_C_K))


def hardness_mg_l(water: Floats) -> Floats:
    """Calcium and magnesium as CaCO3, mg/L."""
    return np.asarray((water[..., MG] + water[..., CA]) * 50.04)


def from_analysis(
    *,
    ca: float,
    mg: float,
    na: float,
    k: float,
    so4: float,
    no3: float,
    sio2: float,
    alk: float,
    ph_value: float,
) -> Floats:
    """Composition from an analysis in mg/L (alkalinity as CaCO3, pH at 25 C); chloride closes the charge."""
    water = np.zeros(SIZE)
    water[[CA, MG, NA, K]] = ca / 20.039, mg / 12.1525, na / 22.990, k / 39.098
    water[SO4], water[NO3], water[SI] = so4 / 48.03, no3 / 62.005, sio2 / 60.08
    alkalinity = alk / 50.043
    chloride = water[CATIONS].sum() - water[SO4] - water[NO3] - alkalinity
    if chloride < 0.0:
        raise ValueError(
            f"analysis: anions exceed cations by {-chloride:.2f} meq/L, so chloride would be negative; "
            "raise the cations or lower alkalinity, sulfate or nitrate"
        )
    water[CL] = chloride
    k1, k2, _, _ = carbonate_constants(25.0)
    h = 10.0 ** (3.0 - ph_value)
    water[TIC] = alkalinity * (h * (h + k1) + k1 * k2) / (k1 * (h + 2.0 * k2))
    return water
