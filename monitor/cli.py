"""`goodwater`: the command line.

Each command is a module of `monitor.commands`, imported only when it is the one called.
"""

from __future__ import annotations

import argparse
import importlib
import sqlite3
import sys
from collections.abc import Sequence

# name: what `goodwater --help` says of it
COMMANDS: dict[str, str] = {
    "init": "ask what a printed page holds, and write the site file of it",
    "check": "read a site file, say everything that is wrong with it, or what will be watched",
    "run": "watch a site until stopped",
    "status": "how the watch, its wires, instruments and messages stand",
    "alarms": "the alarms that are not normal, or all there were",
    "ack": "acknowledge an alarm",
    "reset": "reset a latched alarm whose condition is gone",
    "shelve": "keep an alarm back until a time, or until it clears: it goes on and nobody is told",
    "unshelve": "take an alarm from the shelf",
    "out-of-service": "say that a stage, sump, instrument or rule is under maintenance, until when and why",
    "log": "hand in what was read by eye, or what was done: a strip, a display, a resin change",
    "digest": "write the digest of a week: what changed, instruments, water, sumps, alarms",
    "supplier-report": "one page of a sump's history and its water, for a call to the coolant's supplier",
    "page": "show the shop live in a browser, on this machine",
    "readings": "stored readings as CSV",
    "export": "stored readings, hours or days as a table for other programs: CSV or Parquet",
    "backup": "copy the store while the watch goes on, and check the copy",
    "restore": "put a backup in the place of the store; the old one is kept",
    "listen": "what arrives on a broker or a serial port, as it would be read, and the tables to paste",
    "registers": "what a Modbus instrument's registers hold, in all types, and the tables to paste",
    "mirror": "how the copies on other servers stand; have one compared anew",
    "replay": "judge again what is stored, or what files hold; say why a rule spoke or did not",
    "guard": "on another machine: tell when a watch falls silent, and when it is back",
    "notify-test": "send a test message to everybody by each of their ways",
    "calc": "compute a quantity of water, resin, membrane, sump or statistics by hand",
}

EPILOG = "Goodwater advises; it is no safety system. Times are shown in the site's own zone."


_AS_WHOM = "run this as the user who runs the watch"


class Refused(Exception):
    """A person asked for something that cannot be; the text says what, and what would do."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. 0 is well, 1 an honest no, 2 a mistake in what was asked."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given[:1] == ["calc"]:
        from monitor.calc import main as calc

        return calc(given[1:])
    parser = argparse.ArgumentParser(
        prog="goodwater",
        description="Stands watch over a machine shop's coolant water.",
        epilog=EPILOG,
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((word for word in given if not word.startswith("-")), None)
    for name, description in COMMANDS.items():
        command = commands.add_parser(name, help=description, description=description.capitalize() + ".")
        if name == chosen:
            module = importlib.import_module(f"monitor.commands.{name.replace('-', '_')}")
            module.add_to(command)
            command.set_defaults(run=module.run)
    options = parser.parse_args(given)
    return _run(options)


def _run(options: argparse.Namespace) -> int:
    from monitor.config import ConfigMistakes
    from monitor.store.files import StoreMissing

    try:
        return int(options.run(options))
    except (ConfigMistakes, Refused) as error:
        print(error, file=sys.stderr)
        return 2
    except StoreMissing as error:
        print(error, file=sys.stderr)
        return 1
    except PermissionError as error:
        print(f"{error.filename}: permission denied; {_AS_WHOM}", file=sys.stderr)
        return 1
    except sqlite3.Error as error:
        # Without the right to write beside it, a store whose log is not there cannot even be read.
        foreign = any(word in str(error) for word in ("readonly", "unable to open"))
        print(f"the store cannot be used: {error}{f'; {_AS_WHOM}' if foreign else ''}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    # By its own name: what commands import of this module must be what is caught here.
    from monitor.cli import main as by_name

    sys.exit(by_name())
