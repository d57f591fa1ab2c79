"""A sink that remembers, standing where the watch stands."""

from __future__ import annotations

import threading

from monitor.intake.driver import LinkChange, Parcel
from monitor.readings import Count, Sample


class Recorder:
    """Keeps all it is given, in order; acknowledges at once when told to, else when asked."""

    def __init__(self, *, acknowledging: bool = True) -> None:
        self.acknowledging = acknowledging
        self._given: list[Parcel | LinkChange] = []
        self._lock = threading.Lock()

    def __call__(self, given: Parcel | LinkChange) -> None:
        with self._lock:
            self._given.append(given)
        if self.acknowledging and isinstance(given, Parcel) and given.acknowledge is not None:
            given.acknowledge()

    @property
    def given(self) -> list[Parcel | LinkChange]:
        with self._lock:
            return list(self._given)

    @property
    def parcels(self) -> list[Parcel]:
        return [given for given in self.given if isinstance(given, Parcel)]

    @property
    def links(self) -> list[LinkChange]:
        return [given for given in self.given if isinstance(given, LinkChange)]

    @property
    def samples(self) -> list[Sample]:
        return [sample for parcel in self.parcels for sample in parcel.samples]

    @property
    def values(self) -> list[float]:
        return [sample.value for sample in self.samples]

    @property
    def counts(self) -> list[Count]:
        return [count for parcel in self.parcels for count in parcel.counts]

    @property
    def slugs(self) -> list[str]:
        return [count.what for count in self.counts]

    def is_up(self) -> bool:
        """The last word about the link was that it is up."""
        return bool(self.links) and self.links[-1].up

    def is_down(self) -> bool:
        """The last word about the link was that it is down."""
        return bool(self.links) and not self.links[-1].up
