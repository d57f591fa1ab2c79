"""A conductivity meter that prints text lines on a serial port, to try the reading of one without owning it.

    python -m simulator.line_meter ./meter

makes a pseudo-terminal under that name, prints `EC=5.0 uS` on it every ten seconds, and shows another value
from the moment one is typed. Typing `off` pulls its plug.
"""

from __future__ import annotations

import argparse
import select
import sys
import time
from pathlib import Path

from simulator.wires.ports import Port


def main() -> int:
    """Print lines until the input ends or `off` is typed."""
    parser = argparse.ArgumentParser(prog="python -m simulator.line_meter", description=__doc__)
    parser.add_argument("device", type=Path, help="name of the serial port to make")
    parser.add_argument("--every", type=float, default=10.0, help="seconds between lines (default 10)")
    options = parser.parse_args()
    port = Port(options.device)
    print(f"the meter is on {options.device}; type a value in uS/cm, or off", flush=True)
    value, due_s = 5.0, 0.0
    try:
        while True:
            if time.monotonic() >= due_s:
                port.write(f"EC={value:.1f} uS\r\n".encode())
                due_s = time.monotonic() + options.every
            typed = _typed(due_s - time.monotonic())
            if typed is None:
                continue
            if typed in ("", "off\n"):
                return 0
            try:
                value, due_s = float(typed), 0.0
            except ValueError:
                print(f"{typed.strip()!r} is no value", flush=True)
    finally:
        port.close()


def _typed(wait_s: float) -> str | None:
    ready, _, _ = select.select([sys.stdin], [], [], max(0.0, wait_s))
    return sys.stdin.readline() if ready else None


if __name__ == "__main__":
    raise SystemExit(main())
