"""One instrument that speaks when asked, as its driver sees it: when it is due, and whether it answers."""

from __future__ import annotations

import logging
import time

from monitor.clock import Clock
from monitor.intake.decoded import Origin
from monitor.intake.delays import Delays
from monitor.readings import Count

log = logging.getLogger(__name__)

# After so many failures in a row an instrument is asked ever more seldom, so that waiting for it does not
# take its neighbours' time.
PATIENCE = 3


class Station:
    """Its turn, and what was last told of it. Used by the driver's thread only."""

    def __init__(
        self, name: str, every_ms: int, timeout_ms: int, clock: Clock, delays: Delays, *, at: str = ""
    ) -> None:
        """`at` says in the log where on its wire it is, like `unit 3`."""
        self.name = name
        self.timeout_s = timeout_ms / 1000
        self.due_s = time.monotonic()
        self._every_s = every_ms / 1000
        self._clock = clock
        self._new_delays = delays
        self._delays = delays()
        self._called = f"{name}, {at}" if at else name
        self._failures = 0
        self._told = ""
        self._failing_since_s = 0.0

    def polled(self) -> None:
        """It had its turn: the next one comes an interval later, and missed ones are not made up for."""
        now_s = time.monotonic()
        self.due_s = max(self.due_s + self._clock.machine_s(self._every_s), now_s)

    def answered(self, origin: Origin) -> list[Count]:
        """All its requests were answered; told when it was not so before."""
        self._failures = 0
        if not self._told:
            return []
        self._told = ""
        self._delays = self._new_delays()
        seconds = time.monotonic() - self._failing_since_s
        log.info("%s answers again after %.0f s", self.name, seconds)
        return [origin.count("answers-again", f"after {seconds:.0f} s")]

    def failed(self, what: str, detail: str, origin: Origin, *, silent: bool) -> list[Count]:
        """It did not answer well; told once for each new reason. A silent one is asked more seldom."""
        self._failures = self._failures + 1 if silent else 0
        if self._failures >= PATIENCE:
            longer_s = self._clock.machine_s(next(self._delays))
            self.due_s = max(self.due_s, time.monotonic() + longer_s)
        if what == self._told:
            return []
        if not self._told:
            self._failing_since_s = time.monotonic()
        self._told = what
        log.warning("%s: %s: %s", self._called, what, detail)
        return [origin.count(what, detail)]
