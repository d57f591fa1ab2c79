"""Rule `minerals`: what top-offs leave behind in a sump, and when the coolant's limit will be reached.

`rule.py` is the rule; the balances of a sump and its words stand beside it.
"""

from monitor.rules.minerals.rule import Minerals, Settings, State, build
from monitor.rules.minerals.words import wording

__all__ = ["Minerals", "Settings", "State", "build", "wording"]
