"""A retained word on a broker that says whether the watch runs; `gone` is the broker's own, our last will.

A connection of its own: that of the instruments keeps a session, and may be busy draining it. `running` is
said again now and then, because a broker that was cut from its power still holds it, though nobody runs.
"""

from __future__ import annotations

import logging
import time
from contextlib import closing
from pathlib import Path

from monitor.alive.settings import StatusTopic
from monitor.alive.talk import Talk
from monitor.clock import Clock
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Sink
from monitor.intake.link import Link
from monitor.intake.mqtt_settings import Broker
from monitor.worker import Worker

log = logging.getLogger(__name__)

RUNNING, STOPPED, GONE = b"running", b"stopped", b"gone"
_LAST_WORD_S = 3.0  # a stop waits so long for the broker to hear of it


class StatusWord:
    """Keeps the word true until stopped, in a thread of its own."""

    def __init__(
        self,
        settings: StatusTopic,
        broker: Broker,
        site: str,
        sink: Sink,
        clock: Clock,
        *,
        folder: Path,
        delays: Delays = growing_delays,
    ) -> None:
        self._broker, self._folder, self._every_s = broker, folder, settings.every / 1000
        self._topic = settings.topic_of(site)
        self._client_id = f"{broker.client_id or f'goodwater-{site}-{broker.id}'}-status"
        self._link = Link(f"status topic on {broker.id}", sink, clock, delays)
        self._worker = Worker(f"status {broker.id}", self._run)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        """Say that the watch stopped in good order; waits for that a moment, no longer."""
        self._worker.stop(_LAST_WORD_S)

    def _run(self) -> None:
        while not self._worker.stopping.is_set():
            try:
                self._serve()
            except (OSError, ValueError) as error:  # ValueError: a host name that cannot be one
                self._lost(str(error) or type(error).__name__)
            except Exception as error:  # the supervisor of this thread
                log.exception("the status topic: unexpected fault, connecting anew")
                self._lost(f"{type(error).__name__}: {error}")
            if not self._worker.stopping.is_set():
                self._link.wait(self._worker.stopping)

    def _lost(self, reason: str) -> None:
        if not self._worker.stopping.is_set():
            self._link.is_down(reason)

    def _serve(self) -> None:
        """One connection, from its beginning to its end."""
        talk = Talk(self._broker, self._folder, self._client_id)
        talk.client.will_set(self._topic, GONE, qos=1, retain=True)
        with closing(talk):
            talk.open()
            while not self._worker.stopping.is_set():
                talk.say(self._topic, RUNNING)
                self._link.is_up(f'"{RUNNING.decode()}" on {self._topic}')
                again_s = time.monotonic() + self._every_s
                while time.monotonic() < again_s and not self._worker.stopping.is_set():
                    talk.turn()
            talk.say(self._topic, STOPPED)
