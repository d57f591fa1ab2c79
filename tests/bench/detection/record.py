"""One simulated stretch as the measure needs it: reports of some instruments, the truth, some true series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.readings import Sample
from simulator.faults import DAY_MS
from simulator.instruments import OK, Reported
from simulator.noise import Floats, stream
from simulator.points import Series
from simulator.score import Expected, natural_fronts
from simulator.shop import Instrument, Shop, load_shop
from simulator.year import Run, simulate
from tests.bench.detection import cache
from tests.bench.judge import channel_of, samples

MINUTE_MS = 60_000
# A meter of the usual kind for a small RO beside the good one: whole ppm, and it knows no temperature.
DISPLAY = Instrument("permeate_tds", "ec:permeate", "tds_display", 60.0)
SHOPS: Mapping[str, Mapping[str, Any]] = {
    "hall3": {},
    # A bed that is new as the run begins, so that its litres are known from the first one on.
    "new-bed": {"used_at_start_m3": 0.0},
}


def shop_of(name: str) -> Shop:
    """Hall 3 with what this measure changes of it. A new instrument draws from a stream of its own."""
    shop = load_shop("hall3")
    resin = replace(shop.resin, **SHOPS[name])
    return replace(shop, resin=resin, instruments=(*shop.instruments, DISPLAY))


@dataclass(frozen=True)
class Spec:
    """What is simulated, and what of it is kept. `fast` are reported each minute, others every five.

    Faults are those of the simulator, and `spikes`: a share `size` (%) of an instrument's reports is off by a
    third of its value, up or down, which the simulator does not know.
    """

    seed: int
    start: str
    days: int
    instruments: tuple[str, ...]
    faults: tuple[Mapping[str, Any], ...] = ()
    shop: str = "hall3"
    fast: tuple[str, ...] = ()
    series: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        return cache.key([cache.version(cache.SIMULATOR), asdict(self)])


@dataclass(frozen=True)
class Record:
    """What was kept of a run; it may take the run's place in `tests.bench.judge.samples`."""

    spec: Spec
    start_ms: int
    end_ms: int
    reported: Mapping[str, Reported]
    lines: tuple[Expected, ...]  # of the truth, of gaps, of beds near their end
    events: tuple[tuple[int, str, str], ...]
    series: Mapping[str, Series] = field(default_factory=dict)

    @cached_property
    def shop(self) -> Shop:
        return shop_of(self.spec.shop)

    @property
    def days(self) -> int:
        return self.spec.days

    def between(self, begin_ms: int, end_ms: int) -> Record:
        """The same with the reports sent in begin <= time < end."""
        cut = {}
        for name, said in self.reported.items():
            low, high = np.searchsorted(said.time_ms, (begin_ms, end_ms))
            inside = slice(int(low), int(high))
            cut[name] = Reported(*(part[inside] for part in said_parts(said)))
        return replace(self, reported=cut)

    def samples(self, begin_ms: int, end_ms: int, channels: set[str]) -> Sequence[Sample]:
        """What was sent in begin <= time < end, as the wires hand it over."""
        part = self.between(begin_ms, end_ms)
        there = {channel_of(name) for name, said in part.reported.items() if len(said.time_ms)}
        if not channels & there:
            return ()
        return tuple(samples(part, channels & there))  # type: ignore[arg-type]  # it reads what a Record has

    def line(self, fault: str, family: str) -> Expected | None:
        """The line of truth that expects an alarm of this family for a fault."""
        lines = (x for x in self.lines if x.fault == fault and x.family == family and x.role == "expected")
        return next(lines, None)


def said_parts(said: Reported) -> tuple[NDArray[Any], ...]:
    """The columns of an instrument's reports, in the order of `Reported`."""
    return said.time_ms, said.own_ms, said.value, said.status


def record(spec: Spec) -> Record:
    """Simulated once, then read from the cache."""
    found: Record = cache.kept("runs", f"{spec.key}.pickle", lambda: make(spec))
    return found


def make(spec: Spec) -> Record:
    """Simulate, and keep what is asked for."""
    ours = [fault for fault in spec.faults if fault["kind"] == "spikes"]
    theirs = [fault for fault in spec.faults if fault["kind"] != "spikes"]
    run = simulate(shop_of(spec.shop), theirs, spec.seed, spec.start, spec.days)
    wanted = [i for i in run.shop.instruments if i.name in spec.instruments]
    reported = {i.name: thinned(run, i, 1.0 if i.name in spec.fast else 5.0) for i in wanted}
    for fault in ours:
        name = str(fault["target"])
        reported[name] = with_spikes(reported[name], fault, run.start_ms, spec.seed)
    gaps = tuple(gap for gap in run.gaps if gap.subject in spec.instruments)
    return Record(
        spec=spec,
        start_ms=run.start_ms,
        end_ms=run.end_ms,
        reported=reported,
        lines=(*run.truth, *gaps, *natural_fronts(run)),
        events=run.events,
        series={name: run.series[name] for name in spec.series},
    )


def thinned(run: Run, instrument: Instrument, every_min: float) -> Reported:
    """At most one report in `every_min`; of a contact also each change."""
    said = run.reported[instrument.name]
    slot = said.time_ms // round(every_min * MINUTE_MS)
    keep = np.concatenate([[True], np.diff(slot) > 0]) if len(slot) else np.zeros(0, dtype=bool)
    if instrument.model == "contact":
        keep[1:] |= np.diff(said.value) != 0
    return Reported(*(part[keep] for part in said_parts(said)))


def with_spikes(said: Reported, fault: Mapping[str, Any], start_ms: int, seed: int) -> Reported:
    """Single reports thrown off by a third of their value, as a bubble or a loose plug does."""
    rng = stream(seed, f"spikes {fault['target']}")
    dice, side = rng.random(len(said.value)), np.where(rng.random(len(said.value)) < 0.5, -1.0, 1.0)
    day = (said.time_ms - start_ms) / DAY_MS
    hit = (day >= fault["start_day"]) & (day < fault.get("end_day", np.inf)) & (said.status == OK)
    hit &= dice < 0.01 * float(fault["size"])
    value: Floats = np.where(hit, np.maximum(said.value * (1.0 + side / 3.0), 0.0), said.value)
    return replace_value(said, value)


def replace_value(said: Reported, value: Floats) -> Reported:
    """The same reports with other values."""
    return Reported(said.time_ms, said.own_ms, value, said.status)
