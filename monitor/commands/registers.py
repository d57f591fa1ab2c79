"""`goodwater registers WHERE`: what a Modbus range holds, in all types, and the tables to paste."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from pydantic import ValidationError

from monitor.cli import Refused
from monitor.commands.common import table
from monitor.commands.registers_snippet import Choice, Target, snippet
from monitor.intake.kept_open import ready
from monitor.intake.modbus_frame import HIGHEST_ADDRESS, HIGHEST_ON_A_BUS, HIGHEST_UNIT
from monitor.intake.modbus_poll import Asked
from monitor.intake.modbus_rtu import Bus
from monitor.intake.modbus_scan import Scanned, meaning, scan
from monitor.intake.modbus_settings import FUNCTIONS, Order
from monitor.intake.modbus_tcp import Connection, connected
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.serial_port import PORT_ERRORS, open_port, stable_links
from monitor.intake.serial_settings import Port

MOST = 1000  # at once: a scan takes time on the bus, and a person has to read it
_WIDE = ("int32", "uint32", "float32")
_ORDERS: tuple[Order, Order] = ("high-first", "low-first")

_CAUTION_BUS = (
    "A serial bus has one master. On a bus with drives, a controller or a machine's panel a second one\n"
    "disturbs their telegrams, and reading what a device does not expect to be read can trip machines.\n"
    "Only on a bus that is Goodwater's own. It reads (functions 1 to 4) and never writes."
)
_CAUTION_TCP = (
    "A gateway passes every question to the serial bus behind it: that bus must be Goodwater's own, or\n"
    "drives and controllers on it can be disturbed and machines trip. Never at a machine's controller.\n"
    "Goodwater reads (functions 1 to 4) and never writes."
)


def add_to(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "where",
        metavar="WHERE",
        help="a serial port (/dev/serial/by-id/...), or HOST or HOST:PORT of Modbus TCP",
    )
    parser.add_argument("--unit", type=int, help="address on the bus; over TCP 255 where left out")
    parser.add_argument(
        "--function",
        choices=list(FUNCTIONS),
        default="holding-registers",
        help="what is read; holding-registers where left out",
    )
    parser.add_argument("--address", type=int, default=0, metavar="N", help="the first, counted from 0")
    parser.add_argument("--count", type=int, default=16, metavar="N", help=f"how many, at most {MOST}")
    parser.add_argument("--baud", type=int, default=9600, help="speed of the serial port")
    parser.add_argument("--parity", choices=("none", "even", "odd"), default="none", help="its parity")
    parser.add_argument("--stopbits", type=int, choices=(1, 2), default=1, help="its stop bits")
    parser.add_argument("--timeout", type=float, default=1.0, metavar="S", help="seconds an answer may take")
    parser.add_argument("--yes", action="store_true", help="the bus is Goodwater's own: do not ask")
    parser.add_argument(
        "--paste",
        action="append",
        default=[],
        metavar="CHOICE",
        help="print the tables for ADDRESS:TYPE, like 0:float32, 0:float32:low-first or "
        "0:float32:low-first:low-first (word order, byte order); for coils and inputs ADDRESS; may be given "
        "several times",
    )


def run(options: argparse.Namespace) -> int:
    function = FUNCTIONS[options.function]
    target = _target(options)
    choices = [Choice.parse(text, function) for text in options.paste]
    _confirmed(target, options.yes)
    with _opened(target) as asked:
        found = scan(asked, target.unit, function, options.address, options.count, options.timeout)
    if not found.held:
        print("\n".join([f"\n{target.words} gave nothing:", *_not_read(found), _advice(target, found)]))
        return 1
    print(f"\n{target.words}, {options.function.replace('-', ' ')}:")
    for line in _bits(found) if function.reads_bits else _registers(found):
        print(line)
    for line in _not_read(found):
        print(line)
    if not choices and sys.stdin.isatty():
        print("\nWhich of them to paste? ADDRESS:TYPE, several with spaces between; Enter for none.")
        choices = [Choice.parse(text, function) for text in sys.stdin.readline().split()]
    if choices:
        print("\n" + snippet(target, options.function, choices, found.held))
    return 0


def _target(options: argparse.Namespace) -> Target:
    """Where to ask, from what was typed. Raises: Refused."""
    serial = "/" in options.where
    unit = options.unit
    if unit is None and serial:
        raise Refused("--unit is needed: the instrument's address on the bus, 1 to 247")
    unit = HIGHEST_UNIT if unit is None else unit
    lowest, highest = (1, HIGHEST_ON_A_BUS) if serial else (0, HIGHEST_UNIT)
    if not lowest <= unit <= highest:
        raise Refused(f"--unit {unit}: {lowest} to {highest}")
    if not 1 <= options.count <= MOST:
        raise Refused(f"--count {options.count}: 1 to {MOST}")
    if not 0 <= options.address <= HIGHEST_ADDRESS + 1 - options.count:
        raise Refused(
            f"--address {options.address}: 0 to {HIGHEST_ADDRESS + 1 - options.count}; what a sheet calls "
            "40001 or 30001 is 0"
        )
    if not 0.02 <= options.timeout <= 10.0:
        raise Refused(f"--timeout {options.timeout:g}: 0.02 to 10 seconds")
    try:
        if serial:
            return Target(unit, port=_port(options))
        return Target(unit, server=_server(options.where))
    except ValidationError as error:
        key = ".".join(map(str, error.errors()[0]["loc"]))
        raise Refused(f"{options.where}: {key}: {error.errors()[0]['msg'].lower()}") from error


def _port(options: argparse.Namespace) -> Port:
    return Port(
        id="bus",
        device=options.where,
        baud=options.baud,
        parity=options.parity,
        stopbits=options.stopbits,
    )


def _server(where: str) -> Server:
    host, colon, port = where.rpartition(":")
    if not colon or where.endswith("]") or (":" in host and not host.endswith("]")):  # IPv6 without a port
        host, port = where, "502"
    if not port.isascii() or not port.isdigit():
        raise Refused(f'"{where}" is no host: write HOST or HOST:PORT, or the path of a serial port')
    return Server(id="server", host=host.strip("[]"), port=int(port))


def _confirmed(target: Target, yes: bool) -> None:
    """Say what a scan may do, and have it confirmed. Raises: Refused."""
    print(_CAUTION_TCP if target.port is None else _CAUTION_BUS, flush=True)
    if yes:
        return
    print(f"Ask {target.words}? Type yes to go on: ", end="", flush=True)
    if sys.stdin.readline().strip().lower() != "yes":
        print()
        raise Refused("nothing was asked; type yes, or give --yes, where the bus is Goodwater's own")


@contextmanager
def _opened(target: Target) -> Iterator[Asked]:
    """The wire to a target. Raises: Refused where there is none, or while it is in use it is lost."""
    try:
        if target.port is not None:
            with open_port(target.port) as device:
                yield Bus(device, ready)
        elif target.server is not None:
            with connected(target.server.host, target.server.port, ready) as opened:
                connection = Connection(opened, ready)
                connection.settle()
                yield connection
    except (*PORT_ERRORS, UnicodeError) as error:
        raise Refused(
            f"{target.place}: {str(error) or type(error).__name__}{_hint(target, error)}"
        ) from error


def _hint(target: Target, error: Exception) -> str:
    if target.port is None:
        return ""
    if "exclusive" in str(error) or "temporarily unavailable" in str(error):
        return "; another program has it open: stop the watch meanwhile"
    links = stable_links()
    return f"; ports here: {', '.join(links)}" if links else "; no serial adapter is plugged in here"


def _advice(target: Target, found: Scanned) -> str:
    if found.refused:
        return "It answers, so wires and unit are right: try another --function, or --address."
    if target.port is None:
        return "Check the unit, and that --timeout is longer than the gateway itself waits."
    return (
        "Check the unit, baud and parity (its sheet), then the two wires (A and B are often swapped) and the "
        "termination."
    )


def _registers(found: Scanned) -> Iterator[str]:
    """A table for each order of bytes; in it both orders of words side by side."""
    for byte_order in _ORDERS:
        yield f"\nbyte_order {byte_order}{' (the standard)' if byte_order == 'high-first' else ''}"
        wide = ["| int32", "uint32", "float32"]
        rows = [["address", "hex", "int16", "uint16", *wide, *wide]]
        for address in sorted(found.held):
            cells = [str(address), f"{found.held[address]:04x}"]
            cells += [_cell(found, address, kind, "high-first", byte_order) for kind in ("int16", "uint16")]
            for words in _ORDERS:
                first, *others = [_cell(found, address, kind, words, byte_order) for kind in _WIDE]
                cells += [f"| {first}", *others]
            rows.append(cells)
        body = table(rows)
        first_bar, second_bar = (at for at, letter in enumerate(body.partition("\n")[0]) if letter == "|")
        title = " " * first_bar + f"| word_order {_ORDERS[0]}"
        yield f"{title.ljust(second_bar)}| word_order {_ORDERS[1]}\n{body}"


def _cell(found: Scanned, address: int, kind: str, word_order: Order, byte_order: Order) -> str:
    value = meaning(found.held, address, kind, word_order, byte_order)
    return "·" if value is None else f"{value:.7g}" if kind == "float32" else str(value)


def _bits(found: Scanned) -> Iterator[str]:
    yield table([["address", "bit"], *([str(at), str(bit)] for at, bit in sorted(found.held.items()))])


def _not_read(found: Scanned) -> Iterator[str]:
    """What is missing in the table, and why."""
    for reason in dict.fromkeys(found.refused.values()):
        yield f"  refused, {reason}: {_spans([at for at, why in found.refused.items() if why == reason])}"
    if found.broke_off:
        yield f"  broke off: {found.broke_off}"


def _spans(addresses: Sequence[int]) -> str:
    """Addresses as spans: `3, 7 to 12`."""
    spans: list[list[int]] = []
    for at in sorted(addresses):
        if spans and at == spans[-1][1] + 1:
            spans[-1][1] = at
        else:
            spans.append([at, at])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in spans)
