"""The heartbeat: a signed POST now and then, by a thread that nothing waits for.

A guard, or any service that misses a knock, hears it; what it says is in docs/reference/heartbeat.md.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from monitor.alive.settings import Heartbeat
from monitor.clock import Clock, MachineClock
from monitor.intake.delays import growing_delays
from monitor.intake.driver import Sink
from monitor.intake.link import Link
from monitor.notify.failures import Failure, Temporary
from monitor.notify.webhook import signature
from monitor.notify.words import answer
from monitor.plant.model import Site
from monitor.worker import Worker

log = logging.getLogger(__name__)

FORMAT = "goodwater.heartbeat/1"
LAST_WORD_S = 3.0  # a stop waits so long for the far end to hear of it

State = Literal["running", "stopped"]


def document(site: Site, state: State, now_ms: int, every_ms: int) -> bytes:
    """What one heartbeat says, as JSON."""
    said = {
        "format": FORMAT,
        "site": {"id": site.id, "name": site.name},
        "state": state,
        "time_ms": now_ms,
        "every_ms": every_ms,
    }
    return json.dumps(said, ensure_ascii=False).encode()


class Heart:
    """Beats until stopped, in a thread of its own; how it goes stands among the wires of `goodwater status`.

    `tell` is called with a sentence when no heartbeat was taken for `tell_after`, and answers whether
    somebody was told. What hangs in the watch ends this too: its supervisor ends a daemon that does not beat.
    """

    def __init__(
        self,
        settings: Heartbeat,
        site: Site,
        sink: Sink,
        clock: Clock,
        *,
        folder: Path,
        tell: Callable[[str], bool],
    ) -> None:
        self._settings, self._site, self._folder = settings, site, folder
        self._poster = settings.poster(folder)
        # What is stamped is compared with another machine's clock: a played one would be no use there.
        self._machine = MachineClock()
        self._link = Link(settings.label, sink, clock, growing_delays)
        self._tell = tell
        self._worker = Worker("heartbeat", self._run)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        """Say that the watch stops, and wait for that a moment, no longer."""
        self._worker.stop(LAST_WORD_S)

    def _run(self) -> None:
        taken_s, told = time.monotonic(), False
        while not self._worker.stopping.is_set():
            began_s = time.monotonic()
            if self._beat("running"):
                taken_s, told = time.monotonic(), False
            elif not told and time.monotonic() - taken_s >= self._settings.tell_after / 1000:
                told = self._tell(
                    f"No heartbeat was taken by {self._settings.host} for "
                    f"{(time.monotonic() - taken_s) / 60:.0f} min: nobody there would notice if the watch "
                    "ended now. The reason stands in goodwater status."
                )
            self._worker.stopping.wait(max(0.0, self._settings.every / 1000 - (time.monotonic() - began_s)))
        self._beat("stopped")

    def _beat(self, state: State) -> bool:
        try:
            detail = self._sent(state)
        except Failure as failure:
            self._link.is_down(str(failure))
            return False
        except Exception as error:  # a mistake of ours ends no thread that others miss
            log.exception("the heartbeat could not be made")
            self._link.is_down(f"{type(error).__name__}: {error}")
            return False
        self._link.is_up(detail)
        return True

    def _sent(self, state: State) -> str:
        now_ms = self._machine.now_ms()
        body = document(self._site, state, now_ms, self._settings.every)
        headers = {"Content-Type": "application/json", "User-Agent": "goodwater"}
        key = self._settings.key(self._folder)
        if key is not None:
            stamp = str(now_ms // 1000)
            headers |= {"Goodwater-Timestamp": stamp, "Goodwater-Signature": signature(key, stamp, body)}
        reply = self._poster.post(body, headers)
        words = f"answered {answer(reply.status, reply.reason)}"
        if not 200 <= reply.status < 300:
            raise Temporary(f"{self._settings.host} {words}")
        return words
