"""Play a run over its wires, on a clock that is a function of the machine's."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from simulator.clock import ShopClock
from simulator.instruments import Sample
from simulator.shop import Instrument, ShopError
from simulator.wires.logger import LoggerFile
from simulator.wires.modbus import ModbusBus
from simulator.wires.speakers import LinePort, Publisher
from simulator.year import Run


def machine_ms() -> float:
    """The machine's clock, ms since 1970 UTC."""
    return time.time_ns() / 1e6


class Player:
    """All wires of a shop. Ports appear in `folder` under their names in the shop file.

    `thin_s` (shop seconds) lets an instrument that speaks by itself do so no more often than that, for fast
    clocks; contacts that change are always told. Reports are sent when they are due on the shop's clock.
    Instruments that are read from a logger's file are written to `logger_to`, where it is given.
    """

    def __init__(
        self,
        run: Run,
        clock: ShopClock,
        folder: Path,
        broker: tuple[str, int] | None = None,
        thin_s: float = 0.0,
        now_ms: Callable[[], float] = machine_ms,
        logger_to: Path | None = None,
    ) -> None:
        self.run, self.clock, self.thin_ms, self._now_ms = run, clock, thin_s * 1000.0, now_ms
        by_kind: dict[tuple[str, str], list[Instrument]] = {}
        for instrument in run.shop.instruments:
            if instrument.wire is not None:
                by_kind.setdefault((instrument.wire.kind, instrument.wire.port), []).append(instrument)
        self.buses: dict[str, ModbusBus] = {}
        self.speakers: list[LinePort | Publisher | LoggerFile] = []
        self._voice: dict[str, LinePort | Publisher | LoggerFile] = {}
        for (kind, port), members in sorted(by_kind.items()):
            if kind == "modbus":
                self.buses[port] = ModbusBus(run, members, self.shop_ms, folder / port)
            elif kind == "lines":
                self._add(LinePort(members, folder / port))
            elif kind == "mqtt":
                if broker is not None:
                    self._add(Publisher(members, *broker, client_id=f"shop-{run.seed}"))
            elif kind == "csv":
                if logger_to is not None:
                    self._add(LoggerFile(members, logger_to))
            else:
                allowed = "allowed are modbus, lines, mqtt, csv"
                raise ShopError(f"instrument {members[0].name}: unknown wire kind {kind!r}; {allowed}")
        self._done_ms = 0
        self._told: dict[str, Sample] = {}
        self._contact = {item.name for item in run.shop.instruments if item.model == "contact"}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._play, name="player", daemon=True)

    def _add(self, speaker: LinePort | Publisher | LoggerFile) -> None:
        self.speakers.append(speaker)
        self._voice.update(dict.fromkeys(speaker.instruments, speaker))

    def shop_ms(self) -> float:
        """The shop's time now."""
        return self.clock.shop_ms(self._now_ms())

    def start(self) -> None:
        """Open all wires and begin to speak at the shop's present time."""
        self._done_ms = int(self.shop_ms())
        for part in (*self.buses.values(), *self.speakers):
            part.start()
        self._thread.start()

    def stop(self) -> None:
        """Stop speaking and take the ports away."""
        self._stop.set()
        self._thread.join(10.0)
        for part in (*self.buses.values(), *self.speakers):
            part.stop()

    def say(self, samples: Iterable[Sample]) -> int:
        """Send samples to their wires, thinned; how many were sent."""
        sent = 0
        for sample in samples:
            voice = self._voice.get(sample.instrument)
            if voice is None or not self._worth_telling(sample):
                continue
            self._told[sample.instrument] = sample
            voice.say(sample)
            sent += 1
        return sent

    def _worth_telling(self, sample: Sample) -> bool:
        last = self._told.get(sample.instrument)
        if last is None or sample.sent_ms - last.sent_ms >= self.thin_ms:
            return True
        return sample.instrument in self._contact and sample.value != last.value

    def _play(self) -> None:
        while not self._stop.wait(0.02):
            upto = min(int(self.shop_ms()), self.run.end_ms)
            if upto > self._done_ms:
                self.say(self.run.samples_between(self._done_ms, upto))
                self._done_ms = upto
