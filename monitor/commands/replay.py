"""`goodwater replay SITE`: judge the stored stream again, from the first event, and compare."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterable

from monitor.commands.common import add_site, local
from monitor.config import load
from monitor.readings import Event, Transition
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.watch import Effects, Watch, WatchState


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)


def replayed(watch: Watch, events: Iterable[Event]) -> list[Transition]:
    """The transitions a fresh watch makes of a stream of events."""
    found: list[Transition] = []
    state = WatchState()
    for event in events:
        effects = Effects()
        state = watch.step(state, event, effects)
        found += [transition for _, transition in effects.transitions]
    return found


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    zone = site.plant.site.timezone
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        stored = [transition for _, transition in reader.transitions(connection)]
        again = replayed(Watch(site.plant, site.rules), reader.stream(connection))
    then, now = {t.key: t for t in stored}, {t.key: t for t in again}
    for key in dict.fromkeys([*then, *now]):
        mark = "same" if then.get(key) == now.get(key) else "DIFFERS"
        mark = "ONLY STORED" if key not in now else "ONLY REPLAYED" if key not in then else mark
        shown = now.get(key) or then[key]
        print(f"{mark:14}{key}  {shown.cause}  {local(shown.time_ms, zone)}")
    same = then == now
    print(
        f"{len(stored)} stored transitions, {len(again)} replayed: {'the same' if same else 'NOT the same'}"
    )
    return 0 if same else 1
