"""The best detector's stationary delay for each fault that has a shape, on the fitted healthy noise."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from tests.bench.detection import cache
from tests.bench.detection.best import Delay, Part, stationary_delay
from tests.bench.detection.noise import Healthy

# Days between false alarms of one unit, as the rules were built for: creep/course (ten working years) and
# loss/judgement (RUN_LENGTH_DAYS). The yardstick is given the same.
RUN_LENGTH_D = {"creep": 2500.0, "leak": 3650.0}
STEPS = 75
LEAK_STEPS = 45
PATHS = 300
# A float whose nights show nothing has no second series.
_LEAST_SIGMA_L = 0.05


def yardsticks(
    usual: Healthy, which: Iterable[tuple[str, float]], seed: int
) -> dict[tuple[str, float], Delay]:
    """By (class of meter, % a week) for a membrane, by (machine, share of its usual loss) for a leak."""
    code = cache.version(("tests/bench/detection/*.py",))
    found = {}
    for key in which:
        name = cache.key([code, repr(usual), key, seed])
        found[key] = cache.kept("best", f"{name}.pickle", lambda key=key: _one(usual, key, seed))  # type: ignore[misc]
    return found


# Days between false alarms for which the best detector's delay is shown, and for whom.
CURVE_D = (91.0, 365.0, 1095.0, 3650.0)
CURVE_OF = (("M01", 0.25), ("M01", 0.5), ("M05", 0.25), ("M05", 0.5), ("M07", 0.5), ("M07", 1.0), ("B", 6.0))


def trade_off(usual: Healthy, seed: int) -> list[dict[str, Any]]:
    """Median days to the alarm of the best detector, by the days between its false alarms: no rule on these
    sensors can have both better."""
    code = cache.version(("tests/bench/detection/*.py",))
    name = cache.key([code, repr(usual), seed, "curve"])

    def make() -> list[dict[str, Any]]:
        return [
            {
                "of": key,
                "size": size,
                "days": {
                    f"{run_length:g}": hours(_one(usual, (key, size), seed, run_length).median) / 24.0
                    for run_length in CURVE_D
                },
            }
            for key, size in CURVE_OF
        ]

    found: list[dict[str, Any]] = cache.kept("best", f"{name}.pickle", make)
    return found


def _one(usual: Healthy, key: tuple[str, float], seed: int, run_length_d: float | None = None) -> Delay:
    name, size = key
    if name in usual.passage:
        noise = usual.passage[name]
        part = Part(noise.sigma, noise.rho, ramp(size))
        return stationary_delay([part], run_length_d or RUN_LENGTH_D["creep"], seed, PATHS)
    sump = usual.sumps[name]
    extra_l_h = size * sump.lost_l_d / 24.0
    parts = [
        Part(noise.sigma, noise.rho, step(extra_l_h * hours_l))
        for noise, hours_l in ((sump.day, 24.0 - sump.night_h), (sump.night, sump.night_h))
        if noise.sigma > _LEAST_SIGMA_L
    ]
    return stationary_delay(parts, run_length_d or RUN_LENGTH_D["leak"], seed, PATHS)


def ramp(pct_a_week: float, steps: int = STEPS) -> tuple[float, ...]:
    """Growth of the logarithm of the passage by day, the fault begun in the middle of the first."""
    return tuple(math.log1p(0.01 * pct_a_week * (day + 0.5) / 7.0) for day in range(steps))


def step(litres: float, steps: int = LEAK_STEPS) -> tuple[float, ...]:
    """Litres lost by day, the fault begun in the middle of the first."""
    return (0.5 * litres, *([litres] * (steps - 1)))


def hours(delay_steps: float) -> float:
    """Hours since the fault began, of a detector that judges at the end of each day."""
    return 24.0 * (delay_steps - 0.5)
