"""Rule `instrument`: faults of the instruments themselves, which would pass for good water or for bad.

`rule.py` is the rule; each kind of fault is judged in a file of its own, and the words stand in `words.py`.
"""

from monitor.rules.instrument.rule import Instrument, Settings, State, build
from monitor.rules.instrument.words import wording

__all__ = ["Instrument", "Settings", "State", "build", "wording"]
