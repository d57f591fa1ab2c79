"""Rule `make-up`: litres a week that each sump takes, and water that is drawn but in nobody's book.

`rule.py` is the rule; its weeks, its judgement and its words stand beside it.
"""

from monitor.rules.make_up.rule import MakeUp, Settings, State, build
from monitor.rules.make_up.words import wording

__all__ = ["MakeUp", "Settings", "State", "build", "wording"]
