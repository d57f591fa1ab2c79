"""The breakthrough of an ion-exchange bed as one logistic in volume: forward, inverse, and its older names.

Thomas, Bohart-Adams (convergent form) and Yoon-Nelson are the same curve with other letters. It is written
in volume, since a shop's bed stands still every night; for a bed fed at constant rate read time for volume.
Fitting it to readings, with limits, is `breakthrough_fit`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.water.errors import OutOfRange, all_within, positive, within

__all__ = [
    "LogitLine",
    "bohart_adams_midpoint_min",
    "bohart_adams_rate_per_min",
    "breakthrough_logit_line",
    "breakthrough_ratio",
    "breakthrough_volume_at_limit_l",
    "breakthrough_volume_l",
    "thomas_midpoint_min",
    "thomas_rate_per_min",
]

LOGIT_LOW, LOGIT_HIGH = 0.02, 0.98  # outside, a logit is mostly the probe's error


def logistic(x: float) -> float:
    """1/(1+exp(-x)) without overflow."""
    return 1.0 / (1.0 + math.exp(-x)) if x >= 0 else math.exp(x) / (1.0 + math.exp(x))


def breakthrough_ratio(volume_l: float, k_per_l: float, v50_l: float) -> float:
    """Share of the feed concentration that passes the bed after a volume.

    Equation: C/C0 = 1 / (1 + exp(k (V50 - V)))
    Range: V at least 0 L, k above 0 per L, V50 above 0 L
    Raises: OutOfRange when an input is outside, NaN or infinite
    Source: Yoon-Nelson form; J. Hazard. Mater. 177 (2010) 1006 (abstract) on the equivalence of the models
    Assumes: one dominating ion, favourable exchange, a feed that stays as it is
    Not for: a bed that discharges what it held (the effluent is then above the feed)
    Example:
        >>> round(breakthrough_ratio(volume_l=120, k_per_l=0.041, v50_l=173.4), 4)
        0.1007
    """
    volume = within("volume_l", volume_l, 0.0, unit="L")
    k = positive("k_per_l", k_per_l, unit="1/L")
    return logistic(k * (volume - positive("v50_l", v50_l, unit="L")))


def breakthrough_volume_l(ratio: float, k_per_l: float, v50_l: float) -> float:
    """Volume at which a given share of the feed passes the bed; the inverse of `breakthrough_ratio`.

    Equation: V = V50 + ln(x / (1 - x)) / k
    Range: ratio above 0 and below 1, k above 0 per L, V50 above 0 L
    Raises: OutOfRange when an input is outside; when the curve holds this share before the first litre
    Source: inverse of the logistic
    Assumes: one dominating ion, favourable exchange, a feed that stays as it is
    Not for: a share the curve never takes at a positive volume
    Example:
        >>> round(breakthrough_volume_l(ratio=0.05, k_per_l=0.041, v50_l=173.4), 2)
        101.58
    """
    share = open_share("ratio", ratio)
    k = positive("k_per_l", k_per_l, unit="1/L")
    volume = positive("v50_l", v50_l, unit="L") + math.log(share / (1.0 - share)) / k
    if volume < 0:
        lowest = f"above {logistic(-k * v50_l):.3g}"
        raise OutOfRange("ratio", ratio, lowest, "passed from the first litre on")
    return volume


def breakthrough_volume_at_limit_l(
    limit_us_cm: float,
    feed_us_cm: float,
    k_per_l: float,
    v50_l: float,
    leak_us_cm: float = 0.0,
) -> float:
    """Volume at which the effluent reaches a conductivity limit.

    Equation: x = (limit - leak) / (feed - leak);  V = V50 + ln(x / (1 - x)) / k
    Range: 0 <= leak < limit < feed, uS/cm at 25 °C; k above 0 per L, V50 above 0 L
    Raises: OutOfRange, also for a limit at or above the feed, which such a curve never reaches
    Source: treatment practice: EC = leak + (feed - leak) C/C0
    Assumes: conductivity mixes in proportion, true within a few per cent
    Not for: silica or CO2, which a probe hardly sees; a limit above 80 % of the feed, where the alarm may
        never come (`limit_near_feed` in a fit's result says so)
    Example:
        >>> round(breakthrough_volume_at_limit_l(10, 22, k_per_l=0.008, v50_l=3000, leak_us_cm=0.5), 1)
        2970.8
    """
    share = limit_share(limit_us_cm, feed_us_cm, leak_us_cm)
    return breakthrough_volume_l(share, k_per_l, v50_l)


def limit_share(limit_us_cm: float, feed_us_cm: float, leak_us_cm: float) -> float:
    """The C/C0 at which the effluent shows the limit."""
    feed = positive("feed_us_cm", feed_us_cm, unit="uS/cm")
    leak = within("leak_us_cm", leak_us_cm, 0.0, unit="uS/cm")
    limit = positive("limit_us_cm", limit_us_cm, unit="uS/cm")
    if not leak < limit < feed:
        raise OutOfRange(
            "limit_us_cm",
            limit,
            f"above the leak, {leak:g}, and below the feed, {feed:g} uS/cm",
            "an alarm there would stand from the first litre or never come",
        )
    return (limit - leak) / (feed - leak)


class LogitLine(NamedTuple):
    """Steepness and midpoint of a curve."""

    k_per_l: float
    v50_l: float


def breakthrough_logit_line(volume_l: Sequence[float], ratio: Sequence[float]) -> LogitLine:
    """Steepness and midpoint from a straight line through the logits of a whole curve.

    Equation: ln(x / (1 - x)) = k V - k V50, least squares over 0.02 < x < 0.98
    Range: at least two volumes with ratios between 0.02 and 0.98 that rise
    Raises: OutOfRange when too few points are usable, or when they do not rise
    Source: the linear form printed with the Thomas and Yoon-Nelson models
    Assumes: every logit is equally certain, which is untrue at the ends
    Not for: an early front (`fit_breakthrough` gives limits and says what it cannot tell)
    Example:
        >>> k, v50 = breakthrough_logit_line([700, 800, 900, 1000], [0.0832, 0.2315, 0.5, 0.7685])
        >>> round(k, 4), round(v50)
        (0.012, 900)
    """
    volume = all_within("volume_l", volume_l, unit="L")
    share = all_within("ratio", ratio)
    if volume.shape != share.shape or volume.ndim != 1:
        raise OutOfRange("ratio", share.shape, f"one value a volume, {volume.shape}")
    usable = (share > LOGIT_LOW) & (share < LOGIT_HIGH)
    if np.unique(volume[usable]).size < 2:
        raise OutOfRange("ratio", int(usable.sum()), "at least two points between 0.02 and 0.98")
    x = volume[usable]
    y = np.log(share[usable] / (1.0 - share[usable]))
    k = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
    if k <= 0:
        raise OutOfRange("ratio", k, "rising with volume", "slope of the logits")
    return LogitLine(k, float(x.mean() - y.mean() / k))


def thomas_rate_per_min(thomas_ml_min_mg: float, feed_mg_l: float) -> float:
    """Steepness of the curve in time from a Thomas rate constant.

    Equation: k = kTh C0 / 1000
    Range: kTh above 0 mL/(min mg), C0 above 0 mg/L
    Raises: OutOfRange
    Source: J. Hazard. Mater. 177 (2010) 1006 (abstract); table 2 of J. Chem. Eng. Process Technol. 5:200
    Assumes: constant feed and flow
    Not for: flow that stops and starts; fit in volume instead
    Example:
        >>> round(thomas_rate_per_min(0.410, feed_mg_l=100), 4)
        0.041
    """
    return positive("thomas_ml_min_mg", thomas_ml_min_mg, unit="mL/(min mg)") * _feed(feed_mg_l) / 1000.0


def thomas_midpoint_min(
    capacity_mg_g: float, sorbent_g: float, flow_ml_min: float, feed_mg_l: float
) -> float:
    """Time at which half the feed passes, from Thomas capacity.

    Equation: tau = q0 m / (Q C0) x 1000
    Range: everything above 0
    Raises: OutOfRange
    Source: Thomas model as above
    Assumes: constant feed and flow
    Not for: flow that stops and starts
    Example:
        >>> round(thomas_midpoint_min(3.854, sorbent_g=4.5, flow_ml_min=1, feed_mg_l=100), 2)
        173.43
    """
    held = positive("capacity_mg_g", capacity_mg_g, unit="mg/g") * positive("sorbent_g", sorbent_g, unit="g")
    return 1000.0 * held / (positive("flow_ml_min", flow_ml_min, unit="mL/min") * _feed(feed_mg_l))


def bohart_adams_rate_per_min(bohart_adams_l_mg_min: float, feed_mg_l: float) -> float:
    """Steepness of the curve in time from a Bohart-Adams rate constant.

    Equation: k = kBA C0
    Range: kBA above 0 L/(mg min), C0 above 0 mg/L
    Raises: OutOfRange
    Source: J. Hazard. Mater. 177 (2010) 1006 (abstract)
    Assumes: the convergent form
    Not for: the "divergent" exponential exp(kBA C0 t - kBA N0 Z/u), which is another model
    Example:
        >>> round(bohart_adams_rate_per_min(0.0008, feed_mg_l=60), 4)
        0.048
    """
    return positive("bohart_adams_l_mg_min", bohart_adams_l_mg_min, unit="L/(mg min)") * _feed(feed_mg_l)


def bohart_adams_midpoint_min(
    capacity_mg_l: float, depth_cm: float, velocity_cm_min: float, feed_mg_l: float
) -> float:
    """Time at which half the feed passes, from a Bohart-Adams capacity.

    Equation: tau = N0 Z / (u C0)
    Range: everything above 0; capacity in mg per L of bed
    Raises: OutOfRange
    Source: J. Hazard. Mater. 177 (2010) 1006 (abstract)
    Assumes: constant feed and flow
    Not for: flow that stops and starts
    Example:
        >>> bohart_adams_midpoint_min(12000, depth_cm=40, velocity_cm_min=4, feed_mg_l=60)
        2000.0
    """
    held = positive("capacity_mg_l", capacity_mg_l, unit="mg/L") * positive("depth_cm", depth_cm, unit="cm")
    return held / (positive("velocity_cm_min", velocity_cm_min, unit="cm/min") * _feed(feed_mg_l))


def open_share(name: str, value: float) -> float:
    """A share strictly between 0 and 1."""
    share = within(name, value, 0.0, 1.0)
    if share in (0.0, 1.0):
        raise OutOfRange(name, share, "above 0 and below 1")
    return share


def _feed(feed_mg_l: float) -> float:
    return positive("feed_mg_l", feed_mg_l, unit="mg/L")
