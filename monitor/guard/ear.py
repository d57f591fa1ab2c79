"""Status topics on a broker: each live `running` is a sign of life, each retained one only a memory."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from monitor.alive.status_topic import GONE, RUNNING, STOPPED
from monitor.alive.talk import Talk
from monitor.guard.settings import Watch
from monitor.guard.vigil import Word
from monitor.intake.delays import growing_delays
from monitor.intake.mqtt_settings import Broker
from monitor.worker import Worker

log = logging.getLogger(__name__)

_WORDS: dict[bytes, Word] = {RUNNING: "running", STOPPED: "stopped", GONE: "gone"}


class Ear:
    """One broker with the watches that keep their word there, in a thread of its own.

    `hear(watch id, word, live)` is told each word, `trouble(watch id, why)` when nothing can be heard.
    """

    def __init__(
        self,
        broker: Broker,
        watches: Sequence[Watch],
        guard: str,
        folder: Path,
        hear: Callable[[str, Word, bool], None],
        trouble: Callable[[str, str], None],
    ) -> None:
        self._broker, self._watches, self._folder = broker, watches, folder
        self._client_id = broker.client_id or f"goodwater-guard-{guard}-{broker.id}"
        self._hear, self._trouble = hear, trouble
        self._worker = Worker(f"ear {broker.id}", self._run)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        self._worker.stop()

    def _run(self) -> None:
        delays, told = growing_delays(), ""
        while not self._worker.stopping.is_set():
            try:
                self._serve()
            except (OSError, ValueError) as error:
                why = f"broker {self._broker.id} at {self._broker.host}: {error}"
                if why != told:
                    log.warning("%s", why)
                told = why
                for watch in self._watches:
                    self._trouble(watch.id, why)
                self._worker.stopping.wait(next(delays))
            else:
                delays, told = growing_delays(), ""

    def _serve(self) -> None:
        """One connection; returns when asked to stop. Raises: OSError or ValueError when it is over."""
        with closing(Talk(self._broker, self._folder, self._client_id)) as talk:
            talk.open()
            for watch in self._watches:
                talk.listen(watch.status_topic)
            log.info("listening on broker %s for %d watches", self._broker.id, len(self._watches))
            while not self._worker.stopping.is_set():
                for topic, payload, retained in talk.heard():
                    for watch in self._watches:
                        if watch.status_topic == topic and payload in _WORDS:
                            self._hear(watch.id, _WORDS[payload], not retained)
                talk.turn()
