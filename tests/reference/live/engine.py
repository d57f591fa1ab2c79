"""PHREEQC 3.8.6 as bundled with pyEQL: waters in, conductivity and pH out. Lists no comparisons itself."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from tests.reference.deviation import Comparison

COMPARISONS: list[Comparison] = []

_PUNCH = """
SELECTED_OUTPUT
 -reset false
USER_PUNCH
 -headings sc ph
 -start
 10 PUNCH SC, -LA("H+")
 -end
"""


@cache
def _phreeqc() -> Any:
    from pyEQL._phreeqc import PyIPhreeqc

    engine = PyIPhreeqc()
    engine.load_database(str(resources.files("pyEQL.phreeqc.database") / "phreeqc.dat"))
    engine.run_string(_PUNCH)
    return engine


def conductivity_and_ph(
    totals: Mapping[str, object], ph: str, units: str, made_at_c: float, read_at_c: float
) -> tuple[float, float]:
    """Conductivity (µS/cm) and pH of a water made at one temperature and read, closed, at another."""
    from pyEQL._phreeqc import PyVar

    lines = [f" {name} {amount}" for name, amount in totals.items()]
    block = ["SOLUTION 1", f" temp {made_at_c}", f" pH {ph}", f" units {units}", *lines, "END"]
    block += ["USE solution 1", "REACTION_TEMPERATURE 1", f" {read_at_c}", "END"]
    engine = _phreeqc()
    engine.run_string("\n".join(block) + "\n")
    last, found = engine.get_selected_output_row_count() - 1, []
    for column in (0, 1):
        cell = PyVar()
        engine.get_value(last, column, cell.var)
        found.append(float(cell.var.dVal))
    return found[0], found[1]
