"""The list of fault families. A new one is its windows in a module beside, and one entry here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.bench.detection import instruments, sumps, train
from tests.bench.detection.noise import healthy
from tests.bench.detection.plain import TANK, WEAR, windows_of
from tests.bench.detection.windows import Window


@dataclass(frozen=True)
class Family:
    """Faults of one sort. `window(seed, number)`: numbers run through sizes and kinds; `every` is how many
    windows a round takes, so that each size and kind has its turn."""

    name: str
    what: str
    window: Callable[[int, int, int], Window]
    every: int


def _plain(make: Callable[[int, int], Window]) -> Callable[[int, int, int], Window]:
    return lambda seed, number, _base: make(seed, number)


FAMILIES: tuple[Family, ...] = (
    Family("creep", "a membrane that slowly lets more salt through", _plain(train.creep), 3),
    Family("resin", "a bed at its front, its discharge, a channel in it", _plain(train.resin), 4),
    Family("bed life", "the end of a bed announced", _plain(train.bed_life), 1),
    Family(
        "leak",
        "a sump that loses more than usual",
        lambda seed, number, base: sumps.leaks(seed, number, healthy(base)),
        3,
    ),
    Family("burst", "a sump that loses a litre a minute", _plain(sumps.bursts), 1),
    Family("instruments", "stuck, dead, silent, over range, wrong clock", _plain(instruments.episodes), 1),
    Family("drift", "a probe that drifts by 5 % a week", _plain(instruments.drift), 2),
    Family("tank", "water that is not made, not kept, or not stopped", _plain(windows_of("tank", TANK)), 4),
    Family("membrane", "dirt, scale, chlorine", _plain(windows_of("membrane", WEAR)), 3),
    Family("spikes", "one report in fifty off by a third", _plain(instruments.spikes), 1),
)


def family(name: str) -> Family:
    """A family by name.

    Raises: ValueError naming those there are.
    """
    for found in FAMILIES:
        if found.name == name:
            return found
    raise ValueError(f"no family {name!r}; there are: {', '.join(f.name for f in FAMILIES)}")
