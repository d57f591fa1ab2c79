"""The site file: one TOML file that says what a shop has, what is judged and who is told.

`load` reads it whole or raises ConfigMistakes with every mistake in it. `kinds.py` holds the lists of rules,
wires and ways of delivery.
"""

from monitor.config.kinds import RULES, SHARED, SINGLE, WAYS, WIRES, site_tables
from monitor.config.mistakes import ConfigMistakes, Mistake
from monitor.config.read import SiteFile, load

__all__ = [
    "RULES",
    "SHARED",
    "SINGLE",
    "WAYS",
    "WIRES",
    "ConfigMistakes",
    "Mistake",
    "SiteFile",
    "load",
    "site_tables",
]
