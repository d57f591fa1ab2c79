"""Rule `sump-condition`: a coolant's concentration, and the signs that biology is at work in it.

`rule.py` is the rule; its signs and its words stand beside it.
"""

from monitor.rules.sump_condition.rule import Settings, State, SumpCondition, build
from monitor.rules.sump_condition.words import wording

__all__ = ["Settings", "State", "SumpCondition", "build", "wording"]
