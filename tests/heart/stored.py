"""A watch that commits to a real store, batch by batch, and can be killed between any two of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from monitor import checkpoint
from monitor.config import SiteFile
from monitor.keeper import batch_of
from monitor.plant.message_ids import message_id
from monitor.readings import Event
from monitor.store.writer import Writer
from monitor.watch import Effects, Watch, WatchState
from tests.heart.shop import START_MS


def through_the_store(state: WatchState, watch: Watch) -> tuple[WatchState, list[str]]:
    """A state written as the store's parts and read again, and the parts that could not be read."""
    kept = checkpoint.stored(parts_of(state, watch), watch)
    return replace(kept.whole, alarms=kept.alarms), list(kept.lost)


def parts_of(state: WatchState, watch: Watch) -> checkpoint.Parts:
    """All parts of a state."""
    ledger = checkpoint.Ledger(watch, WatchState())
    return ledger.of_batch(state) | ledger.rest(state, Effects(), (), last=True)


class StoredWatch:
    """The heart over a store in `data`, without threads and wires.

    The process itself goes on when it is killed, so nothing is waited for on the disk.
    """

    def __init__(self, shop: SiteFile, data: Path) -> None:
        data.mkdir(exist_ok=True)
        self.watch, self._data = Watch(shop.plant, shop.rules), data
        self.wrote_whole: list[bool] = []
        self._open()

    def _open(self) -> None:
        self.writer = Writer(self._data, START_MS, partial(message_id, site_id="shop"))
        self.writer.connection.execute("pragma synchronous = off")
        parts = self.writer.load_state()
        self.state, self.ledger = checkpoint.loaded(parts, self.watch, self.writer.connection, lambda: None)

    def commit(self, events: Sequence[Event]) -> Effects:
        """Judge events and commit them as one batch."""
        effects = Effects()
        state = self.watch.run(self.state, events, effects)
        self.writer.commit(batch_of(self.ledger, state, effects, START_MS))
        self.ledger.committed(state)
        self.state = state
        self.wrote_whole.append(self.ledger.whole is state)
        return effects

    def kill(self) -> None:
        """Forget all that is not in the store, and begin from it."""
        self.writer.close()
        self._open()

    def rows(self, table: str) -> list[tuple[Any, ...]]:
        """All rows of a table of the store, in its own order."""
        return [tuple(row) for row in self.writer.connection.execute(f"select * from {table}")]
