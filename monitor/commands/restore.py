"""`goodwater restore SITE FILE`: put a backup in the place of the store; the old one is kept."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site, table
from monitor.config import SiteFile, load
from monitor.store.backup import BackupError, Manifest, restore, verified
from monitor.store.files import AlreadyRunning, hold
from monitor.store.salvage import salvage


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("file", metavar="FILE", type=Path, help="a backup that `goodwater backup` made")
    parser.add_argument(
        "--salvage", action="store_true", help="FILE is damaged: take what can still be read of it"
    )


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    try:
        told, aside = (_salvaged if options.salvage else _restored)(site, options.file)
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
    print(told)
    print(f"the store there was is kept as {site.data_dir / aside}" if aside else "there was no store before")
    print("start the watch again; what came since is not in it")
    return 0


def _restored(site: SiteFile, file: Path) -> tuple[str, str | None]:
    manifest = verified(file)
    _is_of(manifest, site.plant.site.id, file)
    with hold(site.data_dir):
        aside = restore(site.data_dir, file, manifest, MachineClock().now_ms())
    if manifest is None:
        return f"restored {file}, which has no manifest: it is whole, but nothing says what was in it", aside
    return f"restored what was backed up at {manifest.made}: {manifest.rows['reading']} readings", aside


def _salvaged(site: SiteFile, file: Path) -> tuple[str, str | None]:
    if not file.is_file():
        raise BackupError(f"{file} is no file")
    with hold(site.data_dir):
        found, aside = salvage(site.data_dir, file, MachineClock().now_ms())
    rows = [[name, str(n), "in part" if name in found.torn else "whole"] for name, n in found.rows.items()]
    return f"salvaged of {file}:\n{table([['table', 'rows', ''], *rows])}", aside


def _is_of(manifest: Manifest | None, site: str, file: Path) -> None:
    if manifest is not None and manifest.site != site:
        raise BackupError(f'{file} is a backup of site "{manifest.site}"; this site file is of "{site}"')
