"""`goodwater guard FILE`: misses the watch of another machine when it falls silent."""

from __future__ import annotations

import argparse
import os
import signal
from pathlib import Path
from typing import cast

from monitor import logs
from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import local, table
from monitor.config.guard_file import load_guard
from monitor.guard.guarding import Guarding, missing_of
from monitor.guard.letters import trial_of
from monitor.guard.memory import remembered
from monitor.guard.settings import GuardFile
from monitor.notify.failures import Failure
from monitor.notify.way import Surroundings, Way


def add_to(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, help="the guard's own file (deploy/guard.toml)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--test", action="store_true", help="only send a test message by each way")
    what.add_argument("--show", action="store_true", help="only show what it remembers")


def run(options: argparse.Namespace) -> int:
    file, folder = load_guard(options.file), options.file.parent
    around = Surroundings({s.id: s for s in file.mail_server}, folder, os.environ)
    if options.test:
        return _test(file, around)
    if options.show:
        return _show(file, folder)
    for wrong in missing_of(file, around):
        print(wrong, flush=True)
    logs.start()
    try:
        guarding = Guarding(file, folder, MachineClock(), os.environ)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: guarding.stop())
        guarding.run()
    except PermissionError:
        raise
    except OSError as error:
        raise Refused(f"the guard cannot begin: {error}") from error
    return 0


def _test(file: GuardFile, around: Surroundings) -> int:
    rows, now_ms = [], MachineClock().now_ms()
    for person in file.person:
        for number, settings in enumerate(person.way):
            way = cast(Way, settings)
            try:
                told = ["delivered", way.send(trial_of(file.guard, person, number, now_ms), around)]
            except Failure as failure:
                told = ["FAILED", str(failure)]
            rows.append([person.id, way.label, *told])
    print(table(rows, indent=""))
    return 0 if all(row[2] == "delivered" for row in rows) else 1


def _show(file: GuardFile, folder: Path) -> int:
    kept, zone, rows = remembered(folder / file.guard.data, MachineClock().now_ms()), file.guard.timezone, []
    for watch in file.watch:
        vigil = kept.vigils.get(watch.id)
        if vigil is None:
            state, last = "not listened for yet", ""
        else:
            state = "SILENT" if vigil.silent else "heard" if vigil.heard_ms else "not heard yet"
            last = f"last heard {local(vigil.heard_ms, zone)}" if vigil.heard_ms else "never heard"
        rows.append([watch.id, state, last, "" if vigil is None else vigil.trouble])
    print(table(rows, indent=""))
    if kept.owed:
        print(f"{len(kept.owed)} messages are still to be delivered")
    return 0 if all(row[1] == "heard" for row in rows) and not kept.owed else 1
