"""Rule `overdue`: checks and changes that are due, in one line a working day."""

from monitor.rules.overdue.rule import Overdue, State, build
from monitor.rules.overdue.settings import Settings
from monitor.rules.overdue.words import wording

__all__ = ["Overdue", "Settings", "State", "build", "wording"]
