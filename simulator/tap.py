"""Water as it comes into the shop: two blended sources, seasons, supplier switches, chlorine, temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.noise import Floats, correlated, first_order, stream
from simulator.schedule import Calendar
from simulator.shop import Tap
from simulator.water import SIZE, from_analysis

HOUR_MIN = 60


@dataclass(frozen=True)
class TapWater:
    """Raw water by the hour: composition (hour, ion), temperature C, free chlorine mg/L."""

    water: Floats
    temp_c: Floats
    chlorine_mg_l: Floats


def make_tap(tap: Tap, calendar: Calendar, shifted: Floats, seed: int) -> TapWater:
    """Draw the year's raw water. `shifted` (hour) moves the blend, 0 for none, as a supplier's change
    does.
    """
    rng = stream(seed, "tap")
    hours = calendar.minutes // HOUR_MIN
    year = calendar.year_fraction[::HOUR_MIN]
    first, second = (
        from_analysis(
            ca=s.ca, mg=s.mg, na=s.na, k=s.k, so4=s.so4, no3=s.no3, sio2=s.sio2, alk=s.alk, ph_value=s.ph
        )
        for s in tap.sources
    )  # fmt: skip
    season = np.cos(2.0 * np.pi * (year - 0.15))
    wander = correlated(rng, (hours,), 0.07, 1.0, 60.0)
    share = tap.share_mean + tap.share_season * season + wander + shifted
    switches = rng.random((hours, 3))
    target = np.zeros(hours)
    for hour in np.nonzero(switches[:, 0] < tap.switches_a_year / 8766.0)[0]:
        length = int(24.0 * tap.switch_days * (0.3 + 1.4 * switches[hour, 1]))
        target[hour : hour + length] += 0.35 * np.sign(switches[hour, 2] - 0.5)
    share = np.clip(first_order(share + target, 1.0, 5.0), 0.0, 1.0)[:, None]
    strength = 1.0 + correlated(rng, (hours,), 0.015, 1.0, 30.0) + correlated(rng, (hours,), 0.004, 1.0, 1.0)
    water = ((1.0 - share) * first + share * second) * strength[:, None]
    assert water.shape == (hours, SIZE)
    warm = -np.cos(2.0 * np.pi * (year - 45.0 / 365.25))
    temp = tap.mean_c + tap.season_c * warm + correlated(rng, (hours,), 0.6, 1.0, 120.0)
    chlorine = tap.chlorine_mg_l * np.exp(correlated(rng, (hours,), 0.3, 1.0, 48.0))
    return TapWater(water, np.maximum(temp, 2.0), chlorine)
