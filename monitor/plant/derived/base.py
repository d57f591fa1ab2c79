"""What every derived channel has: its id, its place, the channels it looks at, and how it looks to others."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Any, ClassVar

from pydantic import Field, model_validator

from monitor.plant.channel import Accuracy, Channel
from monitor.plant.fields import Id, Measure, RefersTo, Table, Wrong
from monitor.plant.quantities import QUANTITIES

READ_AS_EC = ("conductivity", "tds")


class Derived(Table):
    """A channel that is computed. Each kind adds a literal `kind` and the channels it looks at."""

    measures: ClassVar[str] = ""  # the quantity of its value; empty for that of its first input
    sums: ClassVar[bool] = False  # what it has counted stays, also when an input is computed anew
    multiplies: ClassVar[bool] = False  # a product or quotient of its inputs: their shares of error add up

    id: Annotated[Id, Field(description="what rules, gates and commands call it, as any channel")]
    name: Annotated[str, Field(description="how messages call it; kind and place where left out")] = ""
    point: Annotated[
        Id | None, RefersTo("point"), Field(description="where it belongs, if elsewhere than its first input")
    ] = None
    accuracy: Annotated[
        Accuracy,
        Field(description="its error; of products and quotients that of the inputs where left out"),
    ] = Accuracy()

    @cached_property
    def inputs(self) -> dict[str, str]:
        """The channels it looks at, by the key that names them, in the order of its keys."""
        keys = [
            key
            for key, field in type(self).model_fields.items()
            if any(isinstance(mark, RefersTo) and mark.table == "channel" for mark in field.metadata)
        ]
        return {key: name for key in keys if (name := getattr(self, key)) is not None}

    @property
    def what(self) -> str:
        """Its kind in words."""
        kind: str = getattr(self, "kind", "")
        return kind.replace("-", " ")

    def quantity(self, channels: Mapping[str, Channel]) -> str:
        """The quantity of its value, canonical as all are."""
        return self.measures or channels[next(iter(self.inputs.values()))].quantity

    def as_channel(self, channels: Mapping[str, Channel], point: str | None) -> Channel:
        """What rules, pages and commands see of it: a channel whose unit is the canonical one."""
        quantity = QUANTITIES[self.quantity(channels)]
        seen: dict[str, Any] = {
            "id": self.id,
            "quantity": quantity.name,
            "unit": quantity.unit,
            "name": self.name or self.what,
            "point": self.point or point,
            "range": (quantity.low, quantity.high),
            "resolution": 10.0**-quantity.decimals,
            "accuracy": self._accuracy([channels[name] for name in self.inputs.values()]),
        }
        if quantity.name == "tds":  # of a difference: on the scale of what it is the difference of
            like = channels[next(iter(self.inputs.values()))]
            seen |= {"tds_scale": like.tds_scale, "tds_factor": like.tds_factor}
        if quantity.name == "conductivity":
            seen["compensated"] = True
        return Channel.model_construct(**seen)

    def _accuracy(self, inputs: list[Channel]) -> Accuracy:
        shares = [c.accuracy.of_reading.in_unit("1") for c in inputs if c.accuracy.of_reading is not None]
        if self.accuracy != Accuracy() or not self.multiplies or not shares:
            return self.accuracy
        return Accuracy(of_reading=Measure(100.0 * math.hypot(*shares), "%"))

    @model_validator(mode="after")
    def _of_different_channels(self) -> Derived:
        names = list(self.inputs.values())
        for key, name in self.inputs.items():
            if names.count(name) > 1 and list(self.inputs).index(key) > names.index(name):
                raise Wrong(f'another channel than "{name}", which is named already', key=key)
        return self
