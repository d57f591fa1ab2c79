"""`goodwater mirror SITE`: how the mirrors stand, and comparing anew."""

from __future__ import annotations

import argparse
import contextlib
import sqlite3

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.common import add_site, age, local, parse_time, table
from monitor.config import SiteFile, load
from monitor.mirror.ledger import Ledger, path_of
from monitor.mirror.points import strands
from monitor.mirror.read_back import NoReadBack
from monitor.mirror.settings import Mirror
from monitor.mirror.source import Source
from monitor.mirror.standing import standing
from monitor.store import reader
from monitor.store.files import open_reader


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "--compare-since",
        metavar="TIME",
        help="have all that was measured since then compared with the server anew, and what is missing sent; "
        "after the server was restored from a backup, say",
    )
    parser.add_argument("--id", metavar="MIRROR", help="of the mirror with this id alone")


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    chosen = [mirror for mirror in site.mirrors if options.id in (None, mirror.id)]
    if not site.mirrors:
        raise Refused("this site file has no [[mirror]]")
    if not chosen:
        known = ", ".join(mirror.id for mirror in site.mirrors)
        raise Refused(f'no mirror "{options.id}"; there are: {known}')
    if options.compare_since is not None:
        since_ms = parse_time(options.compare_since, site.plant.site.timezone)
        return max([_compare(site, mirror, since_ms) for mirror in chosen])
    now_ms = MachineClock().now_ms()
    text, well = shown(site, chosen, now_ms)
    print(text)
    return 0 if well else 1


def _compare(site: SiteFile, mirror: Mirror, since_ms: int) -> int:
    path = path_of(site.data_dir, mirror.id)
    if not path.exists():
        raise Refused(f"{mirror.label} has not run yet; when it does, everything is compared")
    now_ms = MachineClock().now_ms()
    source, ledger = Source(site.data_dir, site.plant), Ledger(path)
    with contextlib.closing(source), contextlib.closing(ledger), ledger.writing():
        for strand in strands(site.plant, mirror.what):
            ledger.revise(strand.name, since_ms, source.last_ms(strand, now_ms), now_ms, 0)
        for counter in ("unkept", "unkept_told", "refused"):
            ledger.set_note(counter, 0)
    what = (
        "sent"
        if isinstance(mirror.read_back, NoReadBack)
        else "compared with the server, and sent where missing"
    )
    since = local(since_ms, site.plant.site.timezone)
    print(f"{mirror.label}: what was measured since {since} is {what}; see `goodwater mirror`")
    return 0


def shown(site: SiteFile, mirrors: list[Mirror], now_ms: int) -> tuple[str, bool]:
    """How mirrors stand, in words, and whether all is well with them."""
    if not mirrors:
        return "", True
    blocks, well = [], True
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        newest = reader.latest(connection).items()
    latest = {name: reading.time_ms for name, reading in newest if reading.ordered}
    for mirror in mirrors:
        lines, fine = _one(site, mirror, latest, now_ms)
        blocks.append("\n".join(lines))
        well &= fine
    return "\n".join(["Mirrors:", *blocks]), well


def _one(site: SiteFile, mirror: Mirror, latest: dict[str, int], now_ms: int) -> tuple[list[str], bool]:
    zone = site.plant.site.timezone
    try:
        found = standing(site.data_dir, mirror.id)
    except sqlite3.Error as error:
        return [f"  {mirror.id}  its ledger cannot be read: {error}"], False
    if found is None:
        return [f"  {mirror.id}  has not run yet"], True
    behind = [latest[name] - at for name, at in found.readings_until_ms.items() if latest.get(name, 0) > at]
    late = f"up to {age(now_ms - max(behind), now_ms)} of readings wait" if behind else "all readings sent"
    acknowledged = f", last acknowledged {age(found.sent_ms, now_ms)} ago" if found.sent_ms else ""
    state = (
        "FAILS"
        if found.writing
        else "NOT COMPARED"
        if found.reading
        else "LOSES POINTS"
        if not found.well
        else "up"
    )
    lines = [f"  {mirror.id}  {state}  {mirror.url}  {late}{acknowledged}"]
    for failing in filter(None, (found.writing, found.reading)):
        lines.append(f"    since {local(failing.since_ms, zone)}: {failing.words}")
    rows = [["points sent", str(found.sent)]]
    if isinstance(mirror.read_back, NoReadBack):
        rows.append(["compared", "never: read_back is none, so what it acknowledges is believed"])
    else:
        asked = f"last {age(found.looked_ms, now_ms)} ago" if found.looked_ms else "not yet"
        rows.append(["compared", f"{asked}; lost after acknowledgement and sent again: {found.again}"])
    if found.twice:
        rows.append(["there twice", str(found.twice)])
    if found.unkept:
        rows.append(["never kept", f"{found.unkept}, one of them: {found.unkept_first}"])
    if found.refused:
        rows.append(["refused", f"{found.refused}: {found.refusal}"])
    return [*lines, table(rows, "    ")], found.well
