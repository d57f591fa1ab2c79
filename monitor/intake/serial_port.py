"""A serial port, opened as its settings say, and the errors it may show."""

from __future__ import annotations

import termios
from pathlib import Path

import serial

from monitor.intake.serial_settings import Port

WRITE_S = 2.0
STABLE_LINKS = Path("/dev/serial/by-id")  # udev makes them, named by adapter and serial number
_MOST = 4096
_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}

# An unplugged port shows itself as SerialException (an OSError), as plain OSError from `in_waiting`, or as
# termios.error, which is neither; ValueError is a speed that this port does not have.
PORT_ERRORS = (OSError, termios.error, ValueError)


def open_port(port: Port) -> serial.Serial:
    """The port, for one program alone; reading it does not wait.

    Raises: one of PORT_ERRORS when it is not there, taken, or cannot be set up so.
    """
    return serial.Serial(
        port=port.device,
        baudrate=port.baud,
        bytesize=port.bytesize,
        parity=_PARITIES[port.parity],
        stopbits=port.stopbits,
        timeout=0.0,
        write_timeout=WRITE_S,
        exclusive=True,  # else two programs may open one port, and each gets half of the bytes
    )


def take(device: serial.Serial) -> bytes:
    """What a port that is ready has received, 4096 bytes at most.

    Raises: one of PORT_ERRORS when it is unplugged: it is then ready, and gives nothing.
    """
    received: bytes = device.read(max(1, min(device.in_waiting, _MOST)))
    return received


def stable_links() -> list[str]:
    """The names of the ports here that stay when plugs are changed, in the order of the alphabet."""
    return sorted(str(link) for link in STABLE_LINKS.glob("*"))
