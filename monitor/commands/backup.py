"""`goodwater backup SITE DEST`: a checked copy of the store, made while the watch goes on."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime
from pathlib import Path

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site, local
from monitor.config import load
from monitor.store.backup import BackupError, back_up, manifest_path


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "destination",
        metavar="DEST",
        help="a folder (the file is named after site and time), or a file that is not there yet",
    )


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    now_ms = MachineClock().now_ms()
    file = Path(options.destination)
    if options.destination.endswith("/") and not file.is_dir():
        raise Refused(f"{file} is no folder; make it first, or mount what it is on")
    if file.is_dir():
        moment = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
        file = file / f"goodwater-{site.plant.site.id}-{moment}.db"
    if not file.parent.is_dir():
        raise Refused(f"{file.parent} is no folder; make it first, or mount what it is on")
    try:
        manifest = back_up(site.data_dir, file, site.plant.site.id, now_ms, _shown)
    except BackupError as error:
        print(error, file=sys.stderr)
        return 1
    except PermissionError:
        raise
    except OSError as error:
        print(f"{error.filename or file}: {error.strerror}", file=sys.stderr)
        return 1
    print(
        f"{file}: {manifest.bytes / 1e6:.1f} MB, {manifest.rows['reading']} readings, up to event "
        f"{manifest.last_event} ({local(now_ms, site.plant.site.timezone)}); read back and whole"
    )
    print(f"{manifest_path(file)}: what is in it; keep both together")
    return 0


def _shown(share: float) -> None:
    if sys.stderr.isatty():
        print(f"\rcopied {share:.0%}", end="\n" if share >= 1.0 else "", file=sys.stderr, flush=True)
