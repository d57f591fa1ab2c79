"""Two ends of a Modbus wire for a test: ours opens one, an independent server from PyPI answers there."""

from __future__ import annotations

import asyncio
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.server.base import ModbusBaseServer
from pymodbus.simulator import SimDevice

from tests.mosquitto import free_port
from tests.pseudo_terminal import link_to_another

# What becomes of the bytes of an answer: pieces, each with seconds to wait before it. An empty piece is the
# end of what the far end says: over TCP it closes its half of the connection.
Bend = Callable[[bytes], list[tuple[float, bytes]]]


def straight(answer: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, answer)]


class NullModem:
    """Two pseudo-terminals joined by a thread that may bend what the far end says."""

    def __init__(self, folder: Path) -> None:
        self.near, self.far = folder / "bus", folder / "far"
        self.bend: Bend = straight
        self.asked: list[bytes] = []  # what the near end sent
        self._number = ""  # of the near end's terminal
        self._ends = [self._near_end(), link_to_another(self.far)[0]]
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, name="null modem")
        self._thread.start()

    def _near_end(self) -> int:
        end, self._number = link_to_another(self.near, self._number)
        return end

    def _carry(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                for end, said in self._said():
                    if end != self._ends[0]:
                        for seconds, piece in self.bend(said):
                            time.sleep(seconds)
                            os.write(self._ends[0], piece)
                    else:
                        self.asked.append(said)
                        os.write(self._ends[1], said)
            time.sleep(0.0005)  # or the lock is never free

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

    def unplug(self) -> None:
        """Pull out the near end: whoever has it open gets errors, and its path is gone."""
        with self._lock:
            self.near.unlink()
            os.close(self._ends.pop(0))

    def plug(self) -> None:
        """Plug the near end in again, under another number behind the same link."""
        with self._lock:
            self._ends.insert(0, self._near_end())

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for path, end in zip((self.far, self.near), reversed(self._ends), strict=False):
            path.unlink()
            os.close(end)


class Relay:
    """A TCP port joined to a server's by a thread that may bend what the server says."""

    def __init__(self, server: tuple[str, int]) -> None:
        self.server = server
        self.port = free_port()
        self.bend: Bend = straight
        self.asked: list[bytes] = []  # what the near end sent
        self.connections = 0
        self.hangs_up = False  # at once, on everybody
        self._listener: socket.socket | None = None
        self._joined: list[socket.socket] = []  # near, far
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._carry, name="relay")
        self.plug()
        self._thread.start()

    def plug(self) -> None:
        """Take connections."""
        with self._lock:
            self._listener = socket.create_server(("127.0.0.1", self.port))

    def unplug(self) -> None:
        """Refuse connections, and end the one there is."""
        with self._lock:
            if self._listener is not None:
                self._listener.close()
                self._listener = None
            self._part()

    def end(self) -> None:
        """End the connection there is, and take the next."""
        with self._lock:
            self._part()

    def _part(self) -> None:
        for end in self._joined:
            end.close()
        self._joined = []

    def _carry(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                open_ends = [end for end in (self._listener, *self._joined) if end is not None]
                ready, _, _ = select.select(open_ends, [], [], 0.01)
                for end in ready:
                    self._turn(end)
            time.sleep(0.0005)  # or the lock is never free

    def _turn(self, end: socket.socket) -> None:
        if end is self._listener:
            near, _ = end.accept()
            self.connections += 1
            self._part()
            if self.hangs_up:
                near.close()
            else:
                self._joined = [near, socket.create_connection(self.server)]
            return
        if end not in self._joined:
            return
        near, far = self._joined
        try:
            said = end.recv(4096)
            if not said:
                self._part()
            elif end is near:
                self.asked.append(said)
                far.sendall(said)
            else:
                for seconds, piece in self.bend(said):
                    time.sleep(seconds)
                    near.sendall(piece) if piece else near.shutdown(socket.SHUT_WR)
        except OSError:
            self._part()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.unplug()


@contextmanager
def _running(make: Callable[[], ModbusBaseServer]) -> Iterator[None]:
    """One of pymodbus's servers, in a thread of its own."""
    loop = asyncio.new_event_loop()
    server: list[ModbusBaseServer] = []

    async def serve() -> None:
        server.append(make())
        await server[0].serve_forever(background=True)

    async def end() -> None:
        await server[0].shutdown()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:  # an answer that is held back
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    thread = threading.Thread(target=loop.run_forever, name="modbus server")
    thread.start()
    try:
        asyncio.run_coroutine_threadsafe(serve(), loop).result(10)
        yield
    finally:
        asyncio.run_coroutine_threadsafe(end(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


@contextmanager
def serving(port: Path, devices: list[SimDevice]) -> Iterator[None]:
    """pymodbus's server answers for these devices on a bus; it is silent for units that it does not have."""
    with _running(
        lambda: ModbusSerialServer(devices, port=str(port), baudrate=19200, ignore_missing_devices=True)
    ):
        yield


@contextmanager
def serving_tcp(
    port: int, devices: list[SimDevice], *, bend: Callable[[bytes], bytes] = lambda answer: answer
) -> Iterator[None]:
    """pymodbus's server answers for these devices at a TCP port; for others as a gateway would."""
    with _running(
        lambda: ModbusTcpServer(
            devices,
            address=("127.0.0.1", port),
            trace_packet=lambda sending, packet: bend(packet) if sending else packet,
        )
    ):
        yield
