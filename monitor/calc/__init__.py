"""`goodwater calc`: the water science by hand, made from the functions' own signatures.

    goodwater calc [list [WORD]]                    the quantities in groups, or those that a word fits
    goodwater calc NAME --help                      equation, range, source, an example
    goodwater calc NAME input=VALUE UNIT ... [--in UNIT] [--json]

**What makes a function a quantity.** It is public and listed in `__all__` of a module of `monitor.water` or
`monitor.stats`; adding a quantity is adding a function.

- The unit of every float is the suffix of its name: `ec_us_cm`, `temperature_c`, `volume_l`, `flow_l_min`
  (all suffixes: `SUFFIXES` in `monitor/catalogue.py`). No suffix means dimensionless. Hardness, alkalinity
  and loads called `_mg_l` are as CaCO3 where the docstring says so.
- Choices are `Literal[...]`. A mapping from a Literal of ions to numbers takes `Ca=60 mg/L Mg=10 mg/L`; a
  parameter that is a dataclass takes its fields as `reference.permeate=4.8 L/min`; a sequence `1,2,3 L`.
- The unit of the answer is the suffix of the function's name, or the answer is a frozen dataclass or
  NamedTuple whose fields carry their suffix, and may carry text: assumptions, a verdict, a scale's name.
- The docstring: the first line says what it is; then `Equation:`, `Range:`, `Raises:`, `Source:`,
  `Assumes:` (optional), `Not for:` and `Example:` (a doctest, run in the tests).
- What lies outside the range raises `OutOfRange`, a ValueError that names the input, its value and the range.
"""

from monitor.calc.command import main

__all__ = ["main"]
