"""A channel that is measured as a current of 4 to 20 mA, and what stands for that current on the wire."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from monitor.plant.fields import Table, Wrong

LIVE_ZERO_MA = 4.0
FULL_MA = 20.0


class CurrentLoop(Table):
    """How a current arrives. The channel's range is what 4 and 20 mA stand for."""

    counts: Annotated[
        tuple[float, float],
        Field(
            description="what arrives at 4 and at 20 mA, like [6400, 32000] from an input module; left out "
            "where the current itself arrives, in mA"
        ),
    ] = (LIVE_ZERO_MA, FULL_MA)
    falling: Annotated[
        bool, Field(description="the current falls as the value rises: 4 mA is the range's upper end")
    ] = False

    @field_validator("counts")
    @classmethod
    def _counts_rise(cls, counts: tuple[float, float]) -> tuple[float, float]:
        if not counts[0] < counts[1]:
            raise Wrong("two numbers, the one for 4 mA first and lower, like [6400, 32000]")
        return counts

    def current_ma(self, received: float) -> float:
        """The current that a received number stands for.

        >>> CurrentLoop(counts=(6400, 32000)).current_ma(19200)
        12.0
        """
        at_4_ma, at_20_ma = self.counts
        return LIVE_ZERO_MA + (received - at_4_ma) * ((FULL_MA - LIVE_ZERO_MA) / (at_20_ma - at_4_ma))

    def value(self, current_ma: float, span: tuple[float, float]) -> float:
        """The value of a current, 4 and 20 mA being the ends of a range; also beyond them.

        >>> CurrentLoop(falling=True).value(8.0, (0.0, 200.0))
        150.0
        """
        share = (current_ma - LIVE_ZERO_MA) / (FULL_MA - LIVE_ZERO_MA)
        return span[0] + (1.0 - share if self.falling else share) * (span[1] - span[0])
