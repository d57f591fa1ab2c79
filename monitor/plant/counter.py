"""A counter: a totaliser, or the pulses of a meter, that rolls over and is set back now and then."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import FlowField, Measure, Table, VolumeField, Wrong

# What a channel's unit says when pulses are counted, not litres.
PULSES = ("pulse", "pulses")

_STEPS = {"16 bit": 2.0**16, "32 bit": 2.0**32}


class Counter(Table):
    """How a counter counts. The table being there, even empty, means that the channel is one."""

    pulses_per_litre: Annotated[
        float | None,
        Field(gt=0, description="pulses for each litre, from the meter's sheet; with unit pulse"),
    ] = None
    pulse_volume: Annotated[
        VolumeField | None,
        Field(description='the water of one pulse, like "10 L" or "1 gal"; one of the two, with unit pulse'),
    ] = None
    rolls_over_at: Annotated[
        float | Literal["16 bit", "32 bit"] | None,
        Field(
            description="where it begins again at 0, in the channel's unit: 65536 or 1000000 for six digits; "
            '"16 bit" or "32 bit" for so many steps of the resolution; left out where it never does'
        ),
    ] = None
    largest_flow: Annotated[
        FlowField | None,
        Field(description="the most the pipe or meter can pass: a faster count is flagged and not believed"),
    ] = None

    @property
    def litres_per_pulse(self) -> float | None:
        """None where litres are counted, not pulses."""
        if self.pulses_per_litre is not None:
            return 1.0 / self.pulses_per_litre
        return None if self.pulse_volume is None else self.pulse_volume.in_unit("L")

    def rolls_over(self, resolution: float) -> float | None:
        """Where it begins again at 0, in the channel's unit; None where it never does."""
        at = self.rolls_over_at
        return _STEPS[at] * resolution if isinstance(at, str) else at

    @field_validator("pulse_volume")
    @classmethod
    def _one_of_the_two(cls, found: Measure | None, info: ValidationInfo) -> Measure | None:
        if found is not None and info.data.get("pulses_per_litre") is not None:
            raise Wrong("nothing: pulses_per_litre already says it; one of the two")
        return found

    @field_validator("rolls_over_at")
    @classmethod
    def _rolls_over_somewhere(cls, found: float | str | None) -> float | str | None:
        if isinstance(found, float) and found <= 0.0:
            raise Wrong('a number of the channel\'s unit, more than 0, like 65536, or "16 bit" or "32 bit"')
        return found
