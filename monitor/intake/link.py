"""What every driver does about its link: tell a change once, and wait before the next try."""

from __future__ import annotations

import logging
import threading
import time

from monitor.clock import Clock
from monitor.intake.delays import Delays
from monitor.intake.driver import LinkChange, Sink

log = logging.getLogger(__name__)

STEADY_S = 10.0  # a link that held for this long is believed; the next loss begins with short delays
REASONS_TOLD = 8  # different reasons told in one outage; a reason may hold a changing number


class Link:
    """Up or down, as last told. Used by the driver's own thread only."""

    def __init__(self, name: str, sink: Sink, clock: Clock, delays: Delays) -> None:
        self.name = name
        self._sink = sink
        self._clock = clock
        self._new_delays = delays
        self._delays = delays()
        self._up: bool | None = None
        self._up_since = 0.0
        self._told: set[str] = set()  # reasons told in this outage

    def is_up(self, detail: str = "", *, possible_gap: bool = False) -> None:
        """The wire carries data again; told when it was not so before."""
        if self._up:
            return
        self._up = True
        self._up_since = time.monotonic()
        self._told.clear()
        self._tell(LinkChange(self.name, True, self._clock.now_ms(), detail, possible_gap))

    def is_down(self, reason: str) -> None:
        """The wire is lost or not there; told once, and once more for each new reason while it lasts."""
        if self._up and time.monotonic() - self._up_since >= STEADY_S:
            self._delays = self._new_delays()
        self._up = False
        if reason not in self._told and len(self._told) < REASONS_TOLD:
            self._told.add(reason)
            self._tell(LinkChange(self.name, False, self._clock.now_ms(), reason))

    def wait(self, stopping: threading.Event) -> None:
        """Wait before the next try, or until stopped."""
        stopping.wait(self._clock.machine_s(next(self._delays)))

    def _tell(self, change: LinkChange) -> None:
        log.log(
            logging.INFO if change.up else logging.WARNING,
            "%s is %s%s%s",
            change.link,
            "up" if change.up else "down",
            f": {change.detail}" if change.detail else "",
            "; the broker did not remember us, readings may be missing" if change.possible_gap else "",
        )
        self._sink(change)
