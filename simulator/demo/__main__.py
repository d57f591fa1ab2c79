"""Command: `python -m simulator.demo [--minutes N] [--seed S] [--without FAULT] [--no-rules] [--folder DIR]`.

`sh deploy/demo.sh` calls it with everything it needs.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from simulator.demo.script import FAULTS, IN_WORDS
from simulator.demo.show import Show, ShowStopped

_DEFAULT_MINUTES = 6.0
_LEAST_MINUTES, _MOST_MINUTES = 1.0, 120.0


def _parser() -> argparse.ArgumentParser:
    faults = "; ".join(f"{name}: {words}" for name, words in IN_WORDS.items())
    parser = argparse.ArgumentParser(
        prog="sh deploy/demo.sh",
        description="An invented shop's bad month, played over real wires to a real watch.",
        epilog=f"What is planted: {faults}. Exit 0 only when each was told, and nothing else.",
    )
    parser.add_argument(
        "--minutes", type=float, help="playing time, then end (without: stay up until Ctrl-C)"
    )
    parser.add_argument("--seed", type=int, default=1, help="same seed, same month (default 1)")
    parser.add_argument(
        "--without", action="append", default=[], choices=list(FAULTS), help="withhold a planted fault"
    )
    parser.add_argument("--no-rules", action="store_true", help="a watch that judges nothing: must exit 1")
    parser.add_argument("--folder", type=Path, help="keep mails, chat and store here (else a passing folder)")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the show; 0 when all was as it should be, 1 when not, 2 on a mistake, 130 when interrupted."""
    parser = _parser()
    options = parser.parse_args(arguments)
    minutes = options.minutes if options.minutes is not None else _DEFAULT_MINUTES
    if not _LEAST_MINUTES <= minutes <= _MOST_MINUTES:
        parser.error(f"--minutes {minutes:g}: between {_LEAST_MINUTES:g} and {_MOST_MINUTES:g}")
    with ExitStack() as stack:
        folder = options.folder
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="goodwater-")))
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            parser.error(f"--folder {folder}: is not empty; give a new one")
        show = stack.enter_context(
            Show(folder.absolute(), options.seed, tuple(options.without), rules=not options.no_rules)
        )
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: show.stopped.set())
        try:
            show.set_up()
            well = not show.stopped.is_set() and show.play(60.0 * minutes)
            if options.minutes is None and not show.stopped.is_set():
                show.stay()
                return 0 if well else 1
        except ShowStopped as error:
            print(f"\ndemo: {error}", file=sys.stderr)
            return 130 if show.stopped.is_set() else 1
        if show.stopped.is_set():
            return 130
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
