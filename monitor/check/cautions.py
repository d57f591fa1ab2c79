"""What is allowed but will disappoint: said before the first alarm, not after."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from monitor.check.caution import Caution
from monitor.check.limits import of_limits
from monitor.check.meters import of_meters
from monitor.check.sumps import of_sumps
from monitor.check.told import of_people
from monitor.check.train import of_train
from monitor.config import SiteFile
from monitor.plant.fields import shown_duration


def cautions(site: SiteFile, environ: Mapping[str, str]) -> list[Caution]:
    """All of them, in the order of the file; those about the file as a whole first."""
    found = [
        *of_people(site, environ),
        *of_limits(site),
        *of_meters(site),
        *of_sumps(site),
        *of_train(site),
        *_buses(site),
    ]
    return sorted(dict.fromkeys(found), key=lambda caution: caution.line)


def _buses(site: SiteFile) -> Iterator[Caution]:
    wires = [(i, i.wire) for i in site.plant.instrument if i.wire.kind in ("modbus-rtu", "modbus-tcp")]
    for port in dict.fromkeys(wire.port for _, wire in wires if wire.kind == "modbus-rtu"):
        yield Caution(
            site.places.line("serial_port", port),
            f'Serial port "{port}": Goodwater asks the instruments on this bus itself. Only on a bus of its '
            "own; on one shared with drives or a controller a second master can trip machines.",
        )
    for instrument, wire in wires:
        if wire.every > instrument.expected_interval:
            yield Caution(
                site.places.line("instrument", instrument.id, "wire", "every"),
                f"{instrument.label}: read every {shown_duration(wire.every)}, expected every "
                f"{shown_duration(instrument.expected_interval)}; it will be taken for silent.",
            )
