"""Every fixed limit of a site file, whichever rule it stands in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from monitor.check.blind import IONS
from monitor.config import SiteFile
from monitor.plant.fields import Measure
from monitor.plant.model import Channel
from monitor.plant.units import UnitError, shown
from monitor.rules.breakthrough import Breakthrough
from monitor.rules.creep import Creep
from monitor.rules.limit import Limit
from monitor.water.dissolved import ec25_from_tds_us_cm


@dataclass(frozen=True, slots=True)
class Judged:
    """A channel held against a fixed value, in the canonical unit of what it measures."""

    rule: str
    key: str
    channel: Channel
    value: float
    high_is_bad: bool

    @property
    def shown(self) -> str:
        return shown(self.value, self.channel.quantity)

    @property
    def us_cm(self) -> float | None:
        """The limit as conductivity at 25 °C; None where it is none, or where low conductivity is bad."""
        quantity, channel = self.channel.quantity, self.channel
        if quantity == "resistivity":
            return 1.0 / self.value if self.value > 0 and not self.high_is_bad else None
        if quantity not in IONS or not self.high_is_bad:
            return None
        if quantity == "tds":
            return ec25_from_tds_us_cm(self.value, channel.tds_scale or "natural", channel.tds_factor)
        return self.value


def fixed_limits(site: SiteFile) -> Iterator[Judged]:
    """The limits of all rules, in the order of the file."""
    rules: Iterable[object] = site.rules
    for rule in rules:
        if isinstance(rule, Limit):
            channel = site.plant.channels[next(iter(rule.channels))]
            high = rule.settings.above is not None
            yield Judged(rule.settings.id, "above" if high else "below", channel, rule.limit, high)
        elif isinstance(rule, Breakthrough) and rule.settings.limit is not None:
            yield from _as_conductivity(site, rule.settings.id, rule.settings.outlet, rule.settings.limit)
        elif isinstance(rule, Creep) and rule.settings.limit is not None:
            yield from _as_conductivity(site, rule.settings.id, rule.settings.permeate, rule.settings.limit)


def judged_ions(site: SiteFile) -> Iterator[tuple[str, str, Channel]]:
    """Rule, key and channel wherever the water itself is judged by conductivity, TDS or resistivity."""
    rules: Iterable[object] = site.rules
    for rule in rules:
        if isinstance(rule, Limit):
            told = rule.settings.id, "channel", rule.settings.channel
        elif isinstance(rule, Breakthrough):
            told = rule.settings.id, "outlet", rule.settings.outlet
        elif isinstance(rule, Creep):
            told = rule.settings.id, "permeate", rule.settings.permeate
        else:
            continue
        channel = site.plant.channels[told[2]]
        if channel.quantity in IONS:
            yield told[0], told[1], channel


def _as_conductivity(site: SiteFile, rule: str, channel: str, limit: Measure) -> Iterator[Judged]:
    """A limit written as conductivity; one written as salt passage is none of a channel's."""
    known = site.plant.channels[channel]
    try:
        us_cm = limit.canonical("conductivity")
    except UnitError:
        return
    if known.quantity == "conductivity":
        yield Judged(rule, "limit", known, us_cm, True)
