"""A loss of two parts with 90 % intervals, and what may be concluded from them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.water.errors import OutOfRange, positive, within

__all__: list[str] = []

READING_STD_BRIX = {"optical": 0.25, "digital": 0.15}  # common practice, no source
HOLDUP_STD_L = 2.0  # what hangs in machine and chips differs from one quiet moment to the next; no source
LEVEL_STD_L = 1.0
ZERO_STD_BRIX = 0.1  # the zero on water is a reading too; shared by both readings of a pair
Z_90 = 1.6448536269514722  # two-sided 90 % of a normal

Verdict = Literal["evaporation", "lost mixture", "both", "something came in", "cannot tell yet"]
Instrument = Literal["optical", "digital"]


@dataclass(frozen=True)
class LossSplit:
    """A loss split in two, each part with its 90 % interval.

    `verdict` is drawn only from the 90 % interval of the evaporated fraction: "evaporation" when all of it is
    above one half, "lost mixture" when all of it is below, "both" when it excludes 0 and 1 but not one half,
    "something came in" when it lies wholly outside 0 to 1 (water or concentrate was added, or the readings
    are wrong), else "cannot tell yet".
    """

    total_l: float
    evaporated_l: float
    evaporated_low_l: float
    evaporated_high_l: float
    mixture_lost_l: float
    mixture_lost_low_l: float
    mixture_lost_high_l: float
    fraction: float
    """Evaporated share of the loss; outside 0 to 1 when readings scatter, and not clipped."""
    fraction_std: float
    fraction_low: float | None
    """Ends of the 90 % interval of the fraction; None when the drop is too small to bound it."""
    fraction_high: float | None
    verdict: Verdict


def split_losses(
    losses: Callable[[Sequence[float]], tuple[float, float]], values: Sequence[float], stds: Sequence[float]
) -> LossSplit:
    """`losses` gives evaporated and total litres; each value has an independent standard uncertainty."""
    evaporated, total = losses(values)
    slopes = [_slopes(losses, values, i, std) for i, std in enumerate(stds)]
    e_var = math.fsum(e * e for e, _ in slopes)
    t_var = math.fsum(t * t for _, t in slopes)
    cov = math.fsum(e * t for e, t in slopes)
    fraction = evaporated / total
    low, high = _fieller(evaporated, total, e_var, t_var, cov)
    e_half = Z_90 * math.sqrt(e_var)
    lost = total - evaporated
    d_half = Z_90 * math.sqrt(max(e_var + t_var - 2.0 * cov, 0.0))
    f_std = math.sqrt(max(e_var - 2.0 * fraction * cov + fraction**2 * t_var, 0.0)) / total
    return LossSplit(
        total, evaporated, evaporated - e_half, evaporated + e_half, lost, lost - d_half, lost + d_half,
        fraction, f_std, low, high, _verdict(low, high),
    )  # fmt: skip


def _slopes(
    losses: Callable[[Sequence[float]], tuple[float, float]], values: Sequence[float], i: int, std: float
) -> tuple[float, float]:
    """Change of evaporated and total litres per one standard uncertainty of value i (central difference)."""
    step = 1e-5 * max(abs(values[i]), 1.0)
    ends = [losses([x + sign * step if j == i else x for j, x in enumerate(values)]) for sign in (1, -1)]
    scale = std / (2.0 * step)
    (up_part, up_total), (down_part, down_total) = ends
    return (up_part - down_part) * scale, (up_total - down_total) * scale


def _fieller(
    part: float, total: float, part_var: float, total_var: float, cov: float
) -> tuple[float | None, float | None]:
    """90 % interval of part/total: all f with (part - f total)² <= z² var(part - f total)."""
    a = total**2 - Z_90**2 * total_var
    if a <= 0.0:
        return None, None
    b = part * total - Z_90**2 * cov
    c = part**2 - Z_90**2 * part_var
    root = math.sqrt(max(b * b - a * c, 0.0))
    return (b - root) / a, (b + root) / a


def _verdict(low: float | None, high: float | None) -> Verdict:
    if low is None or high is None:
        return "cannot tell yet"
    if high < 0.0 or low > 1.0:
        return "something came in"
    if low > 0.5:
        return "evaporation"
    if high < 0.5:
        return "lost mixture"
    return "both" if low > 0.0 and high < 1.0 else "cannot tell yet"


def reading_std_of(instrument: str, reading_std_brix: float | None) -> float:
    if reading_std_brix is not None:
        return positive("reading_std_brix", reading_std_brix, 10.0, "°Brix")
    if instrument not in READING_STD_BRIX:
        raise OutOfRange("instrument", instrument, "optical or digital")
    return READING_STD_BRIX[instrument]


def volume_std_of(level_std_l: float, holdup_std_l: float) -> float:
    level = within("level_std_l", level_std_l, 0.0, unit="L")
    return math.hypot(level, within("holdup_std_l", holdup_std_l, 0.0, unit="L"))


def zero_std_of(zero_std_brix: float) -> float:
    return within("zero_std_brix", zero_std_brix, 0.0, 10.0, "°Brix")
