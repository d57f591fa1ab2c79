"""The tables of a site file for registers that somebody chose."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from monitor.cli import Refused
from monitor.intake.modbus_frame import ReadFunction
from monitor.intake.modbus_scan import meaning
from monitor.intake.modbus_settings import REGISTERS_OF, Order
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.serial_port import stable_links
from monitor.intake.serial_settings import Port

_TYPES = [kind for kind in REGISTERS_OF if kind != "bit"]


@dataclass(frozen=True, slots=True)
class Target:
    """The unit that is asked, and where: at a port or at a server, one of them."""

    unit: int
    port: Port | None = None
    server: Server | None = None

    @property
    def place(self) -> str:
        if self.server is not None:
            return f"{self.server.host}, port {self.server.port}"
        return "" if self.port is None else self.port.device

    @property
    def words(self) -> str:
        return f"unit {self.unit} at {self.place}"


@dataclass(frozen=True, slots=True)
class Choice:
    """A value somebody found in the table: its address and how it is written there."""

    address: int
    kind: str
    word_order: Order = "high-first"
    byte_order: Order = "high-first"

    @classmethod
    def parse(cls, text: str, function: ReadFunction) -> Choice:
        """From `0:float32:low-first:high-first`, or `4` for a bit of its own. Raises: Refused."""
        address, *rest = text.split(":")
        orders = rest[1:]
        sound = address.isascii() and address.isdigit() and int(address) <= 0xFFFF
        if function.reads_bits:
            if not sound or rest:
                raise Refused(f'"{text}": for coils and discrete inputs the address alone, like 4')
            return cls(int(address), "bit")
        if not sound or rest[:1] == [] or rest[0] not in _TYPES or len(orders) > 2:
            raise Refused(f'"{text}": ADDRESS:TYPE like 0:float32, the type one of {", ".join(_TYPES)}')
        if any(order not in get_args(Order) for order in orders):
            raise Refused(
                f'"{text}": behind the type word order and byte order, each high-first or low-first'
            )
        return cls(int(address), rest[0], *cast(list[Order], orders))


def snippet(target: Target, function: str, choices: Sequence[Choice], held: Mapping[int, int]) -> str:
    """The tables to paste; names, quantities and ranges are for the person to fill in."""
    name = f"unit-{target.unit}"
    lines = [*_wire_end(target), "[[instrument]]"]
    lines += [f'id = "{name}"  # call it what the shop calls it, and say where it measures: point or sump']
    lines += ['expected_interval = "1 min"', "", "[instrument.wire]"]
    if target.port is not None:
        lines += ['kind = "modbus-rtu"', f'port = "{target.port.id}"']
    elif target.server is not None:
        lines += ['kind = "modbus-tcp"', f'server = "{target.server.id}"']
    lines += [f"unit = {target.unit}", f'function = "{function}"', 'every = "1 min"', "value = ["]
    lines += [f"  {_value(name, choice)},{_now(choice, held)}" for choice in choices]
    lines += ["]"]
    for choice in choices:
        lines += ["", *_channel(name, choice)]
    return "\n".join(lines)


def _wire_end(target: Target) -> list[str]:
    if target.server is not None:
        host, port = json.dumps(target.server.host), target.server.port
        return ["[[modbus_server]]", f'id = "{target.server.id}"', f"host = {host}", f"port = {port}", ""]
    port_of = target.port
    assert port_of is not None
    device, remark = _stable(port_of.device)
    return [
        "[[serial_port]]",
        f'id = "{port_of.id}"',
        f"device = {json.dumps(device)}{remark}",
        f"baud = {port_of.baud}",
        f'parity = "{port_of.parity}"',
        f"stopbits = {port_of.stopbits}",
        "",
    ]


def _stable(device: str) -> tuple[str, str]:
    """A port by the name that stays when plugs are changed, where it has one, and a remark."""
    links = stable_links()
    if device in links:
        return device, ""
    same = [link for link in links if Path(link).resolve() == Path(device).resolve()]
    if same:
        return same[0], f"  # {device} now; this name stays when plugs are changed"
    return device, "  # this name may change when plugs are changed; no link in /dev/serial/by-id was found"


def _value(name: str, choice: Choice) -> str:
    parts = [f'channel = "{name}.{choice.address}"', f"address = {choice.address}"]
    if choice.kind != "bit":
        parts.append(f'type = "{choice.kind}"')
    if choice.word_order != "high-first":
        parts.append(f'word_order = "{choice.word_order}"')
    if choice.byte_order != "high-first":
        parts.append(f'byte_order = "{choice.byte_order}"')
    return "{ " + ", ".join(parts) + " }"


def _now(choice: Choice, held: Mapping[int, int]) -> str:
    if choice.kind == "bit":
        return f"  # now {held[choice.address]}" if choice.address in held else ""
    value = meaning(held, choice.address, choice.kind, choice.word_order, choice.byte_order)
    return "" if value is None else f"  # now {value:.7g}"


def _channel(name: str, choice: Choice) -> list[str]:
    head = ["[[instrument.channel]]", f'id = "{name}.{choice.address}"']
    if choice.kind == "bit":
        return [*head, 'quantity = "contact"', 'unit = "1"', "range = [0, 1]", "resolution = 1"]
    remark = "  # from its sheet: what it measures, in which unit, from where to where, how finely"
    return [
        *head,
        f'quantity = "conductivity"{remark}',
        'unit = "uS/cm"',
        "range = [0, 2000]",
        "resolution = 0.1",
    ]
