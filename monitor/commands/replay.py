"""`goodwater replay SITE`: judge again, what is stored or what files hold.

Alone it judges the stored stream from its first event and compares with the alarms there were. With
`--readings` it judges files and writes the alarms as a table; with `--explain` it says why a rule spoke at a
moment, or did not.
"""

from __future__ import annotations

import argparse
import contextlib
import sqlite3
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.cli import Refused
from monitor.commands.common import add_site, local, parse_time
from monitor.config import SiteFile, load
from monitor.daemon import wordings
from monitor.notify.message import wording_of
from monitor.readings import Count, Reading, Status, Transition
from monitor.replay.alarms import judging, spans, write
from monitor.replay.explain import explained
from monitor.replay.files import Files, in_words
from monitor.replay.stream import replayed
from monitor.replay.unreadable import Unreadable
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.watch import Watch


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "--readings",
        metavar="FILE",
        type=Path,
        nargs="+",
        help="judge these files, not the store: files of the site's loggers, or with time,channel,value",
    )
    parser.add_argument("--out", metavar="FILE", type=Path, help="where to write the alarms (default: here)")
    parser.add_argument(
        "--timezone", metavar="ZONE", help="zone of times without an offset in files with time,channel,value"
    )
    parser.add_argument(
        "--explain", metavar="TIME", help="say why each rule spoke at this moment, or did not; no alarms"
    )
    parser.add_argument(
        "--rule", metavar="ID", action="append", default=[], help="only this rule (repeatable)"
    )


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    _fit_together(options)
    names = _known(site, options.rule)
    at_ms = parse_time(options.explain, site.plant.site.timezone) if options.explain else None
    try:
        if options.readings:
            return _files(site, names, options, at_ms)
        with contextlib.closing(open_reader(site.data_dir)) as connection:
            if at_ms is None:
                return _compare(site, connection)
            print(explained(site.plant, site.rules, reader.stream(connection), at_ms, wordings(), names))
            return 0
    except Unreadable as error:
        raise Refused(str(error)) from error


def _fit_together(options: argparse.Namespace) -> None:
    if not options.readings and (options.out or options.timezone):
        given = "--out" if options.out else "--timezone"
        raise Refused(f"{given} goes with --readings FILE")
    if options.out and options.explain:
        raise Refused("--out takes alarms; --explain writes none. Leave one of them out")
    if options.rule and not (options.readings or options.explain):
        raise Refused("--rule goes with --readings or --explain: what is stored is compared as a whole")


def _known(site: SiteFile, names: Sequence[str]) -> Sequence[str]:
    known = [rule.settings.id for rule in site.rules]
    for name in names:
        if name not in known:
            raise Refused(f'no rule "{name}" in {site.path}; there are: {", ".join(known) or "none"}')
    return names


# ---------------------------------------------------------------- files


def _files(site: SiteFile, names: Sequence[str], options: argparse.Namespace, at_ms: int | None) -> int:
    files = Files(options.readings, site.plant, site.loggers, _zone(options.timezone))
    able = list(judging(site.rules, site.plant, files.channels))
    judged = {rule.settings.id for rule in able}
    wanted = names or [rule.settings.id for rule in site.rules]
    unheard = [name for name in wanted if name not in judged]
    if at_ms is not None:
        print(explained(site.plant, able, files.events(), at_ms, wordings(), names))
        if unheard:
            print(f"\nNot judged, since no file holds their channels: {', '.join(unheard)}")
        return 0
    if names:
        able = [rule for rule in able if rule.settings.id in names]
    counts: Counter[tuple[str, str]] = Counter()

    def count(one: Count) -> None:
        counts[one.what, one.subject] += one.n

    found = spans(replayed(Watch(site.plant, able), files.events(), count=count))
    words = wordings()

    def first_line(transition: Transition) -> str:
        return wording_of(transition, site.plant, words).first_line

    if options.out is None:
        write(sys.stdout, found, site.plant, first_line)
    else:
        _written(options.out, lambda out: write(out, found, site.plant, first_line))
    _tell(site, files, counts, unheard, f"{len(found)} alarms of {len(able)} rules")
    return 0


def _written(path: Path, fill: Callable[[TextIO], None]) -> None:
    try:
        with path.open("w", encoding="utf-8", newline="") as out:
            fill(out)
    except OSError as error:
        raise Refused(f"{path}: {error.strerror or error}") from error


def _zone(name: str | None) -> ZoneInfo | None:
    try:
        return None if name is None else ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Refused(
            f"--timezone {name}: a name of the IANA time zone list, like Europe/Vienna or UTC"
        ) from None


def _tell(
    site: SiteFile, files: Files, counts: Counter[tuple[str, str]], unheard: Iterable[str], done: str
) -> None:
    """What was read and what was not, beside the table."""
    taken, zone = files.taken, site.plant.site.timezone
    lines = [
        f"{taken.samples} readings of {len(files.channels)} channels, {local(taken.first_ms, zone)} to "
        f"{local(taken.last_ms, zone)}: {done}"
    ]
    lines += [f"not taken, {in_words(one)}" for one in taken.refused()]
    lines += [f"{subject}: {n} x {what}" for (what, subject), n in sorted(counts.items())]
    if names := ", ".join(unheard):
        lines.append(f"not judged, since no file holds their channels: {names}")
    print("\n".join(lines), file=sys.stderr)


# ---------------------------------------------------------------- what is stored


class _Derived:
    """Derived readings computed again, beside those in the store. One that was not computed then (its table
    is younger than the stream) is left out."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.same = self.other = 0

    def see(self, reading: Reading) -> None:
        if not reading.status & Status.DERIVED:
            return
        kept = reader.at(self._connection, reading.channel, reading.time_ms)
        if kept is not None:
            self.same += kept.value == reading.value
            self.other += kept.value != reading.value


# Where the beginning of the stream is gone, rules need as long to know what is usual.
_SETTLED_MS = 7 * 86_400_000


def _compare(site: SiteFile, connection: sqlite3.Connection) -> int:
    """The stored stream judged again, from the first event, beside the alarms there were."""
    zone = site.plant.site.timezone
    kept_ms = reader.readings_kept_since(connection)
    since_ms = kept_ms + _SETTLED_MS if kept_ms else 0
    if kept_ms:
        print(
            f"Readings before {local(kept_ms, zone)} were deleted by retention. Judged from there on, "
            f"compared from {local(since_ms, zone)} on; alarms are counted anew, and what a rule knew "
            "from before it cannot know again."
        )
    stored = [transition for _, transition in reader.transitions(connection, since_ms)]
    derived = _Derived(connection)
    events = reader.stream(connection, reader.first_seq_since(connection, kept_ms) if kept_ms else 0)
    again = replayed(Watch(site.plant, site.rules), events, derived.see)
    again = [transition for transition in again if transition.time_ms >= since_ms]
    then, now = ({_name(t, kept_ms): t for t in found} for found in (stored, again))
    for name in dict.fromkeys([*then, *now]):
        mark = "same" if kept_ms or then.get(name) == now.get(name) else "DIFFERS"
        mark = "ONLY STORED" if name not in now else "ONLY REPLAYED" if name not in then else mark
        shown = then.get(name) or now[name]
        print(f"{mark:14}{shown.key}  {shown.cause}  {local(shown.time_ms, zone)}")
    if site.plant.computed:
        print(f"{derived.same} derived readings as they were stored, {derived.other} of another value")
    same = then.keys() == now.keys() if kept_ms else then == now
    print(
        f"{len(stored)} stored transitions, {len(again)} replayed: {'the same' if same else 'NOT the same'}"
    )
    return 0 if same else 1


def _name(transition: Transition, kept_ms: int) -> str:
    """What two transitions that are the same have in common."""
    if not kept_ms:
        return transition.key
    return f"{transition.condition} {transition.cause} {transition.time_ms}"
