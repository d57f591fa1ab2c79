"""What is to be minded about the wires: buses of others, names that change, currents that hide a fault."""

from __future__ import annotations

import re
from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.plant.fields import shown_duration

_MODBUS = ("modbus-rtu", "modbus-tcp")
# Names the kernel gives in the order in which adapters are found.
_BY_ORDER = re.compile(r"/dev/tty(USB|ACM)\d+")


def of_wires(site: SiteFile) -> Iterator[Caution]:
    """Cautions about serial ports, Modbus and current loops."""
    yield from _ports(site)
    yield from _buses(site)
    yield from _read_too_seldom(site)
    yield from _hidden_zero(site)


def _ports(site: SiteFile) -> Iterator[Caution]:
    for port in site.serial_ports:
        if _BY_ORDER.fullmatch(port.device):
            yield Caution(
                site.places.line("serial_port", port.id, "device"),
                f'Serial port "{port.id}": {port.device} may be another adapter after plugs were changed or '
                "the machine was started anew. Give its link in /dev/serial/by-id: it goes with the adapter.",
            )


def _buses(site: SiteFile) -> Iterator[Caution]:
    wires = [i.wire for i in site.plant.instrument if i.wire.kind in _MODBUS]
    for port in dict.fromkeys(wire.port for wire in wires if wire.kind == "modbus-rtu"):
        yield Caution(
            site.places.line("serial_port", port),
            f'Serial port "{port}": Goodwater asks the instruments on this bus itself. Only on a bus of its '
            "own; on one shared with drives or a controller a second master can trip machines.",
        )
    for server in dict.fromkeys(wire.server for wire in wires if wire.kind == "modbus-tcp"):
        yield Caution(
            site.places.line("modbus_server", server),
            f'Modbus server "{server}": a gateway passes each question to the bus behind it, and that bus '
            "must be Goodwater's own too; never a machine's controller.",
        )


def _read_too_seldom(site: SiteFile) -> Iterator[Caution]:
    for instrument in site.plant.instrument:
        wire = instrument.wire
        if wire.kind in _MODBUS and wire.every > instrument.expected_interval:
            yield Caution(
                site.places.line("instrument", instrument.id, "wire", "every"),
                f"{instrument.label}: read every {shown_duration(wire.every)}, expected every "
                f"{shown_duration(instrument.expected_interval)}; it will be taken for silent.",
            )


def _hidden_zero(site: SiteFile) -> Iterator[Caution]:
    for channel in site.plant.channels.values():
        loop = channel.current_loop
        if loop is not None and loop.counts[0] == 0.0:
            looks_like = f"{channel.range[1 if loop.falling else 0]:g} {channel.unit}"
            yield Caution(
                site.places.line("channel", channel.id, "current_loop"),
                f"{channel.id}: 0 counts are 4 mA, so the input module shows nothing below it, and a broken "
                f"wire looks like {looks_like}. Set the module to 0 to 20 mA if it can be, and give the "
                "counts at 4 and 20 mA.",
            )
