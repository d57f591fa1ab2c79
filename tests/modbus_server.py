"""Two ends of a bus for a test: ours opens one, an independent server from PyPI answers at the other."""

from __future__ import annotations

import asyncio
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import SimDevice

# What becomes of the bytes of an answer: pieces, each with seconds to wait before it.
Bend = Callable[[bytes], list[tuple[float, bytes]]]


def straight(answer: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, answer)]


class NullModem:
    """Two pseudo-terminals joined by a thread that may bend what the far end says."""

    def __init__(self, folder: Path) -> None:
        self.near, self.far = folder / "bus", folder / "far"
        self.bend: Bend = straight
        self.asked: list[bytes] = []  # what the near end sent
        self._ends = [self._end(self.near), self._end(self.far)]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, name="null modem")
        self._thread.start()

    def _end(self, path: Path) -> int:
        master, slave = os.openpty()
        tty.setraw(slave)
        path.symlink_to(os.ttyname(slave))
        os.close(slave)
        return master

    def _carry(self) -> None:
        near, far = self._ends
        while not self._stop.is_set():
            for end, said in self._said():
                if end == near:
                    self.asked.append(said)
                    os.write(far, said)
                    continue
                for seconds, piece in self.bend(said):
                    if seconds:
                        time.sleep(seconds)
                    os.write(near, piece)

    def _said(self) -> Iterator[tuple[int, bytes]]:
        poll = select.poll()
        for end in self._ends:
            poll.register(end, select.POLLIN)
        ready = [end for end, event in poll.poll(20) if event & select.POLLIN]
        if not ready:
            time.sleep(0.002)  # an end that nobody has open is always "ready"
        for end in ready:
            try:
                yield end, os.read(end, 4096)
            except OSError:
                continue

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for path, end in zip((self.near, self.far), self._ends, strict=True):
            path.unlink()
            os.close(end)


@contextmanager
def serving(port: Path, devices: list[SimDevice]) -> Iterator[None]:
    """pymodbus's server answers for these devices."""
    loop = asyncio.new_event_loop()
    server: list[ModbusSerialServer] = []

    async def serve() -> None:
        server.append(
            ModbusSerialServer(devices, port=str(port), baudrate=19200, ignore_missing_devices=True)
        )
        await server[0].serve_forever(background=True)

    thread = threading.Thread(target=loop.run_forever, name="modbus server")
    thread.start()
    try:
        asyncio.run_coroutine_threadsafe(serve(), loop).result(10)
        yield
    finally:
        asyncio.run_coroutine_threadsafe(server[0].shutdown(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
