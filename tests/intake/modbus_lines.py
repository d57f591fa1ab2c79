"""Both Modbus wires for a test: a driver of ours, a wire that can be bent, pymodbus's server behind it."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Protocol

from pymodbus.simulator import DataType, SimData, SimDevice

from monitor.intake.delays import Delays
from monitor.intake.driver import Driver, Sink
from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_settings import UnitWire, Wire
from monitor.intake.modbus_tcp import ModbusTcpDriver
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.modbus_tcp_settings import Wire as TcpWire
from monitor.intake.serial_settings import Port
from simulator.wires.rtu import crc16, framed, take_request
from tests.intake.shop import StillClock, meter, soon
from tests.modbus_server import Bend, NullModem, Relay, serving, serving_tcp
from tests.mosquitto import free_port


def device(unit: int, value: float, **settings: Any) -> SimDevice:
    """Two registers with a float, one with an integer, eight with bits, at one unit."""
    return SimDevice(
        id=unit,
        simdata=(
            [SimData(address=0, values=[True, False, True], datatype=DataType.BITS)],
            [SimData(address=4, values=[False, True], datatype=DataType.BITS)],
            [
                SimData(address=0, values=value, datatype=DataType.FLOAT32),
                SimData(address=2, values=-123, datatype=DataType.INT16),
                SimData(address=10, values=2 * value, datatype=DataType.FLOAT32),
            ],
            [SimData(address=8, values=7, datatype=DataType.UINT16)],
        ),
        **settings,
    )


class Line(Protocol):
    """A wire of either kind, with units 3 (12.5) and 4 (99.0) at its far end."""

    bend: Bend

    @property
    def bodies(self) -> list[bytes]:
        """What was asked, as unit and PDU."""

    @staticmethod
    def wire(unit: int, *channels: str, **settings: Any) -> UnitWire:
        """A wire whose channels take the float at address 0, each unless settings say more."""

    def driver(self, sink: Sink, *wires: UnitWire, delays: Delays = soon) -> Driver: ...

    def framed(self, body: bytes, like: bytes) -> bytes:
        """A frame of unit and PDU, an answer to the same question as another."""

    def corrupted(self, answer: bytes) -> bytes:
        """An answer that cannot be the one that was sent."""

    def unplug(self) -> None: ...

    def plug(self) -> None: ...

    def close(self) -> None: ...


def _settings(unit: int, channels: Sequence[str], settings: dict[str, Any]) -> dict[str, Any]:
    value = [{"channel": channel, "address": 0, "type": "float32"} for channel in channels]
    return {"unit": unit, "every": "100 ms", "timeout": "1 s", "value": value, **settings}


def _meters(wires: Sequence[UnitWire]) -> list[Any]:
    return [meter(w, *(item.channel for item in w.value), id=f"unit-{w.unit}") for w in wires]


def body_of(answer: bytes, line: Line) -> bytes:
    """Unit and PDU of an answer."""
    return answer[:-2] if isinstance(line, OnABus) else answer[6:]


class OnABus:
    """RTU over a pair of pseudo-terminals."""

    def __init__(self, folder: Path) -> None:
        self._modem = NullModem(folder)
        self._stack = ExitStack()
        self._stack.callback(self._modem.close)
        self._stack.enter_context(serving(self._modem.far, [device(3, 12.5), device(4, 99.0)]))

    @property
    def bend(self) -> Bend:
        return self._modem.bend

    @bend.setter
    def bend(self, bend: Bend) -> None:
        self._modem.bend = bend

    @property
    def bodies(self) -> list[bytes]:
        return [take_request(frame)[0] for frame in self._modem.asked]

    @staticmethod
    def wire(unit: int, *channels: str, **settings: Any) -> Wire:
        return Wire.model_validate({"port": "bus", **_settings(unit, channels, settings)})

    def driver(self, sink: Sink, *wires: UnitWire, delays: Delays = soon) -> Driver:
        port = Port(id="bus", device=str(self._modem.near), baud=19200)
        return ModbusRtuDriver(port, _meters(wires), sink, StillClock(), delays=delays)

    def framed(self, body: bytes, like: bytes) -> bytes:
        return framed(body)

    def corrupted(self, answer: bytes) -> bytes:
        return answer[:-2] + struct.pack("<H", crc16(answer[:-2]) ^ 0x100)

    def unplug(self) -> None:
        self._modem.unplug()

    def plug(self) -> None:
        self._modem.plug()

    def close(self) -> None:
        self._stack.close()


class OverTcp:
    """TCP through a relay."""

    def __init__(self, folder: Path) -> None:
        port = free_port()
        self._stack = ExitStack()
        self._stack.enter_context(serving_tcp(port, [device(3, 12.5), device(4, 99.0)]))
        self.relay = Relay(("127.0.0.1", port))
        self._stack.callback(self.relay.close)

    @property
    def bend(self) -> Bend:
        return self.relay.bend

    @bend.setter
    def bend(self, bend: Bend) -> None:
        self.relay.bend = bend

    @property
    def bodies(self) -> list[bytes]:
        return [frame[6:] for frame in self.relay.asked]

    @staticmethod
    def wire(unit: int, *channels: str, **settings: Any) -> TcpWire:
        return TcpWire.model_validate({"server": "hall", **_settings(unit, channels, settings)})

    def driver(self, sink: Sink, *wires: UnitWire, delays: Delays = soon) -> Driver:
        server = Server(id="hall", host="127.0.0.1", port=self.relay.port)
        return ModbusTcpDriver(server, _meters(wires), sink, StillClock(), delays=delays)

    def framed(self, body: bytes, like: bytes) -> bytes:
        return like[:4] + struct.pack(">H", len(body)) + body

    def corrupted(self, answer: bytes) -> bytes:
        """TCP has a checksum of its own; what is left is a server that answers something else."""
        return answer[:8] + bytes([answer[8] ^ 2]) + answer[9:]

    def unplug(self) -> None:
        self.relay.unplug()

    def plug(self) -> None:
        self.relay.plug()

    def close(self) -> None:
        self._stack.close()
