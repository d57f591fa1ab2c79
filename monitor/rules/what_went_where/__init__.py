"""Rule `what-went-where`: after water was bad for a while, which sumps got how much of it.

`rule.py` is the rule; its account of an episode and its words stand beside it.
"""

from monitor.rules.what_went_where.rule import Settings, State, WhatWentWhere, build
from monitor.rules.what_went_where.words import wording

__all__ = ["Settings", "State", "WhatWentWhere", "build", "wording"]
