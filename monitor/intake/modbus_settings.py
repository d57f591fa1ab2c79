"""Settings of Modbus: the unit on a bus, and where in it each channel's value stands, on whatever wire."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from monitor.intake.modbus_frame import HIGHEST_ADDRESS, HIGHEST_ON_A_BUS, HIGHEST_UNIT, ReadFunction
from monitor.plant.fields import DurationMs, Id, RefersTo, Table, Wrong

Function = Literal["coils", "discrete-inputs", "holding-registers", "input-registers"]
Order = Literal["high-first", "low-first"]

FUNCTIONS: dict[str, ReadFunction] = {
    "coils": ReadFunction.COILS,
    "discrete-inputs": ReadFunction.DISCRETE_INPUTS,
    "holding-registers": ReadFunction.HOLDING_REGISTERS,
    "input-registers": ReadFunction.INPUT_REGISTERS,
}
REGISTERS_OF = {"bit": 1, "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}

_AS_ON_THE_WIRE = "counted from 0 as on the wire: what a sheet calls register 40001 or 30001 is 0"
Address = Annotated[int, Field(ge=0, le=HIGHEST_ADDRESS, description=_AS_ON_THE_WIRE)]


class Value(Table):
    """Where one channel's value stands and how it is written; it is `raw * scale + offset`."""

    channel: Annotated[Id, RefersTo("channel", own=True)] = Field(
        description="id of the channel, one of this instrument's"
    )
    function: Function | None = Field(
        default=None, description="what is read, where it is not the wire's own function"
    )
    address: Address
    type: Literal["bit", "int16", "uint16", "int32", "uint32", "float32"] = Field(
        default="bit",
        description="how the value is written in registers; coils and discrete inputs are bits and need none",
    )
    bit: int | None = Field(
        default=None, ge=0, le=15, description="which bit of a register, 0 is the lowest; for type bit"
    )
    word_order: Order = Field(
        default="high-first", description="which of two registers holds the high part: the first or the last"
    )
    byte_order: Order = Field(
        default="high-first",
        description="which byte of a register comes first; high-first is the standard's",
    )
    scale: float = Field(default=1.0, description="what the raw number is multiplied by")
    offset: float = Field(default=0.0, description="what is then added, in the channel's unit")
    invalid: tuple[int, ...] = Field(
        default=(),
        description="raw numbers that say: no valid value, like [-32768] or [65535]",
    )

    @field_validator("scale")
    @classmethod
    def _not_nothing(cls, scale: float) -> float:
        if scale == 0.0:
            raise Wrong("a number other than 0, like 0.1")
        return scale

    @field_validator("invalid")
    @classmethod
    def _integers_only(cls, invalid: tuple[int, ...], info: ValidationInfo) -> tuple[int, ...]:
        if invalid and info.data.get("type") in ("bit", "float32"):
            raise Wrong("nothing: a bit is always valid, and a float says it by not being a number")
        return invalid


class Status(Table):
    """A register by which the instrument says how it is: a fault makes its values bad."""

    address: Address
    function: Function | None = Field(
        default=None, description="what is read, where it is not the wire's own function"
    )
    channels: Annotated[tuple[Id, ...], RefersTo("channel", own=True)] = Field(
        default=(), description="the channels it speaks of; all of the instrument's where left out"
    )
    fault_bits: tuple[Annotated[int, Field(ge=0, le=15)], ...] = Field(
        default=(),
        description="bits any of which means a fault, 0 is the lowest; of a coil or input it is [0]",
    )
    fault_codes: tuple[Annotated[int, Field(ge=0, le=65535)], ...] = Field(
        default=(), description="whole values of the register each of which means a fault"
    )
    over_codes: tuple[Annotated[int, Field(ge=0, le=65535)], ...] = Field(
        default=(), description="whole values that mean over range: the true value is at least the one shown"
    )
    under_codes: tuple[Annotated[int, Field(ge=0, le=65535)], ...] = Field(
        default=(), description="whole values that mean under range: the true value is at most the one shown"
    )

    @model_validator(mode="after")
    def _says_something(self) -> Status:
        if not (self.fault_bits or self.fault_codes or self.over_codes or self.under_codes):
            raise ValueError(
                "give fault_bits, fault_codes, over_codes or under_codes: what the register means"
            )
        return self


class UnitWire(Table):
    """One unit that is asked for its registers. What the ways to it have in common; Goodwater only reads."""

    unit: int = Field(ge=0, le=HIGHEST_UNIT, description="the instrument's address")
    function: Function = Field(
        default="holding-registers",
        description="what is read: holding-registers (function 3), input-registers (4), coils (1) or "
        "discrete-inputs (2)",
    )
    every: DurationMs = Field(ge=100, description="how often to read")
    timeout: DurationMs = Field(
        default=500,
        ge=20,
        le=10_000,
        description="how long the instrument may take to answer; longer than its slowest answer, since a "
        "late one cannot be told from the next",
    )
    gap: int = Field(
        default=0,
        ge=0,
        le=124,
        description="registers in between that are read along, to need fewer requests; 0 where the "
        "instrument refuses addresses that it does not have",
    )
    value: tuple[Value, ...] = Field(min_length=1, description="where each channel's value stands")
    status: tuple[Status, ...] = Field(default=(), description="registers that tell of faults")

    def function_of(self, item: Value | Status) -> ReadFunction:
        """What is read for a value or a status."""
        return FUNCTIONS[item.function or self.function]

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> UnitWire:
        for item in self.value:
            function = self.function_of(item)
            if function.reads_bits and (item.type != "bit" or item.bit is not None):
                raise ValueError(
                    f"channel {item.channel}: coils and discrete inputs are bits, without type or bit"
                )
            if not function.reads_bits and item.type == "bit" and item.bit is None:
                raise ValueError(
                    f"channel {item.channel}: needs a type: {', '.join(REGISTERS_OF)} (bit with the key bit)"
                )
            if item.type != "bit" and item.bit is not None:
                raise ValueError(f'channel {item.channel}: bit goes with type = "bit" only')
            if item.address + REGISTERS_OF[item.type] - 1 > HIGHEST_ADDRESS:
                raise ValueError(f"channel {item.channel}: ends beyond address {HIGHEST_ADDRESS}")
        for status in self.status:
            if self.function_of(status).reads_bits and set(status.fault_bits) - {0}:
                raise ValueError(f"status at {status.address}: a coil or input is one bit, fault_bits = [0]")
        return self

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        named = [item.channel for item in self.value]
        return (
            [f'channel "{channel}" has no value in the wire' for channel in channels if channel not in named]
            + [
                f'channel "{channel}" has two values'
                for channel in dict.fromkeys(named)
                if named.count(channel) > 1
            ]
            + list(self._overlaps())
        )

    def _overlaps(self) -> list[str]:
        """Two values that share a register: one of the addresses is wrong. Bits may."""
        taken: dict[tuple[Any, int], str] = {}
        found: list[str] = []
        for item in (item for item in self.value if item.type != "bit"):
            for address in range(item.address, item.address + REGISTERS_OF[item.type]):
                other = taken.setdefault((self.function_of(item), address), item.channel)
                if other != item.channel:
                    found.append(f'register {address} belongs to "{other}" and to "{item.channel}"')
        return found

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words; the same source for two channels is a mistake."""
        return {item.channel: self._source(item) for item in self.value}

    def _source(self, item: Value) -> str:
        bit = "" if item.bit is None else f"bit {item.bit} of "
        return f"{bit}{item.function or self.function} {item.address} of unit {self.unit} {self._where()}"

    def _where(self) -> str:
        raise NotImplementedError


class Wire(UnitWire):
    """An instrument on a Modbus RTU bus. Goodwater only ever reads: functions 1 to 4."""

    kind: Literal["modbus-rtu"] = Field(
        default="modbus-rtu", description='"modbus-rtu": registers read over a serial bus'
    )
    port: Annotated[Id, RefersTo("serial_port")] = Field(
        description="id of the [[serial_port]]; a port is a bus or carries lines of text, not both"
    )
    unit: int = Field(ge=1, le=HIGHEST_ON_A_BUS, description="the instrument's address on the bus")

    def _where(self) -> str:
        return f'on port "{self.port}"'
