"""A contact whose wire is watched: resistors at its far end, or an input that knows a third state."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import Table, Wrong

Span = tuple[float, float]


class Supervision(Table):
    """What arrives for an open and for a closed contact; anything else is a fault of the wire."""

    open: Annotated[
        Span,
        Field(description="what arrives while the contact is open, lowest and highest, like [9000, 11000]"),
    ]
    closed: Annotated[
        Span, Field(description="what arrives while it is closed, lowest and highest, like [4500, 5500]")
    ]

    @field_validator("open", "closed")
    @classmethod
    def _rises(cls, span: Span) -> Span:
        if span[0] > span[1]:
            raise Wrong("two numbers, the lower first, like [4500, 5500]; the same twice for a code: [1, 1]")
        return span

    @field_validator("closed")
    @classmethod
    def _apart(cls, closed: Span, info: ValidationInfo) -> Span:
        other = info.data.get("open")
        if other is not None and closed[0] <= other[1] and other[0] <= closed[1]:
            raise Wrong(f"a span apart from that of the open contact, {list(other)}")
        return closed

    def state(self, arrived: float) -> float | None:
        """1 closed, 0 open, None where the wire is broken or shorted."""
        if self.closed[0] <= arrived <= self.closed[1]:
            return 1.0
        return 0.0 if self.open[0] <= arrived <= self.open[1] else None
