"""What a softener's salt setting buys: the capacity that a dose of salt restores.

Cautions: brine is corrosive and its discharge is regulated in many places (local code).
"""

from __future__ import annotations

import numpy as np

from monitor.water.errors import within

__all__ = ["softener_capacity_by_salt_g_l"]

# g of salt -> g of hardness as CaCO3, both for each litre of resin: the trade's operating points (6, 8 and
# 15 lb of salt for 20, 24 and 30 kilograins per cubic foot).
_SALT_G_L = (96.0, 128.0, 240.0)
_CAPACITY_G_L = (46.0, 55.0, 69.0)
LEAST_G_L, MOST_G_L = 60.0, 300.0


def softener_capacity_by_salt_g_l(salt_g_l: float) -> float:
    """Capacity that a salt dose restores, grams of hardness as CaCO3 for each litre of resin.

    Equation: straight lines through 96 -> 46, 128 -> 55 and 240 -> 69; in proportion below 96, 69 above 240
    Range: 60 to 300 g of salt per litre of resin
    Raises: OutOfRange
    Source: common practice: 6, 8 and 15 lb of salt per cubic foot for 20,000, 24,000 and 30,000 grains
    Assumes: sodium chloride, co-current regeneration, resin in sound condition
    Not for: knowing what an old bed still holds; a hardness test at the end of a run tells
    Example:
        >>> round(softener_capacity_by_salt_g_l(128), 1)
        55.0
    """
    salt = within("salt_g_l", salt_g_l, LEAST_G_L, MOST_G_L, "g/L")
    if salt < _SALT_G_L[0]:
        return _CAPACITY_G_L[0] * salt / _SALT_G_L[0]
    return float(np.interp(salt, _SALT_G_L, _CAPACITY_G_L))
