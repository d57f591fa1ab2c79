"""Settings of Modbus TCP: the host that answers, and the unit behind it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from monitor.intake.modbus_frame import HIGHEST_UNIT
from monitor.intake.modbus_settings import UnitWire
from monitor.plant.fields import DurationMs, Id, RefersTo, Table


class Server(Table):
    """One host that answers Modbus TCP: an instrument, or a gateway to instruments on a serial bus."""

    id: Id = Field(description="the name instruments use to say which host they are asked at")
    host: str = Field(min_length=1, max_length=255, description="its name or address in the shop's network")
    port: int = Field(default=502, ge=1, le=65535, description="TCP port")


class Wire(UnitWire):
    """An instrument that is asked over Modbus TCP. Goodwater only ever reads: functions 1 to 4."""

    kind: Literal["modbus-tcp"] = Field(
        default="modbus-tcp", description='"modbus-tcp": registers read over the network'
    )
    server: Annotated[Id, RefersTo("modbus_server")] = Field(description="id of the [[modbus_server]]")
    unit: int = Field(
        default=255,
        ge=0,
        le=HIGHEST_UNIT,
        description="the instrument's address on the bus behind a gateway; 255 (some want 0 or 1) where the "
        "host is the instrument",
    )
    timeout: DurationMs = Field(
        default=1000,
        ge=20,
        le=10_000,
        description="how long the answer may take; behind a gateway longer than the gateway itself waits for "
        "a unit, or one dead unit delays the others",
    )

    def _where(self) -> str:
        return f'at Modbus server "{self.server}"'
