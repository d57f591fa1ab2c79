"""Modbus RTU buses on pseudo-terminals: several instruments, several unit ids, one line."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from simulator.shop import Instrument, ShopError
from simulator.wires.ports import Port
from simulator.wires.rtu import Silent, respond, take_request, words_of
from simulator.wires.values import present
from simulator.year import Run

# A status word per value, at its register plus this: 0 good, 1 over range, 2 under range, 3 sensor failed.
STATUS_OFFSET = 1000


class ModbusBus:
    """All instruments on one bus. Values are those the shop shows at the moment of asking."""

    def __init__(
        self, run: Run, instruments: list[Instrument], shop_ms: Callable[[], float], path: Path
    ) -> None:
        self.run, self.shop_ms, self.port = run, shop_ms, Port(path)
        self.asked = 0
        self._places: dict[tuple[int, int], tuple[Instrument, int]] = {}
        for instrument in instruments:
            self._place(instrument)
        self.units = {unit for unit, _ in self._places}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name=f"modbus-{path.name}", daemon=True)

    def _place(self, instrument: Instrument) -> None:
        wire = instrument.wire
        assert wire is not None
        for word in range(len(words_of(0.0, wire.encoding, wire.scale))):
            key = (wire.unit, wire.register + word)
            if key in self._places:
                other = self._places[key][0].name
                raise ShopError(
                    f"instrument {instrument.name}: unit {key[0]} register {key[1]} is taken by {other}"
                )
            self._places[key] = (instrument, word)
        self._places[(wire.unit, wire.register + STATUS_OFFSET)] = (instrument, -1)

    def registers(self, unit: int, address: int, count: int) -> list[int] | None:
        """Words from an address, None where no register lives; raises Silent when an instrument is lost."""
        now = self.shop_ms()
        words: list[int] = []
        for register in range(address, address + count):
            place = self._places.get((unit, register))
            if place is None:
                return None
            instrument, word = place
            sample = present(self.run, instrument, now)
            if sample is None:
                raise Silent(instrument.name)
            wire = instrument.wire
            assert wire is not None
            words.append(
                sample.status if word < 0 else words_of(sample.value, wire.encoding, wire.scale)[word]
            )
        return words

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self.port.close()

    def _serve(self) -> None:
        buffer = b""
        while not self._stop.is_set():
            more = self.port.read(0.1)
            if not more:
                buffer = b""  # a pause ends a frame, so what is left of one was noise
                continue
            buffer += more
            while True:
                body, used = take_request(buffer)
                buffer = buffer[used:]
                if not body:
                    break
                self.asked += 1
                answer = respond(body, self.units, self.registers)
                if answer is not None:
                    self.port.write(answer)
