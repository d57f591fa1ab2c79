"""The watch-and-store thread: gathers events into batches, steps the heart, commits, then acknowledges.

When the store cannot be written (disk full, read-only) nothing is acknowledged and nothing more is taken
from the wires, so that brokers keep what they have; the batch is tried again until it goes in.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from monitor import checkpoint
from monitor.clock import Clock
from monitor.intake.driver import LinkChange, Parcel
from monitor.readings import Count, DeliveryResult, Event, MadeReport, OperatorAction, Tick
from monitor.recompute import Recompute
from monitor.store.files import keep_reserve, release_reserve
from monitor.store.replaced import StoreDamaged, damage_in, is_damage, note_damage, replaced, told
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Batch, Writer
from monitor.watch import Effects, Watch, WatchState

log = logging.getLogger(__name__)

MINUTE_MS = 60_000
# More missed minutes than this, or missed minutes that take the machine longer than this, are a step of the
# clock, a machine that slept or a store in trouble: no watch was kept, and what was sent then is still on
# its way. One tick says so (`rules.rule.AWAY_MS`); a tick a minute would call every instrument silent.
_MOST_MISSED = 60
_AWAY_S = 60.0
_QUEUE_PARCELS = 2_000
_IDLE_S = 0.2
_MORE_AT_ONCE = 50  # of what waits in the queue, before clock, inbox and supervisor have their turn again
_TEND_AT_LEAST_S = 5.0
# So often in a row SQLite calls the file damaged, though a look through it finds nothing.
_SURELY_DAMAGED = 3
_BEAT_EVERY_STEPS = 1_000_000  # of the database's machine: well under a second
_RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0)

Item = Parcel | LinkChange | DeliveryResult | MadeReport


@dataclass(frozen=True, slots=True)
class Limits:
    """When a batch is closed."""

    seconds: float = 1.0
    readings: int = 1_000


@dataclass(slots=True)
class _Open:
    """The batch being gathered."""

    opened_s: float
    effects: Effects = field(default_factory=Effects)
    acknowledge: list[Callable[[], None]] = field(default_factory=list)
    counts: list[Count] = field(default_factory=list)
    links: list[tuple[str, bool, int, str]] = field(default_factory=list)
    results: list[DeliveryResult] = field(default_factory=list)
    reports: list[MadeReport] = field(default_factory=list)
    flush: bool = False


def batch_of(
    ledger: checkpoint.Ledger, state: WatchState, effects: Effects, now_ms: int, *, last: bool = False
) -> Batch:
    """What events have done, and the state they led to, as one transaction; the `last` holds all of it."""
    return Batch(
        now_ms=now_ms,
        readings=effects.readings,
        events=effects.events,
        taken=effects.taken,
        transitions=effects.transitions,
        notices=effects.notices,
        counts=effects.counts,
        state=ledger.of_batch(state),
        rest=partial(ledger.rest, state, effects, last=last),
        bad_after=[(m.channel, m.after_ms) for m in effects.moved_back],
        again=effects.again,
    )


class Keeper:
    """Runs in one thread, which owns the store's write connection.

    `tell_trouble` is called with a sentence each time the store refuses; `wake_delivery` after a commit that
    owes somebody a message; `beat` every turn of the loop.
    """

    def __init__(
        self,
        watch: Watch,
        data: Path,
        open_writer: Callable[[], Writer],
        clock: Clock,
        *,
        tell_trouble: Callable[[str], None],
        wake_delivery: Callable[[], None],
        beat: Callable[[], None],
        limits: Limits | None = None,
        upkeep: Upkeep | None = None,
        recompute: Recompute | None = None,
    ) -> None:
        self._watch = watch
        self._data = data
        self._open_writer = open_writer
        self._clock = clock
        self._tell_trouble = tell_trouble
        self._wake_delivery = wake_delivery
        self._beat = beat
        self._limits = limits or Limits()
        self._upkeep = upkeep
        self._recompute = recompute
        self._tended_s = time.monotonic()
        self._suspicion: sqlite3.Error | None = None
        self._queue: queue.Queue[Item] = queue.Queue(_QUEUE_PARCELS)
        self._closing = threading.Event()
        self._in_trouble = threading.Event()
        self._stop_asked = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch-and-store")
        self._writer = open_writer()
        try:
            self._state, self._ledger = self._load()
        except BaseException:
            self._writer.close()
            raise
        self._batch = _Open(time.monotonic())
        self.failure: BaseException | None = None

    def start(self) -> None:
        self._thread.start()

    def ask_stop(self) -> None:
        """A stop is coming: from now on a store that refuses is not waited for, so that drivers can end."""
        self._stop_asked.set()

    def stop(self) -> None:
        """Judge and commit what was handed over, then end. Call it after the drivers have stopped."""
        self._stop_asked.set()
        self._closing.set()
        if self._thread.ident is None:  # never started
            self._writer.close()
        else:
            self._thread.join()

    def hand_over(self, item: Item) -> None:
        """The sink of all drivers: waits while the watch is behind. What comes while the watch is ending
        is let go, unacknowledged."""
        while not self._closing.is_set() and not self._is_hopeless():
            with contextlib.suppress(queue.Full):
                self._queue.put(item, timeout=0.5)
                return

    def _is_hopeless(self) -> bool:
        return self._stop_asked.is_set() and self._in_trouble.is_set()

    def _load(self) -> tuple[WatchState, checkpoint.Ledger]:
        connection, now_ms = self._writer.connection, self._clock.now_ms()
        anew = [] if self._recompute is None else self._recompute.begin(connection, now_ms)
        connection.set_progress_handler(self._beat, _BEAT_EVERY_STEPS)
        try:
            return checkpoint.loaded(self._writer.load_state(), self._watch, connection, self._beat, anew)
        finally:
            connection.set_progress_handler(None, 0)

    def _run(self) -> None:
        try:
            keep_reserve(self._data)
            self._tell_of_other_store()
            while not (self._closing.is_set() and self._queue.empty()):
                self._turn()
            self._commit()
        except StoreDamaged as error:
            self.failure = error
            self._closing.set()
            log.error("%s; the watch begins anew", error)
        except BaseException as error:
            # Nothing else may end this thread; the daemon sees it ended, stops, and is started again.
            self.failure = error
            self._closing.set()
            log.exception("the watch ended by itself")
        finally:
            self._writer.close()

    def _turn(self) -> None:
        self._beat()
        self._step(self._due_ticks())
        self._step(self._take_inbox())
        wait_s = _IDLE_S
        if self._gathered():
            wait_s = min(wait_s, self._batch.opened_s + self._limits.seconds - time.monotonic())
        with contextlib.suppress(queue.Empty):
            self._take(self._queue.get(timeout=max(0.0, wait_s)))
            for _ in range(_MORE_AT_ONCE):
                if self._is_due():
                    break
                self._take(self._queue.get_nowait())
        if self._is_due():
            self._commit()
        self._tend()

    def _tend(self) -> None:
        """The store's own work, a small step at a time: while nothing waits, or else now and then."""
        suspicion, self._suspicion = self._suspicion, None
        if suspicion is not None:
            self._end_if_damaged(suspicion)
        busy = not self._queue.empty() and time.monotonic() - self._tended_s < _TEND_AT_LEAST_S
        if busy:
            return
        self._tended_s = time.monotonic()
        connection, now_ms = self._writer.connection, self._clock.now_ms()
        try:
            if self._recompute is not None:
                self._recompute.step(connection, now_ms)
            if self._upkeep is not None:
                self._upkeep.step(connection, now_ms)
        except sqlite3.Error as error:
            self._end_if_damaged(error)
            log.warning("rollups, retention and values computed anew wait: %s", error)

    def suspect(self, error: sqlite3.Error) -> None:
        """Another thread met this error while reading the store; it is looked into soon."""
        self._suspicion = error

    def _end_if_damaged(self, error: sqlite3.Error, *, surely: bool = False) -> None:
        """A damaged file is not written to again: the watch ends, and sets it aside when it starts anew.
        What was not acknowledged is sent again.

        Raises: StoreDamaged.
        """
        if not is_damage(error):
            return
        finding = damage_in(self._data, self._beat) or (str(error) if surely else None)
        if finding is not None:
            note_damage(self._data, finding, self._clock.now_ms())
            raise StoreDamaged(f"the store in {self._data} is damaged: {finding}") from error

    def _tell_of_other_store(self) -> None:
        event = replaced(self._data)
        if event is not None:
            self._step([event])
            self._commit()
            if not self._gathered():
                told(self._data)

    def _take_inbox(self) -> list[OperatorAction]:
        try:
            return self._writer.take_inbox()
        except sqlite3.Error as error:
            # Whether the store is in trouble is for the next commit to find out, with a tick at the latest.
            self._end_if_damaged(error)
            log.debug("the inbox cannot be read: %s", error)
            return []

    def _due_ticks(self) -> list[Tick]:
        now_ms = self._clock.now_ms() // MINUTE_MS * MINUTE_MS
        last_ms = self._state.last_tick_ms
        missed = (now_ms - last_ms) // MINUTE_MS
        if last_ms == 0 or missed > _MOST_MISSED or missed < -5:
            return [Tick(now_ms)]
        if self._clock.machine_s(missed * MINUTE_MS / 1000) > _AWAY_S:
            return [Tick(now_ms)]
        return [Tick(last_ms + (n + 1) * MINUTE_MS) for n in range(missed)]

    def _take(self, item: Item) -> None:
        match item:
            case Parcel():
                self._step(item.samples)
                self._batch.counts.extend(item.counts)
                if item.acknowledge is not None:
                    self._batch.acknowledge.append(item.acknowledge)
                self._batch.flush |= item.flush
            case LinkChange():
                self._note_link(item)
            case DeliveryResult():
                self._batch.results.append(item)
            case MadeReport():
                self._batch.reports.append(item)

    def _note_link(self, change: LinkChange) -> None:
        if change.possible_gap:
            self._batch.counts.append(Count("possible-gap", change.link, change.time_ms, change.detail))
        self._batch.links.append((change.link, change.up, change.time_ms, change.detail))

    def _step(self, events: Sequence[Event]) -> None:
        if events:
            if not self._gathered():
                self._batch.opened_s = time.monotonic()
            self._state = self._watch.run(self._state, events, self._batch.effects)

    def _gathered(self) -> bool:
        b = self._batch
        of_events = b.effects.readings or b.effects.events or b.effects.taken
        return bool(of_events or b.acknowledge or b.counts or b.links or b.results or b.reports)

    def _is_due(self) -> bool:
        b = self._batch
        return self._gathered() and (
            b.flush
            or bool(b.effects.transitions)
            or bool(b.results or b.reports)
            or len(b.effects.readings) >= self._limits.readings
            or time.monotonic() - b.opened_s >= self._limits.seconds
        )

    def _commit(self) -> None:
        closing = self._closing.is_set()
        if not (self._gathered() or (closing and self._state is not self._ledger.whole)):
            return
        b, effects = self._batch, self._batch.effects
        batch = batch_of(self._ledger, self._state, effects, self._clock.now_ms(), last=closing)
        batch.counts = [*effects.counts, *b.counts]
        batch.results, batch.links = b.results, b.links
        batch.reports = [made.report for made in b.reports]
        batch.notices = [*effects.notices, *(notice for made in b.reports for notice in made.notices)]
        if not self._commit_however_long_it_takes(batch):
            return
        self._ledger.committed(self._state)
        self._batch = _Open(time.monotonic())
        for acknowledge in b.acknowledge:
            acknowledge()
        for _, transition in effects.transitions:
            log.info("alarm %s %s: %s", transition.key, transition.cause, transition.state)
        if batch.notices:
            self._wake_delivery()

    def _commit_however_long_it_takes(self, batch: Batch) -> bool:
        """Try until the batch is in. False only when the daemon is told to stop and the store still refuses:
        nothing was acknowledged, so brokers keep what was in it."""
        attempt = 0
        while True:
            try:
                self._writer.commit(batch)
            except sqlite3.IntegrityError:
                raise  # a mistake of ours; trying again would not mend it
            except sqlite3.Error as error:
                self._end_if_damaged(error, surely=attempt >= _SURELY_DAMAGED)
                self._trouble(error, attempt)
                if self._stop_asked.is_set():
                    return False
                self._wait(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
                attempt += 1
                self._reopen()
            else:
                if attempt:
                    self._in_trouble.clear()
                    log.warning("the store can be written again after %d attempts", attempt)
                    keep_reserve(self._data)
                return True

    def _trouble(self, error: sqlite3.Error, attempt: int) -> None:
        if attempt == 0:
            self._in_trouble.set()
            log.error("the store in %s cannot be written (%s): nothing is acknowledged", self._data, error)
        self._tell_trouble(f"The store in {self._data} cannot be written: {error}.")
        if "full" in str(error) and release_reserve(self._data):
            log.warning("the disk is full: gave back the reserve")

    def _reopen(self) -> None:
        """The connection may be of no use any more (a disk that was remounted); state stays in memory."""
        try:
            fresh = self._open_writer()
        except (sqlite3.Error, OSError):
            return
        self._writer.close()
        self._writer = fresh

    def _wait(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not self._stop_asked.is_set():
            self._beat()
            time.sleep(min(_IDLE_S, seconds))
