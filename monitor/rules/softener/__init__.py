"""Rule `softener`: hardness behind it, its regenerations, the salt it uses; never its conductivity.

`rule.py` is the rule; its settings, its parts and its words stand beside it.
"""

from monitor.rules.softener.rule import Settings, Softener, State, build
from monitor.rules.softener.words import wording

__all__ = ["Settings", "Softener", "State", "build", "wording"]
