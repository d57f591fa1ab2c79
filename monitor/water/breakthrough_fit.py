"""The breakthrough curve fitted to a bed's own readings, with limits that hold when only the front is seen.

Least squares of y = a + (1 - a) s(V), s the logistic, a the leak of a fresh bed (a >= 0), y the effluent's
share of the feed. The limits are those of the profile likelihood: a volume is inside when the best curve
through it is not significantly worse than the best curve of all. Unlike "estimate plus or minus", these may
be open at one end, and then say so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.water.breakthrough import open_share
from monitor.water.errors import OutOfRange, all_within, positive, within

__all__ = ["BreakthroughFit", "fit_breakthrough"]

Array = np.ndarray

MIN_READINGS = 6  # three parameters, and some freedom left to judge the scatter
MOST_POINTS = 100  # more readings are averaged in blocks, which also takes out short-lived correlation
FAR_RANGES = 60.0  # how many times the watched span ahead is still called a limit and not "open"
HIGHEST_SHARE = 1.2  # above, the bed discharges what it held, or the probes are swapped: no logistic
FLAT_PROBABILITY = 0.001  # a front must be this unlikely to be the scatter of a flat line
SHARE_FLOOR = 1e-6  # scatter never taken below, so that made-up exact data still has limits
STEEPNESS_POINTS = 40
NEAR_FEED = 0.8
WIDE = 0.5  # limits further apart than this share of the volume determine nothing a shop could plan by


@dataclass(frozen=True)
class BreakthroughFit:
    """What readings tell about a bed's curve. None means: these readings cannot tell.

    `verdict`: "determined" (the volume at the limit is known, its limits no further apart than half of it);
    "front seen, end uncertain" (it has begun, but the limits are wider than that, or the later one open);
    "no front yet" (flat so far: only `limit_low_l` is meant, the earliest volume at which a sharp front
    could still take the effluent to the limit).
    """

    verdict: str
    confidence: float
    limit_ratio: float
    limit_l: float | None
    limit_low_l: float
    limit_high_l: float | None
    v50_l: float | None
    v50_low_l: float
    v50_high_l: float | None
    k_per_l: float | None
    k_low_per_l: float | None
    k_high_per_l: float | None
    leak_ratio: float
    scatter_ratio: float
    readings: int
    highest_ratio: float
    limit_near_feed: bool

    @property
    def determined(self) -> bool:
        return self.verdict == "determined"

    @property
    def extrapolated(self) -> bool:
        """Whether the limit lies above every ratio seen, so that the shape of the curve is taken on trust."""
        return self.limit_ratio > self.highest_ratio


def fit_breakthrough(
    volume_l: Sequence[float] | Array,
    ratio: Sequence[float] | Array,
    limit_ratio: float = 0.5,
    confidence: float = 0.90,
    k_low_per_l: float | None = None,
    k_high_per_l: float | None = None,
) -> BreakthroughFit:
    """Fit the breakthrough logistic to readings and say between which volumes the limit will be reached.

    Equation: C/C0 = a + (1 - a) / (1 + exp(k (V50 - V))); limits by profile likelihood,
        RSS(V) <= RSS_min (1 + t^2 / (n - 3)), t of Student at the confidence
    Range: at least 6 readings; volumes at least 0 L; ratios -0.1 to 1.2; limit above 0 and below 1;
        confidence 0.5 to 0.999
    Raises: OutOfRange, also when a ratio is above 1.2 (the bed discharges, or the probes are swapped)
    Source: profile likelihood: Bates and Watts, Nonlinear Regression Analysis, 1988, ch. 6 (from memory)
    Assumes: scatter equal along the curve and independent after averaging; one dominating ion; a steady
        feed, or ratios formed with the feed of the moment; `k_low_per_l` and `k_high_per_l`, when given,
        truly hold the steepness (from earlier runs of the same bed)
    Not for: silica or CO2, which conductivity does not show; a bed that was changed within the readings
    Example:
        >>> volume = [500, 600, 700, 800, 900, 1000, 1100, 1200, 1300]
        >>> share = [0.010, 0.028, 0.085, 0.229, 0.502, 0.771, 0.915, 0.974, 0.990]
        >>> fit = fit_breakthrough(volume, share, limit_ratio=0.1)
        >>> fit.verdict, round(fit.v50_l), round(fit.k_per_l, 3)
        ('determined', 900, 0.012)
        >>> fit_breakthrough(volume[:6], [0.01, 0.011, 0.010, 0.009, 0.011, 0.010], 0.1).verdict
        'no front yet'
    """
    readings = all_within("volume_l", volume_l, 0.0, unit="L").size
    curve = _Curve.of(volume_l, ratio, k_low_per_l, k_high_per_l)
    logit = _logit(open_share("limit_ratio", limit_ratio))
    t = student_t(within("confidence", confidence, 0.5, 0.999), curve.freedom)
    v50, rss = curve.best()
    k, leak = curve.steepness_and_leak(v50)
    allowed = rss * (1.0 + t * t / curve.freedom)
    at_limit = v50 + logit / k
    low, high = curve.limits(at_limit, logit, allowed)
    v50_low, v50_high = curve.limits(v50, 0.0, allowed)
    seen = curve.front_is_seen(rss)
    k_low, k_high = curve.steepness_limits(k, allowed) if seen else (None, None)
    verdict = "no front yet"
    if seen:
        narrow = high is not None and high - low <= WIDE * at_limit
        verdict = "determined" if narrow else "front seen, end uncertain"
    return BreakthroughFit(
        verdict=verdict,
        confidence=confidence,
        limit_ratio=limit_ratio,
        limit_l=at_limit if seen else None,
        limit_low_l=low,
        limit_high_l=high if seen else None,
        v50_l=v50 if seen and v50_high is not None else None,
        v50_low_l=v50_low,
        v50_high_l=v50_high if seen else None,
        k_per_l=k if seen else None,
        k_low_per_l=k_low,
        k_high_per_l=k_high,
        leak_ratio=leak,
        scatter_ratio=math.sqrt(rss / curve.freedom),
        readings=readings,
        highest_ratio=float(np.max(np.asarray(ratio, dtype=float))),
        limit_near_feed=limit_ratio > NEAR_FEED,
    )


@dataclass(frozen=True)
class _Curve:
    """The readings, and the sum of squares of the best curve under one condition or another."""

    volume: Array
    share: Array
    weight: Array
    ln_k: Array  # the steepnesses tried

    @classmethod
    def of(
        cls,
        volume_l: Sequence[float] | Array,
        ratio: Sequence[float] | Array,
        k_low: float | None,
        k_high: float | None,
    ) -> _Curve:
        volume = all_within("volume_l", volume_l, 0.0, unit="L")
        share = all_within("ratio", ratio, -0.1, HIGHEST_SHARE, why="above the feed no such curve holds")
        if volume.shape != share.shape or volume.ndim != 1 or volume.size < MIN_READINGS:
            allowed = f"at least {MIN_READINGS}, and one a volume, {volume.shape}"
            raise OutOfRange("ratio", share.shape, allowed)
        order = np.argsort(volume, kind="stable")
        volume, share = volume[order], share[order]
        reach = float(volume[-1] - volume[0])
        if reach <= 0:
            raise OutOfRange("volume_l", reach, "spread over some volume", "first to last reading")
        blocks = np.array_split(np.arange(volume.size), min(volume.size, MOST_POINTS))
        mean = [(volume[b].mean(), share[b].mean(), b.size) for b in blocks]
        v, y, w = (np.array(column, dtype=float) for column in zip(*mean, strict=True))
        slowest = 0.3 / reach if k_low is None else positive("k_low_per_l", k_low, unit="1/L")
        sharpest = 8.0 * v.size / reach if k_high is None else positive("k_high_per_l", k_high, unit="1/L")
        if not slowest < sharpest:
            raise OutOfRange("k_low_per_l", slowest, f"below k_high_per_l, {sharpest:g} 1/L")
        return cls(v, y, w / w.mean(), np.linspace(math.log(slowest), math.log(sharpest), STEEPNESS_POINTS))

    @property
    def freedom(self) -> int:
        return self.volume.size - 3

    @property
    def reach(self) -> float:
        return float(self.volume[-1] - self.volume[0])

    def rss(self, volume_at: Array, ln_k: Array, logit: float) -> tuple[Array, Array]:
        """Sum of squares and best leak for curves through (volume_at, logit); the two broadcast together."""
        steep = np.exp(ln_k)[..., None]
        s = _logistic(steep * (self.volume - volume_at[..., None]) + logit)
        rest, room = self.share - s, 1.0 - s
        square = np.sum(self.weight * room * room, axis=-1)
        leak = np.sum(self.weight * rest * room, axis=-1) / np.maximum(square, 1e-300)
        leak = np.clip(leak, 0.0, 0.5)
        sums = np.sum(self.weight * (rest - leak[..., None] * room) ** 2, axis=-1)
        return np.maximum(sums, self.volume.size * SHARE_FLOOR**2), leak

    def profile(self, volumes: Array, logit: float) -> Array:
        """For each volume the least sum of squares over every steepness allowed."""
        grid = np.broadcast_to(self.ln_k, (volumes.size, self.ln_k.size))
        step = self.ln_k[1] - self.ln_k[0]
        sums, _ = self.rss(volumes[:, None], grid, logit)
        for _ in range(3):
            best = np.take_along_axis(grid, sums.argmin(axis=1)[:, None], axis=1)
            grid = np.clip(best + step * np.linspace(-1, 1, 9), self.ln_k[0], self.ln_k[-1])
            sums, _ = self.rss(volumes[:, None], grid, logit)
            step /= 4.0
        return np.asarray(sums.min(axis=1))

    def best(self) -> tuple[float, float]:
        """V50 of the best curve of all and its sum of squares."""
        first, last = self.volume[0], self.volume[-1]
        ahead = last + self.reach * np.geomspace(0.02, FAR_RANGES, 30)
        volumes = np.concatenate([np.linspace(first, last, 40), ahead])
        for _ in range(5):
            sums = self.profile(volumes, 0.0)
            i = int(sums.argmin())
            volumes = np.linspace(volumes[max(i - 1, 0)], volumes[min(i + 1, volumes.size - 1)], 13)
        sums = self.profile(volumes, 0.0)
        return float(volumes[sums.argmin()]), float(sums.min())

    def steepness_and_leak(self, v50: float) -> tuple[float, float]:
        ln_k = self.ln_k
        at = np.array([v50])
        for _ in range(4):
            sums, leak = self.rss(at, ln_k, 0.0)
            i = int(sums.argmin())
            best, best_leak = float(ln_k[i]), float(leak[i])
            ln_k = np.linspace(ln_k[max(i - 1, 0)], ln_k[min(i + 1, ln_k.size - 1)], 17)
        return math.exp(best), best_leak

    def limits(self, best: float, logit: float, allowed: float) -> tuple[float, float | None]:
        """Lowest and highest volume at this height of the curve; the highest None when it has no end."""

        def inside(volumes: Array) -> Array:
            return self.profile(volumes, logit) <= allowed

        far = self.volume[-1] + FAR_RANGES * self.reach
        steps = self.reach * np.geomspace(1e-4, FAR_RANGES, 30)
        below = best - steps[best - steps >= 0.0]
        low = _edge(inside, np.concatenate([[best], below, [0.0]]))
        up = np.concatenate([[best], best + steps[best + steps < far], [max(far, best)]])
        high = _edge(inside, up)
        return low, None if high >= up[-1] else high

    def steepness_limits(self, k: float, allowed: float) -> tuple[float | None, float | None]:
        """Lowest and highest steepness; None where the tried range itself ends."""
        volumes = np.concatenate(
            [
                np.linspace(self.volume[0], self.volume[-1], 50),
                self.volume[-1] + self.reach * np.geomspace(0.01, FAR_RANGES, 30),
            ]
        )

        def inside(ln_ks: Array) -> Array:
            grid, sums = self._over_volumes(volumes, ln_ks)
            width = np.gradient(grid, axis=1)
            for _ in range(3):
                i = sums.argmin(axis=1)[:, None]
                centre, half = np.take_along_axis(grid, i, 1), np.take_along_axis(width, i, 1)
                grid = centre + half * np.linspace(-1, 1, 9)
                width = np.broadcast_to(half / 4.0, grid.shape)
                sums, _ = self.rss(grid, np.broadcast_to(ln_ks[:, None], grid.shape), 0.0)
            return np.asarray(sums.min(axis=1) <= allowed)

        here = math.log(k)
        low = _edge(inside, np.linspace(here, self.ln_k[0], 14))
        high = _edge(inside, np.linspace(here, self.ln_k[-1], 14))
        return (
            None if low <= self.ln_k[0] else math.exp(low),
            None if high >= self.ln_k[-1] else math.exp(high),
        )

    def _over_volumes(self, volumes: Array, ln_ks: Array) -> tuple[Array, Array]:
        grid = np.broadcast_to(volumes, (ln_ks.size, volumes.size))
        return grid, self.rss(grid, np.broadcast_to(ln_ks[:, None], grid.shape), 0.0)[0]

    def front_is_seen(self, rss: float) -> bool:
        """Whether the curve beats a flat line by more than scatter would, F test with 2 and n - 3."""
        mean = float(np.average(self.share, weights=self.weight))
        flat = max(float(np.sum(self.weight * (self.share - mean) ** 2)), rss)
        ratio = (flat - rss) / rss  # 2 F / freedom
        return bool((1.0 + ratio) ** (-self.freedom / 2.0) < FLAT_PROBABILITY)


def _edge(inside: Callable[[Array], Array], points: Array) -> float:
    """The outermost of ordered points that is inside, refined towards the next one out."""
    found = np.flatnonzero(inside(points))
    last = int(found[-1]) if found.size else 0
    if last == points.size - 1:
        return float(points[-1])
    near, out = float(points[last]), float(points[last + 1])
    for _ in range(6):
        between = np.linspace(near, out, 9)
        ok = np.flatnonzero(inside(between[1:-1]))
        i = int(ok[-1]) + 1 if ok.size else 0
        near, out = float(between[i]), float(between[i + 1])
    return near


def student_t(confidence: float, freedom: int) -> float:
    """The two-sided Student t of a confidence, from its integral in the angle (no SciPy at run time)."""
    wide = max(1.0, 40.0 / math.sqrt(freedom)) if freedom < 1600 else 1.0
    angle = np.linspace(0.0, min(math.pi / 2, wide), 20001)
    density = np.cos(angle) ** (freedom - 1)
    area = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2.0)])
    return float(math.sqrt(freedom) * math.tan(float(np.interp(confidence, area / area[-1], angle))))


def _logit(share: float) -> float:
    return math.log(share / (1.0 - share))


def _logistic(x: Array) -> Array:
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * x)))
