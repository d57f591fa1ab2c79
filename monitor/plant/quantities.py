"""The quantities Goodwater knows: canonical unit, and what is physically possible.

Inside, a value is a float in the canonical unit of its quantity; `units.py` converts at the edge.
The spans are wide on purpose: outside them a value says nothing about the water, only about the wire.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity: its canonical unit (a name `units.registry()` parses) and its physical span in it."""

    name: str
    unit: str
    low: float
    high: float
    decimals: int  # shown by default


QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("conductivity", "uS/cm", 0.0, 1_000_000.0, 1),
        Quantity("resistivity", "Mohm*cm", 0.0, 100.0, 2),
        Quantity("tds", "mg/L", 0.0, 500_000.0, 1),
        Quantity("temperature", "degC", -30.0, 150.0, 1),
        Quantity("flow", "L/min", -100_000.0, 100_000.0, 2),
        Quantity("volume", "L", 0.0, 1e12, 1),
        Quantity("level", "mm", -1_000.0, 100_000.0, 0),
        Quantity("pressure", "bar", -1.0, 1_000.0, 2),
        Quantity("ph", "pH", -2.0, 16.0, 2),
        Quantity("turbidity", "NTU", 0.0, 10_000.0, 2),
        Quantity("concentration", "brix", 0.0, 100.0, 1),
        Quantity("hardness", "mg/L", 0.0, 10_000.0, 0),
        Quantity("chlorine", "mg/L", 0.0, 100.0, 2),
        Quantity("contact", "1", 0.0, 1.0, 0),
        Quantity("fraction", "percent", -1_000.0, 1_000.0, 1),
        Quantity("ratio", "1", -1e6, 1e6, 3),
        Quantity("duration", "h", 0.0, 1e7, 1),
        Quantity("count", "1", 0.0, 1e12, 0),
        Quantity("load", "eq", 0.0, 1e9, 2),
    )
}
