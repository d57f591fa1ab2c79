"""Level sensors too coarse for the loss that is looked for."""

from __future__ import annotations

import math
from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.check.watched import of_kind
from monitor.config import SiteFile
from monitor.plant.model import Sump
from monitor.rules.loss import Loss
from monitor.water.evaporation import evaporation_band

# A level has to move by so many steps before a fall is more than rounding, and a week is late for a leak.
_STEPS, _LATE_DAYS = 3.0, 7.0
_USUAL_HOURS_A_WEEK = 40.0
# Coolant while its pump stands and runs, air of a hall (common practice, no source).
_STANDING_C, _RUNNING_C, _AIR_C = 21.0, 28.0, 21.0


def evaporates_l_d(sump: Sump) -> tuple[float, float] | None:
    """Litres a day that a sump's own surface may evaporate, least and most, over its usual week.

    More is lost where a running machine wets its enclosure. None without a surface.
    """
    if sump.surface_m2 is None:
        return None
    week_h = _USUAL_HOURS_A_WEEK if sump.hours_a_week is None else sump.hours_a_week
    standing = evaporation_band(sump.surface_m2, _STANDING_C, _AIR_C, time_h_d=24.0 - week_h / 7)
    running = evaporation_band(sump.surface_m2, _RUNNING_C, _AIR_C, time_h_d=week_h / 7)
    return standing.low_l_d + running.low_l_d, standing.high_l_d + running.high_l_d


def of_sumps(site: SiteFile) -> Iterator[Caution]:
    """Where the loss looked for needs more than a week to show on the sensor at all."""
    for rule in of_kind(site.rules, Loss):
        if rule.settings.watch_for == "fast":
            continue
        for watched in rule.watched.values():
            band = evaporates_l_d(watched.sump)
            if band is None:
                continue
            level, name = watched.level, watched.sump.label
            extra_l_d, step_l = rule.extra * sum(band) / 2, watched.geometry.step_l
            days = _STEPS * step_l / extra_l_d if extra_l_d > 0 else math.inf
            if days > _LATE_DAYS:
                step_mm = level.canonical_resolution
                yield Caution(
                    site.places.line("channel", level.id, "resolution"),
                    f"{level.id}: one step of {step_mm:g} mm is {step_l:.1f} L of {name}; the loss that "
                    f"{rule.settings.id} looks for is about {extra_l_d:.1f} L a day, so {days:.0f} days pass "
                    f"before it shows. Right are steps of {step_mm * _LATE_DAYS / days:.0f} mm or less.",
                )
