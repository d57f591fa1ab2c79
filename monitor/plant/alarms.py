"""How alarms are treated, whatever the rule: which are latched, and how people are reminded."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from monitor.plant.fields import Id, PositiveDurationMs, RefersTo, Table
from monitor.readings import Priority

_WEEK_MS = 7 * 86_400_000


class AlarmSettings(Table):
    """Table `[alarms]`. What is left out is not done: nothing is latched, nobody is reminded."""

    latched: Annotated[
        tuple[Id, ...],
        RefersTo("rule"),
        Field(description="rules whose alarms stay until a person resets them, also when they are over"),
    ] = ()
    remind_high: Annotated[
        PositiveDurationMs | None,
        Field(description="an alarm of priority high that nobody acknowledged is told again after this"),
    ] = None
    remind_medium: Annotated[
        PositiveDurationMs | None, Field(description="the same for an alarm of priority medium")
    ] = None
    remind_low: Annotated[
        PositiveDurationMs | None, Field(description="the same for an alarm of priority low")
    ] = None
    remind_longest: Annotated[
        PositiveDurationMs,
        Field(description="each reminder comes after twice as long as the one before, up to this"),
    ] = _WEEK_MS

    def remind(self, priority: Priority) -> int | None:
        """How long after the message the first reminder comes, ms; None: there is none."""
        return {"high": self.remind_high, "medium": self.remind_medium, "low": self.remind_low}[priority]
