"""Rule `membrane`: does the membrane give as much water, at as little pressure lost, as when it was young?

`rule.py` is the rule; its settings, its days, its verdict and its words stand beside it.
"""

from monitor.rules.membrane.rule import Membrane, State, build
from monitor.rules.membrane.settings import Settings
from monitor.rules.membrane.words import wording

__all__ = ["Membrane", "Settings", "State", "build", "wording"]
