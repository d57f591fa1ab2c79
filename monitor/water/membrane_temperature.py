"""How a membrane's flow depends on temperature: the printed rule, or better the maker's own table.

Printed tables differ by 10 % at 14 °C, enough to turn a verdict round, so a result names the rule or table
used and how much doubt it leaves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, Protocol

from monitor.water.errors import OutOfRange, within

__all__ = [
    "TemperatureCorrection",
    "TemperatureRule",
    "TemperatureTable",
    "ro_temperature_factor",
    "ro_temperature_factor_from_table",
]

COLDEST_C, HOTTEST_C = 0.0, 50.0


def ro_temperature_factor(
    temperature_c: float, cold_k: float = 3020.0, warm_k: float = 2640.0, zero_k: float = 273.0
) -> float:
    """Permeate flow at a temperature as a multiple of that at 25 °C, pressure for pressure.

    Equation: TCF = exp(u (1/(zero + 25) - 1/(zero + T))), u = cold_k below 25 °C, warm_k at or above
    Range: 0 to 50 °C; u 1000 to 6000 K; zero 273 to 273.15 K
    Raises: OutOfRange
    Source: rule printed by membrane makers for polyamide (3020 and 2640 K, 273 and 298)
    Assumes: that the membrane follows this rule. Other printed tables give 0.53 to 0.66 at 10 °C where this
        gives 0.584: enter the membrane's own table (`TemperatureTable`) where the shop has it
    Not for: being replaced by the viscosity of water, which leaves out the membrane's own activation
    Example:
        >>> round(ro_temperature_factor(14), 4)
        0.6781
    """
    warm = _temperature("temperature_c", temperature_c)
    below = within("cold_k", cold_k, 1000.0, 6000.0, "K")
    above = within("warm_k", warm_k, 1000.0, 6000.0, "K")
    u = below if warm < 25.0 else above
    zero = within("zero_k", zero_k, 273.0, 273.15, "K")
    return math.exp(u * (1.0 / (zero + 25.0) - 1.0 / (zero + warm)))


class TemperatureCorrection(Protocol):
    """What `normalise_ro` asks of a rule or a table."""

    @property
    def name(self) -> str: ...
    @property
    def doubt_pct_per_degree(self) -> float: ...
    def factor(self, temperature_c: float) -> float: ...


@dataclass(frozen=True)
class TemperatureRule:
    """The exponential rule with a membrane's two constants.

    `doubt_pct_per_degree`: what a printed correction may be off, for each degree from the reference, until
    the shop's own cold-season readings confirm it (1 % fits the spread of the printed tables).
    """

    cold_k: float = 3020.0
    warm_k: float = 2640.0
    zero_k: float = 273.0
    doubt_pct_per_degree: float = 1.0

    @property
    def name(self) -> str:
        return f"rule {self.cold_k:g}/{self.warm_k:g} K"

    def factor(self, temperature_c: float) -> float:
        return ro_temperature_factor(temperature_c, self.cold_k, self.warm_k, self.zero_k)


@dataclass(frozen=True)
class TemperatureTable:
    """The membrane maker's own printed table; between its rows log-linear, outside it refused.

    `factors` multiply the flow at 25 °C (below 1 when cold). A table that prints divisors (above 1 when
    cold) is entered with `printed="divisor"`. A mix-up is refused: cold water passes less.

    >>> table = TemperatureTable("example", (10.0, 15.0, 20.0, 25.0), (1.711, 1.422, 1.189, 1.0), "divisor")
    >>> round(table.factor(14), 3)
    0.678
    """

    title: str
    temperatures_c: tuple[float, ...]
    factors: tuple[float, ...]
    printed: Literal["factor", "divisor"] = "factor"
    doubt_pct_per_degree: float = 1.0

    def __post_init__(self) -> None:
        if len(self.temperatures_c) != len(self.factors) or len(self.factors) < 2:
            raise OutOfRange("factors", len(self.factors), "one a temperature, at least two", self.title)
        for temperature in self.temperatures_c:
            _temperature("temperatures_c", temperature)
        for value in self.factors:
            within("factors", value, 0.1, 10.0, why=self.title)
        rows = self._rows()
        for (cold, low), (warm, high) in pairwise(rows):
            if not (cold < warm and low < high):
                raise OutOfRange(
                    "factors",
                    f"{low:g} at {cold:g} °C and {high:g} at {warm:g} °C",
                    "temperatures rising, and flow with them",
                    f"{self.title}: factor or divisor?",
                )

    @property
    def name(self) -> str:
        return f"table {self.title}"

    def factor(self, temperature_c: float) -> float:
        rows = self._rows()
        warm = within("temperature_c", temperature_c, rows[0][0], rows[-1][0], "°C", f"rows of {self.name}")
        (t0, f0), (t1, f1) = next((a, b) for a, b in pairwise(rows) if warm <= b[0])
        share = (warm - t0) / (t1 - t0)
        return math.exp((1.0 - share) * math.log(f0) + share * math.log(f1))

    def _rows(self) -> list[tuple[float, float]]:
        values = self.factors if self.printed == "factor" else tuple(1.0 / f for f in self.factors)
        return list(zip(self.temperatures_c, values, strict=True))


def ro_temperature_factor_from_table(
    temperature_c: float,
    table_temperatures_c: Sequence[float],
    table_factors: Sequence[float],
    printed: Literal["factor", "divisor"] = "factor",
) -> float:
    """Permeate flow as a multiple of that at 25 °C, by the membrane maker's own printed table.

    Equation: log-linear between the rows; a divisor is turned over first
    Range: from the first to the last temperature of the table, 0 to 50 °C; factors 0.1 to 10
    Raises: OutOfRange outside the table, and for one that falls with temperature (factor or divisor?)
    Source: the table given
    Assumes: the table has 1 at 25 °C
    Not for: another membrane than the table's
    Example:
        >>> round(ro_temperature_factor_from_table(14, [10, 15, 25], [1.711, 1.422, 1.0], "divisor"), 3)
        0.678
    """
    if printed not in ("factor", "divisor"):
        raise OutOfRange("printed", printed, "factor or divisor")
    table = TemperatureTable("given", tuple(table_temperatures_c), tuple(table_factors), printed)
    return table.factor(temperature_c)


def _temperature(name: str, value: float) -> float:
    return within(name, value, COLDEST_C, HOTTEST_C, "°C")
