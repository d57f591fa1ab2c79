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


# Where the beginning of the stream is gone, rules need as long to know what is usual.
_SETTLED_MS = 7 * 86_400_000


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone = site.plant.site.timezone
    with contextlib.closing(open_reader(site.data_dir)) as connection:
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
