"""Readings from instruments that are asked over Modbus TCP, themselves or through a gateway to their bus."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from monitor.clock import Clock
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Sink
from monitor.intake.kept_open import KeptOpen, Ready
from monitor.intake.link import Link
from monitor.intake.modbus_frame import Answer, NoAnswer, Refused, Request, read_pdu
from monitor.intake.modbus_poll import Turns
from monitor.intake.modbus_tcp_frame import MOST_TRANSACTION, Frame, OutOfStep, take_frame, tcp
from monitor.intake.modbus_tcp_settings import Server, Wire
from monitor.plant.model import Instrument

CONNECT_S = 5.0
# A server whose connections are all taken accepts one more and hangs up at once.
SETTLE_S = 0.1
# After so many questions in a row without a byte the connection itself is doubted: the far end may have lost
# its power or its memory of us, which TCP would tell a quarter of an hour later.
DOUBT_AFTER = 3
CHUNK = 4096
_LATE = 64  # questions given up whose late answers are still known for what they are


class Hung(OSError):
    """The far end closed the connection, or its half of it."""


class Connection:
    """An open connection to one server, on which one question at a time is asked.

    Raises OSError when the connection is lost.
    """

    def __init__(self, opened: socket.socket, ready: Ready) -> None:
        self._socket = opened
        self._ready = ready
        self._pending = b""
        self._transaction = 0
        self._given_up: deque[int] = deque(maxlen=_LATE)
        self._unanswered = 0
        self._useless = False
        self._answered = False  # something good came over it

    @property
    def spent(self) -> bool:
        """Of no more use: out of step, closed while nothing was asked, or silent for too long."""
        return self._useless or self._unanswered >= DOUBT_AFTER

    def settle(self) -> None:
        """See whether the server keeps the connection. Raises: Hung."""
        self._receive(SETTLE_S)

    def ask(self, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
        """The answer, or what came instead within `timeout_s`.

        An answer belongs to its question by its transaction, so a late one is dropped and harms nothing.
        """
        self._transaction = self._transaction % MOST_TRANSACTION + 1
        frame = tcp(request, self._transaction)
        self._socket.sendall(frame)
        self._unanswered += 1
        give_up_s = time.monotonic() + timeout_s
        foreign: NoAnswer | None = None
        while (wait_s := give_up_s - time.monotonic()) > 0:
            try:
                self._receive(wait_s)
            except (Hung, ConnectionResetError) as error:
                if not self._answered:
                    raise
                # To other questions it did answer: perhaps it does not like this one.
                self._useless = True
                return NoAnswer(b"", why=str(error))
            for found in self._frames():
                if isinstance(found, OutOfStep):
                    return NoAnswer(self._pending, why=found.why)
                if found.transaction == self._transaction:
                    return self._read(request, found)
                if found.transaction not in self._given_up:
                    why = f"transaction {found.transaction} instead of {self._transaction}"
                    foreign = NoAnswer(found.pdu, why=why)
        self._given_up.append(self._transaction)
        return foreign or NoAnswer(self._pending)

    def idle(self, wait_s: float) -> None:
        """Watch the connection while nobody is asked; a server may close it then, in good order."""
        try:
            self._receive(wait_s)
        except (Hung, ConnectionResetError):
            if not self._answered:
                raise
            self._useless = True
        for _ in self._frames():
            pass

    def _receive(self, wait_s: float) -> None:
        if not self._ready(self._socket.fileno(), wait_s):
            return
        received = self._socket.recv(CHUNK)
        if not received:
            raise Hung("closed by the far end")
        self._unanswered = 0
        self._pending += received

    def _frames(self) -> Iterator[Frame | OutOfStep]:
        """The frames that have come; the last thing of a stream out of step is to say so."""
        while not self._useless:
            used, found = take_frame(self._pending)
            if found is None:
                return
            self._pending = self._pending[used:]
            self._useless = isinstance(found, OutOfStep)
            yield found

    def _read(self, request: Request, found: Frame) -> Answer | Refused | NoAnswer:
        if found.unit != request.unit:
            return NoAnswer(found.pdu, why=f"unit {found.unit} instead of {request.unit}")
        answer = read_pdu(request, found.pdu)
        if answer is None:
            return NoAnswer(found.pdu, why="another answer than was asked for")
        self._answered = True
        return answer


def connected(host: str, port: int, ready: Ready) -> socket.socket:
    """A connection to the first of a host's addresses that takes one.

    Raises: OSError; UnicodeError for a name that no host can have.
    """
    failed: OSError | None = None
    for family, kind, protocol, _, address in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM):
        made = socket.socket(family, kind, protocol)
        try:
            _connect(made, address, ready)
        except OSError as error:
            made.close()
            failed = error
        except BaseException:  # told to stop
            made.close()
            raise
        else:
            return made
    raise failed or OSError(f"{host} has no address")


def _connect(made: socket.socket, address: object, ready: Ready) -> None:
    made.setblocking(False)
    code = made.connect_ex(address)  # type: ignore[arg-type]  # as getaddrinfo gave it
    if code == errno.EINPROGRESS:
        if not ready(made.fileno(), CONNECT_S, to_write=True):
            raise TimeoutError(f"no connection within {CONNECT_S:g} s")
        code = made.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if code:
        raise OSError(code, os.strerror(code))
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    made.settimeout(CONNECT_S)  # of sending; nothing is read before it is there


class ModbusTcpDriver:
    """All instruments asked at one server, in one thread that owns the connection.

    `instruments` are those whose wire is a `Wire` at this server.
    """

    def __init__(
        self,
        server: Server,
        instruments: Sequence[Instrument],
        sink: Sink,
        clock: Clock,
        *,
        delays: Delays = growing_delays,
    ) -> None:
        self.name = f"modbus server {server.id}"
        self._server = server
        here = [i for i in instruments if isinstance(i.wire, Wire) and i.wire.server == server.id]
        self._turns = Turns(here, sink, clock, delays)
        self._link = Link(self.name, sink, clock, delays)
        self._given_up = False
        self._kept = KeptOpen(
            self._link, self._opened, self._serve, (OSError, UnicodeError), thread=f"modbus {server.id}"
        )

    def start(self) -> None:
        """Begin to connect, and to try again for ever; returns at once."""
        self._kept.start()

    def stop(self) -> None:
        """Close the connection and join the thread."""
        self._kept.stop()

    @contextmanager
    def _opened(self) -> Iterator[socket.socket]:
        if self._given_up:  # by us: it is opened again when somebody is to be asked
            self._given_up = False
            self._kept.pause(self._turns.wait_s())
        with connected(self._server.host, self._server.port, self._kept.ready) as opened:
            yield opened

    def _serve(self, opened: socket.socket) -> None:
        connection = Connection(opened, self._kept.ready)
        connection.settle()
        self._link.is_up()
        while not connection.spent:
            if (wait_s := self._turns.wait_s()) > 0:
                connection.idle(wait_s)
            else:
                self._turns.take(connection)
        self._given_up = True
