"""`goodwater export SITE FILE`: a wide table for other programs."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.cli import Refused
from monitor.commands.common import add_site, parse_time
from monitor.commands.table_file import CsvFile, ParquetFile, TableFile
from monitor.config import SiteFile, load
from monitor.store import tables
from monitor.store.files import open_reader
from monitor.store.tables import RESOLUTIONS, Column


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "file", metavar="FILE", help="a file that is not there yet, .csv or .parquet; - is CSV to the screen"
    )
    parser.add_argument(
        "--channel", metavar="ID", action="append", default=[], help="a channel, as often as needed; else all"
    )
    parser.add_argument(
        "--every", choices=RESOLUTIONS, default="hours", help="a row for each of these (default: hours)"
    )
    parser.add_argument("--since", metavar="TIME", help="from this time on")
    parser.add_argument("--until", metavar="TIME", help="up to, not including, this time")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone, channels = site.plant.site.timezone, site.plant.channels
    wanted = list(dict.fromkeys(options.channel)) or list(channels)
    unknown = [name for name in wanted if name not in channels]
    if unknown:
        raise Refused(f'no channel "{unknown[0]}" in {options.site}; there are: {", ".join(channels)}')
    since_ms = parse_time(options.since, zone) if options.since else None
    until_ms = parse_time(options.until, zone) if options.until else None
    columns = tables.columns(site.plant, wanted, options.every)
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        written = 0
        with _file(options.file, columns, site) as out:
            for row in tables.rows(connection, site.plant, wanted, options.every, since_ms, until_ms):
                out.add(row)
                written += 1
    if options.file != "-":
        print(f"{options.file}: {written} rows, {len(columns)} columns")
    return 0


@contextlib.contextmanager
def _file(name: str, columns: Sequence[Column], site: SiteFile) -> Iterator[TableFile]:
    """The file under a name; it bears the name once it is whole.

    Raises: Refused.
    """
    zone = site.plant.site.timezone
    if name == "-":
        yield CsvFile(sys.stdout, columns, zone)
        return
    path = Path(name)
    if path.suffix not in (".csv", ".parquet"):
        raise Refused(f"{name}: name a file that ends in .csv or .parquet")
    if path.exists():
        raise Refused(f"{name} is there already; nothing is overwritten")
    if not path.parent.is_dir():
        raise Refused(f"{path.parent} is no folder; make it first")
    draft = path.with_name(f"{path.name}.draft")
    try:
        if path.suffix == ".parquet":
            with ParquetFile(draft, columns) as table:
                yield table
        else:
            with draft.open("w", encoding="utf-8", newline="") as out, CsvFile(out, columns, zone) as table:
                yield table
        draft.rename(path)
    except OSError as error:
        if isinstance(error, PermissionError | BrokenPipeError):
            raise
        raise Refused(f"{error.filename or name}: {error.strerror}") from error
    finally:
        draft.unlink(missing_ok=True)
