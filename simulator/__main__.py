"""Command: `python -m simulator SHOP [--faults FILE] [--seed N] [--start DATE] [--days N] --csv DIR |
--wires DIR`.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from pathlib import Path

from simulator.clock import ShopClock
from simulator.faults import read_fault_file
from simulator.shop import ShopError
from simulator.truth import write_truth
from simulator.wires.logger import write_logger_csv
from simulator.wires.play import Player, machine_ms
from simulator.year import Run, simulate


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator", description="Simulate a machine shop's coolant water."
    )
    parser.add_argument("shop", help="shop file (TOML), or the name of one kept with the simulator, as hall3")
    parser.add_argument("--faults", type=Path, help="fault script: [[fault]] tables in TOML")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same year (default 1)")
    parser.add_argument("--start", default="2025-01-06", help="first day, ISO 8601, UTC (default 2025-01-06)")
    parser.add_argument("--days", type=int, default=30, help="whole days (default 30)")
    parser.add_argument(
        "--csv", type=Path, metavar="DIR", help="write logger files, truth.csv and events.csv here"
    )
    parser.add_argument("--wires", type=Path, metavar="DIR", help="play over wires; serial ports appear here")
    parser.add_argument("--broker", metavar="HOST:PORT", help="MQTT broker for --wires")
    parser.add_argument(
        "--clock", help="shop clock, machine-ms:shop-ms,...; default: the run's start now, in real time"
    )
    parser.add_argument(
        "--thin", type=float, default=0.0, metavar="S", help="least shop seconds between equal speakers"
    )
    return parser


def _write(run: Run, folder: Path) -> None:
    for path in write_logger_csv(run, folder):
        print(path)
    write_truth((*run.truth, *run.gaps), folder / "truth.csv")
    lines = [f"{moment},{what},{text}" for moment, what, text in run.events]
    (folder / "events.csv").write_text("\n".join(["time_ms,what,text", *lines, ""]), encoding="utf-8")
    print(folder / "truth.csv", folder / "events.csv", sep="\n")


def _broker(text: str | None) -> tuple[str, int] | None:
    if text is None:
        return None
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit():
        raise ShopError(f"--broker {text!r}: expected HOST:PORT, as 127.0.0.1:1883")
    return host, int(port)


def _play(run: Run, options: argparse.Namespace) -> None:
    if options.clock:
        try:
            clock = ShopClock.parse(options.clock)
        except ValueError as error:
            raise ShopError(f"--clock: {error}") from error
    else:
        clock = ShopClock.at_rate(round(machine_ms()), run.start_ms, 1.0)
    options.wires.mkdir(parents=True, exist_ok=True)
    ended = threading.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: ended.set())
    run.reported  # noqa: B018  worked out before the clock is asked, so that nothing is late
    player = Player(run, clock, options.wires, _broker(options.broker), options.thin)
    player.start()
    print("playing", flush=True)
    while not ended.wait(0.2) and player.shop_ms() < run.end_ms:
        pass
    player.stop()


def main() -> int:
    """Run the command; 0 when done, 2 with one sentence on a mistake in what was asked."""
    options = _parser().parse_args()
    try:
        if not options.csv and not options.wires:
            raise ShopError("nothing to do: give --csv DIR or --wires DIR")
        script = read_fault_file(options.faults) if options.faults else []
        run = simulate(options.shop, script, options.seed, options.start, options.days)
        if options.csv:
            _write(run, options.csv)
        if options.wires:
            _play(run, options)
    except ShopError as error:
        print(f"simulator: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
