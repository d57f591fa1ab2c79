"""Rule `breakthrough`: one DI bed, by its load, by the front in its outlet, and by what it discharges.

`rule.py` is the rule; its settings, its parts, its memory and its words stand beside it.
"""

from monitor.rules.breakthrough.rule import Breakthrough, Settings, State, build, wording

__all__ = ["Breakthrough", "Settings", "State", "build", "wording"]
