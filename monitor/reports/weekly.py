"""The thread that has a digest made on Monday morning: one a week, whatever happens to the machine.

No timer is set, so none can be missed: again and again it is asked which week's digest is due by now, and
whether the store has it. What was missed while the machine was off is therefore due at once, a restart at any
moment changes nothing, and the store's own key keeps a second one out.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping

from pydantic import JsonValue

from monitor.clock import Clock
from monitor.plant.model import Plant
from monitor.readings import CLOCK_TRUSTED_FROM_MS, MadeReport, Notice, Report
from monitor.reports.child import ChildFailed
from monitor.reports.week import Week, due_by
from monitor.worker import Worker

log = logging.getLogger(__name__)

_LOOK_S = 30.0
# After a start, or a step of the clock, so long nothing is made: brokers hand over what they kept first, and
# a gateway without a clock chip learns the time.
SETTLE_S = 600.0
_STEP_S = 60.0
_RETRY_FIRST_S, _RETRY_MOST_S = 600.0, 6 * 3600.0


def notices(plant: Plant, report: Report) -> tuple[Notice, ...]:
    """One a way of every person who asks for it."""
    return tuple(
        Notice(report.key, person.id, way)
        for person in plant.person
        if person.digest
        for way in range(len(person.way))
    )


class Weekly:
    """Has the digest of the latest week made that is due and not in the store.

    `is_made` and `was_watched` ask the store: of a week in which no watch was kept there is nothing to say.
    `figures` makes it, and raises ChildFailed; `hand_over` takes it to the writer.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        clock: Clock,
        is_made: Callable[[Week], bool],
        was_watched: Callable[[Week], bool],
        figures: Callable[[Week], Mapping[str, JsonValue]],
        hand_over: Callable[[MadeReport], None],
        machine_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._plant, self._clock, self._machine_s = plant, clock, machine_s
        self._is_made, self._was_watched = is_made, was_watched
        self._figures, self._hand_over = figures, hand_over
        self._zone = plant.site.timezone
        self._seen: tuple[float, int] | None = None  # machine's and shop's time of the last look
        self._not_before_s = 0.0
        self._retry_s = _RETRY_FIRST_S
        self._done = ""
        self._worker = Worker("weekly digest", self._run)

    def start(self) -> None:
        """Begin, in a thread named `weekly digest`."""
        self._worker.start()

    def stop(self, timeout_s: float) -> bool:
        """Begin nothing new and wait for what is under way; False when that takes longer."""
        return self._worker.stop(timeout_s)

    def _run(self) -> None:
        failing = False
        while not self._worker.stopping.is_set():
            try:
                self.look()
                failing = False
            except Exception:
                # The store cannot be read just now, or a mistake of ours: the watch goes on without a digest.
                if not failing:
                    log.exception("the weekly digest waits; it is tried again every %g s", _LOOK_S)
                failing = True
            self._worker.stopping.wait(min(self._clock.machine_s(_LOOK_S), _LOOK_S))

    def look(self) -> None:
        """Make what is due, if anything is."""
        machine_s, now_ms = self._machine_s(), self._clock.now_ms()
        self._settle(machine_s, now_ms)
        if machine_s < self._not_before_s or now_ms < CLOCK_TRUSTED_FROM_MS:
            return
        week = due_by(now_ms, self._zone)
        if week.label == self._done:
            return
        if not self._is_made(week) and self._was_watched(week) and not self._make(week, machine_s):
            return
        self._done, self._retry_s = week.label, _RETRY_FIRST_S

    def _settle(self, machine_s: float, now_ms: int) -> None:
        """Wait after the start, and whenever the shop's time went otherwise than the machine's."""
        if self._seen is None:
            self._not_before_s = machine_s + self._clock.machine_s(SETTLE_S)
        else:
            passed_s = self._clock.machine_s((now_ms - self._seen[1]) / 1000)
            if abs(passed_s - (machine_s - self._seen[0])) > _STEP_S:
                self._not_before_s = machine_s + self._clock.machine_s(SETTLE_S)
        self._seen = machine_s, now_ms

    def _make(self, week: Week, machine_s: float) -> bool:
        try:
            body = self._figures(week)
        except ChildFailed as error:
            if not self._worker.stopping.is_set():
                log.error(
                    "the digest of %s was not made: %s; tried again in %.0f min",
                    week.label, error, self._retry_s / 60,
                )  # fmt: skip
            self._not_before_s = machine_s + self._retry_s
            self._retry_s = min(2 * self._retry_s, _RETRY_MOST_S)
            return False
        report = Report("digest", week.label, self._clock.now_ms(), body)
        self._hand_over(MadeReport(report, notices(self._plant, report)))
        log.info("the digest of %s is made", week.label)
        return True
