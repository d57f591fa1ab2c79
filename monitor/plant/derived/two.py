"""Difference and ratio of two channels of one quantity."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from monitor.plant.derived.base import Derived
from monitor.plant.fields import Id, RefersTo


class Difference(Derived):
    """`kind = "difference"`: one channel less another of the same quantity."""

    kind: Literal["difference"]
    of: Annotated[Id, RefersTo("channel"), Field(description="the channel that the other is taken from")]
    minus: Annotated[Id, RefersTo("channel"), Field(description="the channel taken from it")]


class Ratio(Derived):
    """`kind = "ratio"`: one channel divided by another of the same quantity."""

    measures: ClassVar[str] = "ratio"
    multiplies: ClassVar[bool] = True

    kind: Literal["ratio"]
    of: Annotated[Id, RefersTo("channel"), Field(description="the channel that is divided")]
    to: Annotated[Id, RefersTo("channel"), Field(description="the channel it is divided by")]
