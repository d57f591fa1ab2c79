"""Rule `tank`: will there be water on Monday?

`rule.py` is the rule; its settings, its books, its forecast, its leak and its words stand beside it.
"""

from monitor.rules.tank.rule import Tank, build
from monitor.rules.tank.settings import Settings
from monitor.rules.tank.state import State
from monitor.rules.tank.words import wording

__all__ = ["Settings", "State", "Tank", "build", "wording"]
