"""Rule `creep`: is a membrane letting more salt through than it used to?

`rule.py` is the rule; its settings, its parts, its memory and its words stand beside it.
"""

from monitor.rules.creep.rule import Creep, Settings, State, build, wording

__all__ = ["Creep", "Settings", "State", "build", "wording"]
