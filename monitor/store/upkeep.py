"""What the store does for itself between commits: sums up what is due, deletes what is too old.

All of it in the writer's thread, in transactions of a few milliseconds, and only when the caller has time.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator

from monitor.plant.model import Plant
from monitor.store.retention import thinned_out
from monitor.store.rollup import Rollups
from monitor.store.settings import RetentionSettings
from monitor.store.sums import DAY_MS, MINUTE_MS

# So long intake waits for one step at most, give or take one chunk.
STEP_S = 0.02
# Nothing is deleted by a clock that has not been seen for a day of minutes: one that was set years ahead for
# an hour must not cost years of readings.
_BELIEVED_TICKS = 1_440


class Upkeep:
    """Steps through what there is to do; knows nothing that a restart would lose."""

    def __init__(
        self, plant: Plant, retention: RetentionSettings, believed_ticks: int = _BELIEVED_TICKS
    ) -> None:
        self._rollups = Rollups(plant)
        self._retention = retention
        self._believed_ticks = believed_ticks
        self._begun = False
        self._looked_min = -1
        self._thinned_day = -1
        self._thinning: Iterator[None] | None = None

    def step(self, connection: sqlite3.Connection, now_ms: int) -> bool:
        """One small transaction; False when there is nothing to do until the next minute.

        Raises: sqlite3.Error as it comes; what was not committed is done again.
        """
        if self._thinning is None and self._looked_min == now_ms // MINUTE_MS:
            return False
        try:
            return self._step(connection, now_ms)
        except sqlite3.Error:
            self._thinning = None
            self._looked_min = now_ms // MINUTE_MS
            if connection.in_transaction:
                connection.execute("rollback")
            raise

    def _step(self, connection: sqlite3.Connection, now_ms: int) -> bool:
        if not self._begun:
            self._rollups.begin(connection)
            self._begun = True
        if self._rollups.step(connection, now_ms, STEP_S):
            return True
        if self._thinning is None and self._thinned_day != now_ms // DAY_MS:
            self._thinned_day = now_ms // DAY_MS
            believed_ms = self._believed_ms(connection, now_ms)
            if believed_ms is not None:
                self._thinning = thinned_out(connection, self._retention, believed_ms)
        if self._thinning is not None:
            self._thin_out(connection, self._thinning)
            return True
        self._looked_min = now_ms // MINUTE_MS
        return False

    def _believed_ms(self, connection: sqlite3.Connection, now_ms: int) -> int | None:
        """The earliest of the clock's last minutes; None for a watch that is younger than that."""
        ticks = [
            row[0]
            for row in connection.execute(
                "select time_ms from event where kind = 'tick' order by seq desc limit ?",
                (self._believed_ticks,),
            )
        ]
        return min(now_ms, *ticks) if len(ticks) >= self._believed_ticks else None

    def _thin_out(self, connection: sqlite3.Connection, thinning: Iterator[None]) -> None:
        end = time.monotonic() + STEP_S
        connection.execute("begin immediate")
        while time.monotonic() < end:
            if next(thinning, self) is self:
                self._thinning = None
                break
        connection.execute("commit")
