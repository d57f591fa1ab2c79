"""`goodwater replay SITE`: judge the stored stream again, from the first event, and compare."""

from __future__ import annotations

import argparse
import contextlib
import sqlite3
from collections.abc import Callable, Iterable

from monitor.commands.common import add_site, local
from monitor.config import load
from monitor.readings import Event, Reading, Status, Transition
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.watch import Effects, Watch, WatchState


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)


def replayed(
    watch: Watch, events: Iterable[Event], see: Callable[[Reading], None] | None = None
) -> list[Transition]:
    """The transitions a fresh watch makes of a stream of events; `see` is shown each reading."""
    found: list[Transition] = []
    state = WatchState()
    for event in events:
        effects = Effects()
        state = watch.step(state, event, effects)
        found += [transition for _, transition in effects.transitions]
        if see is not None:
            for _, reading in effects.readings:
                see(reading)
    return found


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


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone = site.plant.site.timezone
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        stored = [transition for _, transition in reader.transitions(connection)]
        derived = _Derived(connection)
        again = replayed(Watch(site.plant, site.rules), reader.stream(connection), derived.see)
    then, now = {t.key: t for t in stored}, {t.key: t for t in again}
    for key in dict.fromkeys([*then, *now]):
        mark = "same" if then.get(key) == now.get(key) else "DIFFERS"
        mark = "ONLY STORED" if key not in now else "ONLY REPLAYED" if key not in then else mark
        shown = now.get(key) or then[key]
        print(f"{mark:14}{key}  {shown.cause}  {local(shown.time_ms, zone)}")
    if site.plant.computed:
        print(f"{derived.same} derived readings as they were stored, {derived.other} of another value")
    same = then == now
    print(
        f"{len(stored)} stored transitions, {len(again)} replayed: {'the same' if same else 'NOT the same'}"
    )
    return 0 if same else 1
