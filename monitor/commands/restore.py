"""`goodwater restore SITE FILE`: put a backup in the place of the store; the old one is kept."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site
from monitor.config import load
from monitor.store.backup import BackupError, Manifest, restore, verified
from monitor.store.files import AlreadyRunning, hold


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("file", metavar="FILE", type=Path, help="a backup that `goodwater backup` made")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    try:
        manifest = verified(options.file)
        _is_of(manifest, site.plant.site.id, options.file)
        with hold(site.data_dir):
            aside = restore(site.data_dir, options.file, manifest, MachineClock().now_ms())
    except AlreadyRunning as error:
        raise Refused(f"{error}; stop it first (systemctl stop goodwater), then restore") from error
    except BackupError as error:
        print(error, file=sys.stderr)
        return 1
    except PermissionError:
        raise
    except OSError as error:
        print(f"{error.filename or options.file}: {error.strerror}", file=sys.stderr)
        return 1
    if manifest is None:
        print(f"restored {options.file}, which has no manifest: it is whole, but nothing says what was in it")
    else:
        print(f"restored what was backed up at {manifest.made}: {manifest.rows['reading']} readings")
    print(f"the store there was is kept as {site.data_dir / aside}" if aside else "there was no store before")
    print("start the watch again; what came since the backup is not in it")
    return 0


def _is_of(manifest: Manifest | None, site: str, file: Path) -> None:
    if manifest is not None and manifest.site != site:
        raise BackupError(f'{file} is a backup of site "{manifest.site}"; this site file is of "{site}"')
