"""What every driver of a wire does: turn bytes into Parcels, and remember nothing but its own connection.

A driver runs its own thread (or its library's), never raises into it for what a wire may carry, and calls
the sink, which blocks while the watch is behind: backpressure reaches the broker or the port, nothing is
dropped here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from monitor.readings import Count, Sample


@dataclass(frozen=True, slots=True)
class Parcel:
    """What arrived together and is acknowledged together, after it is committed."""

    samples: tuple[Sample, ...] = ()
    counts: tuple[Count, ...] = ()  # what could not be made a Sample, and why
    acknowledge: Callable[[], None] | None = None
    flush: bool = field(default=False)  # the sender sends no more until this is acknowledged


@dataclass(frozen=True, slots=True)
class LinkChange:
    """A wire was lost or is back; logged once, shown by `goodwater status`."""

    link: str  # driver's name
    up: bool
    time_ms: int
    detail: str = ""
    possible_gap: bool = False  # the broker did not remember us: something may be missing


Sink = Callable[[Parcel | LinkChange], None]


class Driver(Protocol):
    """One connection: a broker, a serial port, a bus."""

    name: str

    def start(self) -> None:
        """Begin; returns at once. A wire that is not there yet is tried again, never an exception."""

    def stop(self) -> None:
        """End and join the thread; no Parcel is handed over after this returns."""
