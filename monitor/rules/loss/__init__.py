"""Rule `loss`: sumps that lose coolant faster than evaporation explains, and levels that fall fast.

`rule.py` is the rule; its books, its judgements, its evidence and its words stand beside it.
"""

from monitor.rules.loss.rule import Loss, Settings, State, build, wording

__all__ = ["Loss", "Settings", "State", "build", "wording"]
