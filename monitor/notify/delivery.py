"""The thread that empties the outbox: every row to its person, however long their way is out of order.

A way that cannot be used waits as a whole, with a random growing delay, and its oldest row is the probe; so
a dead server costs one attempt a wait, not one a row, and what was held back leaves in its order. News
breaks such a wait: the server may be back long before a delay that has grown to an hour is over. A row that
the far end puts off by itself waits alone.

When to try again is kept here, in memory. A restart therefore tries everything at once, which is what the
person who restarted it wants. Nothing is kept from the store: a row leaves the outbox only by a result that
was reported and committed, so dying at any moment costs a second copy at worst, never the message.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import cast

from monitor.clock import Clock
from monitor.notify.failures import Failure, Permanent, Temporary
from monitor.notify.message import Message, ReportWords, Wordings, compose, compose_report, person_of
from monitor.notify.retry import Waiting
from monitor.notify.settings import DeliverySettings
from monitor.notify.way import Surroundings, Way
from monitor.plant.model import Plant
from monitor.readings import DeliveryResult, Owed, OwedReport, Report
from monitor.worker import Worker

log = logging.getLogger(__name__)

AnyOwed = Owed | OwedReport

_LEAST_TRIES = 5  # of this process, before anything is given up for its age
_MOST_A_ROUND = 20  # rows a way, before the other ways get their turn
_REPORTED_AGAIN_MS = 600_000  # the result of a row that is still in the outbox by then
_IDLE_S = 60.0  # longest sleep: a clock that was set forward is noticed by then


def _no_link(owed: Owed) -> str:
    return ""


def _no_words(report: Report) -> ReportWords:
    raise Temporary(f"nothing here puts {report.key} into words", about="message")


@dataclass(slots=True)
class _WayState(Waiting):
    held: set[int] = field(default_factory=set)  # rows that were already waiting when it failed last


class Delivery:
    """Delivers what is owed until stopped; `start` gives it a thread of its own."""

    def __init__(
        self,
        plant: Plant,
        around: Surroundings,
        wordings: Wordings,
        *,
        due: Callable[[int], list[AnyOwed]],
        report: Callable[[DeliveryResult], None],
        clock: Clock,
        random: Callable[[], float],
        site_file: str,
        settings: DeliverySettings | None = None,
        report_words: Callable[[Report], ReportWords] = _no_words,
        link: Callable[[Owed], str] = _no_link,
    ) -> None:
        """`due(before_ms)` gives every row not yet settled whose stored retry is before that time, oldest
        first; `report_words` puts a report into words, and raises Temporary when it cannot; `link` gives the
        address that acknowledges what a row tells, or nothing; `report` hands a result to the writer and may
        raise when it cannot be taken just now; `random` gives numbers from 0 up to 1. All are called in the
        delivery thread.
        """
        self._plant, self._around, self._wordings = plant, around, wordings
        self._due, self._report, self._clock, self._random = due, report, clock, random
        self._site_file = site_file
        self._settings = settings or DeliverySettings()
        self._report_words = report_words
        self._link = link
        self._ways: dict[tuple[str, int], _WayState] = {}
        self._alone: dict[int, Waiting] = {}  # rows that their far end put off, by id
        self._settled: dict[int, DeliveryResult] = {}  # done, and perhaps not yet committed
        self._unreported: list[DeliveryResult] = []
        self._woken = threading.Event()
        self._worker = Worker("delivery", self.run)

    def start(self) -> None:
        """Begin, in a thread named `delivery`."""
        self._worker.start()

    def wake(self) -> None:
        """Something new may be owed. Any thread may call this, as often as it likes."""
        self._woken.set()

    def stop(self, timeout_s: float) -> bool:
        """Begin nothing new, and wait for the attempt under way; False when that takes longer."""
        self._worker.stopping.set()
        self._woken.set()  # what the round waits for
        return self._worker.stop(timeout_s)

    def run(self) -> None:
        """Rounds until stopped, each as soon as it is woken or its time has come."""
        failing = False
        while not self._worker.stopping.is_set():
            self._woken.clear()
            try:
                pause_s = self.round()
                if failing:
                    log.info("delivery goes on")
                failing = False
            except Exception:
                # The outbox cannot be read, or a mistake of ours: months of messages must not end with it.
                if not failing:
                    log.exception("delivery failed; it is tried again every %g s", _IDLE_S)
                failing, pause_s = True, _IDLE_S
            self._woken.wait(pause_s)

    def round(self) -> float:
        """Attempt what may be attempted now; gives machine seconds until there may be more to do."""
        self._hand_in()
        now_ms = self._clock.now_ms()
        rows = self._due(now_ms + self._settings.longest_retry)
        self._forget_all_but({row.id for row in rows})
        queues: dict[tuple[str, int], list[AnyOwed]] = {}
        for row in rows:
            if row.id not in self._settled:
                queues.setdefault((row.notice.person, row.notice.way), []).append(row)
            elif now_ms - self._settled[row.id].time_ms > _REPORTED_AGAIN_MS:
                self._settle(replace(self._settled[row.id], time_ms=now_ms))  # a result that got lost
        self._ways = {key: self._ways.get(key) or _WayState() for key in queues}
        more = [self._attend(key, queue) for key, queue in queues.items()]
        return 0.0 if any(more) else self._pause_s(queues)

    def _forget_all_but(self, ids: set[int]) -> None:
        self._settled = {id_: result for id_, result in self._settled.items() if id_ in ids}
        self._alone = {id_: waiting for id_, waiting in self._alone.items() if id_ in ids}

    def _attend(self, key: tuple[str, int], queue: list[AnyOwed]) -> bool:
        """One way's turn; True when it works and has more to take."""
        way = self._way(key)
        if isinstance(way, str):
            for row in queue:
                self._give_up(row, way)
            return False
        state, now_ms = self._ways[key], self._clock.now_ms()
        if state.failures and now_ms < self._next_try_ms(state, queue):
            return False
        # What its far end put off before comes after what was never tried.
        ready = sorted(
            (row for row in queue if self._may_go(row, now_ms)), key=lambda row: row.id in self._alone
        )
        for row in ready[:_MOST_A_ROUND]:
            if self._worker.stopping.is_set() or not self._attempt(row, way, state, queue):
                return False
        return len(ready) > _MOST_A_ROUND

    def _way(self, key: tuple[str, int]) -> Way | str:
        """The way of delivery, or why there is none."""
        person, index = key
        try:
            ways = person_of(self._plant, person).way
        except KeyError:
            return f"{person} is no longer in the site file"
        if index >= len(ways):
            return f"{person} no longer has a way of delivery number {index + 1}"
        return cast(Way, ways[index])

    def _next_try_ms(self, state: _WayState, queue: list[AnyOwed]) -> int:
        """When a way that failed may be tried again: news need not wait for a delay that has grown long."""
        now_ms = self._clock.now_ms()
        if state.over(now_ms, self._settings.longest_retry):
            return now_ms
        if any(row.id not in state.held for row in queue):
            return min(state.until_ms, state.tried_ms + self._settings.first_retry)
        return state.until_ms

    def _may_go(self, row: AnyOwed, now_ms: int) -> bool:
        waiting = self._alone.get(row.id)
        return waiting is None or waiting.over(now_ms, self._settings.longest_retry)

    def _attempt(self, row: AnyOwed, way: Way, state: _WayState, queue: list[AnyOwed]) -> bool:
        """Try one row; False when the way cannot be used now."""
        try:
            detail = self._sent(row, way)
        except Permanent as failure:
            self._works(state, row, way)
            self._give_up(row, str(failure))
        except Temporary as failure:
            if failure.about == "way":
                self._way_failed(failure, row, way, state, queue)
                return False
            self._works(state, row, way)
            self._row_failed(failure, row, way)
        else:
            self._works(state, row, way)
            self._settle(DeliveryResult(row.id, self._clock.now_ms(), "delivered", detail))
        return True

    def _sent(self, row: AnyOwed, way: Way) -> str:
        try:
            now_ms = self._clock.now_ms()
            return way.send(self._message(row, now_ms), self._around)
        except Failure:
            raise
        except Exception as error:
            # A mistake of ours in one message must not hold up the others; it is tried again, for a newer
            # version may be able to send it.
            if row.id not in self._alone:
                log.exception("the message about %s could not be made", row.key)
            raise Temporary(f"a mistake inside Goodwater: {error!r}", about="message") from error

    def _message(self, row: AnyOwed, now_ms: int) -> Message:
        if isinstance(row, OwedReport):
            return compose_report(row, self._plant, self._report_words(row.report), now_ms=now_ms)
        return compose(
            row,
            self._plant,
            self._wordings,
            site_file=self._site_file,
            now_ms=now_ms,
            link=self._link(row),
        )

    def _works(self, state: _WayState, row: AnyOwed, way: Way) -> None:
        if state.failures:
            log.info("%s for %s works again after %d tries", way.label, row.notice.person, state.failures)
        state.failures = 0
        state.held = set()

    def _way_failed(
        self, failure: Temporary, row: AnyOwed, way: Way, state: _WayState, queue: list[AnyOwed]
    ) -> None:
        self._count(state, failure)
        state.held = {held.id for held in queue}
        if state.failures == 1:
            log.warning("%s for %s does not work: %s", way.label, row.notice.person, failure)
        too_old = [held for held in queue if self._too_old(held, state)]
        for held in too_old:
            self._give_up(held, self._never(state))
        if row not in too_old:
            self._report_failed(row, state)

    def _row_failed(self, failure: Temporary, row: AnyOwed, way: Way) -> None:
        waiting = self._alone.setdefault(row.id, Waiting())
        self._count(waiting, failure)
        if waiting.failures == 1:
            log.warning("%s put off the message about %s: %s", way.label, row.key, failure)
        if self._too_old(row, waiting):
            self._give_up(row, self._never(waiting))
        else:
            self._report_failed(row, waiting)

    def _count(self, waiting: Waiting, failure: Temporary) -> None:
        waiting.failed(
            self._clock.now_ms(), str(failure), self._settings, self._random, failure.wait_s * 1000
        )

    def _too_old(self, row: AnyOwed, waiting: Waiting) -> bool:
        # After a week switched off the network may come up later than we do: some tries come first.
        age_ms = self._clock.now_ms() - row.owed_ms
        return waiting.failures >= _LEAST_TRIES and age_ms >= self._settings.give_up_after

    def _never(self, waiting: Waiting) -> str:
        days = self._settings.give_up_after / 86_400_000
        return f"not delivered within {days:g} days; the last try: {waiting.reason}"

    def _give_up(self, row: AnyOwed, reason: str) -> None:
        log.error("given up: the message about %s to %s: %s", row.key, row.notice.person, reason)
        self._settle(DeliveryResult(row.id, self._clock.now_ms(), "given-up", reason))

    def _report_failed(self, row: AnyOwed, waiting: Waiting) -> None:
        now_ms = self._clock.now_ms()
        self._unreported.append(DeliveryResult(row.id, now_ms, "failed", waiting.reason, waiting.until_ms))
        self._hand_in()

    def _settle(self, result: DeliveryResult) -> None:
        self._settled[result.owed_id] = result
        self._unreported.append(result)
        self._hand_in()

    def _hand_in(self) -> None:
        # A result that is not taken stays first in line, and nothing more is sent until it is.
        while self._unreported:
            self._report(self._unreported[0])
            self._unreported.pop(0)

    def _pause_s(self, queues: dict[tuple[str, int], list[AnyOwed]]) -> float:
        now_ms = self._clock.now_ms()
        times = [self._earliest_ms(self._ways[key], queue, now_ms) for key, queue in queues.items()]
        shop_s = (min((t for t in times if t is not None), default=now_ms + 3_600_000) - now_ms) / 1000
        return min(max(self._clock.machine_s(max(shop_s, 0.0)), 0.0), _IDLE_S)

    def _earliest_ms(self, state: _WayState, queue: list[AnyOwed], now_ms: int) -> int | None:
        """When one of a way's rows may next be tried; None when all are settled."""
        rows = [row.id for row in queue if row.id not in self._settled]
        if not rows:
            return None
        way_ms = self._next_try_ms(state, queue) if state.failures else now_ms
        row_ms = min(self._alone[id_].until_ms if id_ in self._alone else now_ms for id_ in rows)
        return max(way_ms, row_ms)
