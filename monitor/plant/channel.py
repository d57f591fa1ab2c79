"""A channel: one quantity of one instrument, how exact it is, and when its value counts.

Each check stands at the last of the keys it needs and leaves out those that are wrong by themselves, so that
one mistake never hides another.
"""

from __future__ import annotations

from datetime import date
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.counter import PULSES, Counter
from monitor.plant.current_loop import CurrentLoop
from monitor.plant.fields import (
    FlowField,
    Id,
    LengthField,
    Measure,
    MeasureField,
    PositiveDurationMs,
    QuantityName,
    RefersTo,
    ShareField,
    Table,
    Wrong,
)
from monitor.plant.gate import Gate
from monitor.plant.supervision import Supervision
from monitor.plant.units import Scale, UnitError, to_canonical


class Accuracy(Table):
    """An instrument's accuracy as its sheet gives it; the worst of the parts counts."""

    absolute: Annotated[
        MeasureField | None, Field(description="a fixed error, in a unit of the quantity")
    ] = None
    of_reading: Annotated[ShareField | None, Field(description="a share of the value read")] = None
    of_full_scale: Annotated[
        ShareField | None, Field(description="a share of the upper end of the range")
    ] = None

    def at(self, value: float, quantity: str, full_scale: float) -> float:
        """The error to expect at a canonical value, in the canonical unit."""
        parts = [0.0]
        if self.absolute is not None:
            parts.append(self.absolute.difference(quantity))
        if self.of_reading is not None:
            parts.append(self.of_reading.in_unit("1") * abs(value))
        if self.of_full_scale is not None:
            parts.append(self.of_full_scale.in_unit("1") * abs(full_scale))
        return max(parts)


class Calibration(Table):
    """From this date on the true value is `gain * read + offset`, in the channel's unit."""

    since: Annotated[date, Field(description="the first day it holds, in the shop's time zone")]
    gain: Annotated[float, Field(gt=0, description="what the value read is multiplied by")] = 1.0
    offset: Annotated[float, Field(description="what is then added, in the channel's unit")] = 0.0


Compensation = Literal["none", "linear", "natural-water"]
# What standing water shows: these alone can tell by themselves when it began to run.
_STANDS_SALTIER = ("conductivity", "tds", "resistivity")
TdsScale = Literal["nacl", "kcl", "natural", "own"]


class Channel(Table):
    """One quantity of one instrument."""

    id: Annotated[
        Id, Field(description="what rules, wires and commands call it; of its own in the whole file")
    ]
    quantity: Annotated[QuantityName, Field(description="what is measured")]
    unit: Annotated[str, Field(description="the unit the instrument sends, or that of its range, in quotes")]
    name: Annotated[str, Field(description="how messages call it; quantity and place where left out")] = ""
    point: Annotated[
        Id | None, RefersTo("point"), Field(description="where it measures, if elsewhere than its instrument")
    ] = None
    range: Annotated[
        tuple[float, float],
        Field(description="two numbers, the lower first, in the channel's unit, like [0, 200]"),
    ]
    resolution: Annotated[
        float, Field(gt=0, description="the smallest step it can show, in the channel's unit")
    ]
    accuracy: Annotated[
        Accuracy, Field(description="its error, as its sheet gives it; the worst part counts")
    ] = Accuracy()
    calibration: Annotated[
        tuple[Calibration, ...],
        Field(description="corrections, each from a day on; earlier readings keep theirs"),
    ] = ()
    gate: Annotated[Gate | None, Field(description="when the water here is the water being made")] = None
    # conductivity only
    compensated: Annotated[
        bool | None, Field(description="whether the instrument itself refers its value to 25 °C")
    ] = None
    compensation: Annotated[Compensation, Field(description="how Goodwater refers the value to 25 °C")] = (
        "none"
    )
    alpha: Annotated[
        ShareField | None, Field(description="per °C, for compensation linear; 2 % where left out")
    ] = None
    temperature: Annotated[
        Id | None,
        RefersTo("channel", ("temperature",)),
        Field(
            description="the channel that measures this water's temperature; needed for a compensation",
            validate_default=True,
        ),
    ] = None
    cell_constant: Annotated[
        float | None,
        Field(
            gt=0, le=100, description="of the probe's cell, per cm; lets check say whether it fits the range"
        ),
    ] = None
    # flow only
    minimum_flow: Annotated[
        FlowField | None, Field(description="what the meter needs to turn or to count, from its sheet")
    ] = None
    # volume only
    counter: Annotated[
        Counter | None,
        Field(
            description="how it counts, for a totaliser or a pulse output: its litres then only grow, over "
            "roll-over and reset",
            validate_default=True,
        ),
    ] = None
    # a transmitter of 4 to 20 mA
    current_loop: Annotated[
        CurrentLoop | None,
        Field(
            description="a current of 4 to 20 mA arrives, in mA or as counts; the range is what 4 and 20 mA "
            "stand for, and the current also tells of faults (NAMUR NE 43)"
        ),
    ] = None
    # level only, a sensor that looks down from above
    mounting_height: Annotated[
        LengthField | None,
        Field(description="height of the sensor's face above the level it calls zero"),
    ] = None
    blind_zone: Annotated[
        LengthField | None,
        Field(
            description="how near to its face it sees nothing, from its sheet; goes with mounting_height",
            validate_default=True,
        ),
    ] = None
    # dissolved solids only
    tds_scale: Annotated[
        TdsScale | None,
        Field(
            description="what the meter's maker assumes to turn conductivity into mg/L; needed for tds",
            validate_default=True,
        ),
    ] = None
    tds_factor: Annotated[
        float | None,
        Field(
            gt=0.2,
            lt=1.5,
            description="mg/L per µS/cm, with tds_scale own and only with it",
            validate_default=True,
        ),
    ] = None
    # contacts only
    normally: Annotated[
        Literal["open", "closed"] | None,
        Field(
            description="how a contact stands while the thing is not so; open where left out. A closed "
            "contact comes as 1; with normally closed an open one becomes 1, so that 1 always means: it is so"
        ),
    ] = None
    debounce: Annotated[
        PositiveDurationMs | None,
        Field(description="a contact's change counts once it has stood for so long"),
    ] = None
    supervised: Annotated[
        Supervision | None,
        Field(description="what a watched contact sends while open and closed; anything else is its wire"),
    ] = None
    # flags
    jump: Annotated[
        MeasureField | None,
        Field(description="a larger step waits for the next value to confirm or refute it"),
    ] = None
    noise: Annotated[
        MeasureField | None,
        Field(description="values that swing to and fro by more than this become uncertain"),
    ] = None
    flat_after: Annotated[
        PositiveDurationMs, Field(description="a value that does not move for so long becomes uncertain")
    ] = 172_800_000

    @property
    def label(self) -> str:
        return self.name or self.id

    @cached_property
    def scale(self) -> Scale:
        """From the channel's unit to the canonical one of its quantity."""
        litres = None if self.counter is None else self.counter.litres_per_pulse
        return to_canonical(self.unit, self.quantity) if litres is None else Scale(litres, 0.0)

    def in_its_unit(self, received: float) -> float:
        """What arrives as a value in the channel's unit, however far beyond the range."""
        loop = self.current_loop
        return received if loop is None else loop.value(loop.current_ma(received), self.range)

    @cached_property
    def canonical_range(self) -> tuple[float, float]:
        return self.scale.apply(self.range[0]), self.scale.apply(self.range[1])

    @cached_property
    def canonical_resolution(self) -> float:
        return self.resolution * self.scale.factor

    @field_validator("unit")
    @classmethod
    def _unit_fits(cls, unit: str, info: ValidationInfo) -> str:
        pulses = unit in PULSES and info.data.get("quantity") == "volume"
        if "quantity" in info.data and not pulses:
            to_canonical(unit, info.data["quantity"])
        return unit

    @field_validator("range")
    @classmethod
    def _range_rises(cls, span: tuple[float, float]) -> tuple[float, float]:
        if not span[0] < span[1]:
            raise Wrong("two numbers, the lower first, in the channel's unit, like [0, 200]")
        return span

    @field_validator("accuracy")
    @classmethod
    def _accuracy_fits(cls, accuracy: Accuracy, info: ValidationInfo) -> Accuracy:
        _fits_as_difference(accuracy.absolute, info, "absolute")
        return accuracy

    @field_validator("jump", "noise")
    @classmethod
    def _size_fits(cls, size: Measure | None, info: ValidationInfo) -> Measure | None:
        _fits_as_difference(size, info, "")
        return size

    @field_validator("gate")
    @classmethod
    def _own_course_tells(cls, gate: Gate | None, info: ValidationInfo) -> Gate | None:
        if gate is not None and gate.flow is None and info.data.get("quantity", "tds") not in _STANDS_SALTIER:
            raise Wrong(
                f"a channel that says when water runs: only {', '.join(_STANDS_SALTIER)} show it themselves",
                key="flow",
                found="nothing",
            )
        return gate

    @field_validator("compensated", "compensation", "alpha", "temperature", "cell_constant")
    @classmethod
    def _conductivity_only(cls, found: Any, info: ValidationInfo) -> Any:
        if found not in (None, "none") and info.data.get("quantity", "conductivity") != "conductivity":
            raise Wrong("nothing: this key belongs to conductivity only")
        return found

    @field_validator("minimum_flow")
    @classmethod
    def _flow_only(cls, found: Any, info: ValidationInfo) -> Any:
        if found is not None and info.data.get("quantity", "flow") != "flow":
            raise Wrong("nothing: this key belongs to flow only")
        return found

    @field_validator("counter")
    @classmethod
    def _counts_litres_or_pulses(cls, counter: Counter | None, info: ValidationInfo) -> Counter | None:
        if counter is not None and info.data.get("quantity", "volume") != "volume":
            raise Wrong("nothing: this key belongs to volume only")
        if "unit" not in info.data:
            return counter
        pulses = info.data["unit"] in PULSES
        if pulses and (counter is None or counter.litres_per_pulse is None):
            raise Wrong('what a pulse is: { pulses_per_litre = 450.0 } or { pulse_volume = "10 L" }')
        if not pulses and counter is not None and counter.litres_per_pulse is not None:
            raise Wrong(
                f'unit = "pulse" where pulses come; {info.data["unit"]} come, so no pulse needs a volume'
            )
        return counter

    @field_validator("current_loop")
    @classmethod
    def _no_contact_nor_count(cls, loop: CurrentLoop | None, info: ValidationInfo) -> CurrentLoop | None:
        if loop is not None and (info.data.get("quantity") == "contact" or info.data.get("counter")):
            raise Wrong("nothing: a contact or a counter is no current of 4 to 20 mA")
        return loop

    @field_validator("mounting_height", "blind_zone")
    @classmethod
    def _level_only(cls, found: Any, info: ValidationInfo) -> Any:
        if found is not None and info.data.get("quantity", "level") != "level":
            raise Wrong("nothing: this key belongs to level only")
        return found

    @field_validator("blind_zone")
    @classmethod
    def _seen_from_a_height(cls, blind: Measure | None, info: ValidationInfo) -> Measure | None:
        if "mounting_height" not in info.data:
            return blind
        height = info.data["mounting_height"]
        if (blind is None) != (height is None):
            raise Wrong('a length, like "250 mm", together with mounting_height, or neither')
        if blind is not None and blind.in_unit("mm") >= height.in_unit("mm"):
            raise Wrong(f"less than mounting_height ({height}): or it sees nothing at all")
        return blind

    @field_validator("normally", "debounce", "supervised")
    @classmethod
    def _contact_only(cls, found: Any, info: ValidationInfo) -> Any:
        if found is not None and info.data.get("quantity", "contact") != "contact":
            raise Wrong("nothing: this key belongs to contacts only")
        return found

    @field_validator("compensation")
    @classmethod
    def _compensated_once(cls, compensation: Compensation, info: ValidationInfo) -> Compensation:
        if info.data.get("compensated") and compensation != "none":
            raise Wrong('"none": the instrument already compensates, and compensating twice is refused')
        return compensation

    @field_validator("temperature")
    @classmethod
    def _temperature_for_compensation(cls, temperature: str | None, info: ValidationInfo) -> str | None:
        if temperature is None and info.data.get("compensation", "none") != "none":
            raise Wrong(
                f'compensation = "{info.data["compensation"]}" needs the id of the channel that measures '
                "this water's temperature"
            )
        return temperature

    @field_validator("tds_scale")
    @classmethod
    def _scale_known(cls, scale: TdsScale | None, info: ValidationInfo) -> TdsScale | None:
        if scale is None and info.data.get("quantity") == "tds":
            raise Wrong('what the maker of the TDS meter assumes: "nacl", "kcl", "natural" or "own"')
        if scale is not None and info.data.get("quantity", "tds") != "tds":
            raise Wrong("nothing: this key belongs to tds only")
        return scale

    @field_validator("tds_factor")
    @classmethod
    def _factor_for_own(cls, factor: float | None, info: ValidationInfo) -> float | None:
        if "tds_scale" in info.data and (info.data["tds_scale"] == "own") != (factor is not None):
            raise Wrong('mg/L per µS/cm, like 0.65, with tds_scale = "own" and only with it')
        return factor


def _fits_as_difference(found: Measure | None, info: ValidationInfo, key: str) -> None:
    if found is None or "quantity" not in info.data:
        return
    try:
        size = found.difference(info.data["quantity"])
    except UnitError as error:
        raise Wrong(str(error), key=key) from error
    if size <= 0.0:
        raise Wrong("a size, more than zero", key=key)
