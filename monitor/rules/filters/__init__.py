"""Rule `filter`: a prefilter or a carbon filter ahead of a membrane, by litres, days, pressure drop and
tests.

`rule.py` is the rule; its settings, its parts and its words stand beside it.
"""

from monitor.rules.filters.rule import Filter, Settings, State, build
from monitor.rules.filters.words import wording

__all__ = ["Filter", "Settings", "State", "build", "wording"]
