"""One instrument on a Modbus wire as its driver sees it."""

from __future__ import annotations

from monitor.clock import Clock
from monitor.intake.delays import Delays
from monitor.intake.modbus_settings import UnitWire
from monitor.intake.modbus_values import requests
from monitor.intake.station import Station


class ModbusStation(Station):
    """Its requests, and its turn."""

    def __init__(self, name: str, wire: UnitWire, clock: Clock, delays: Delays) -> None:
        super().__init__(name, wire.every, wire.timeout, clock, delays, at=f"unit {wire.unit}")
        self.wire = wire
        self.requests = requests(wire)
