"""Trends against pymannkendall, lines against statsmodels, QARTOD rules against ioos_qc, run lengths against
simulation. Seeded draws."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from monitor.stats import (
    cusum,
    distributions,
    flat,
    optimal,
    qartod,
    regression,
    run_length,
    run_length_ar1,
    trend,
)
from tests.reference.deviation import Comparison, relative_pct

CASES = 60
RUNS = 40_000


def series(seed: int, ties: bool) -> Iterator[list[float]]:
    draw = np.random.default_rng(seed)
    for _ in range(CASES):
        n = int(draw.integers(10, 60))
        x = draw.normal(0.0, 1.0, n) + draw.uniform(-0.05, 0.05) * np.arange(n)
        yield (np.round(x, 0 if ties else 12)).tolist()


def mann_kendall(field: str, ties: bool) -> Callable[[], list[float]]:
    def run() -> list[float]:
        import pymannkendall

        names = {"s": "s", "variance": "var_s", "z": "z", "p_two_sided": "p"}
        found = []
        for x in series(71, ties):
            other = pymannkendall.original_test(x)
            found.append(float(getattr(trend.mann_kendall(x), field) - getattr(other, names[field])))
        return found

    return run


def theil_sen(field: str) -> Callable[[], list[float]]:
    def run() -> list[float]:
        from scipy.stats import theilslopes

        draw = np.random.default_rng(72)
        found = []
        for x in series(73, ties=True):
            t = np.cumsum(draw.uniform(0.5, 3.0, len(x)))
            other = theilslopes(x, t, 0.95)
            value = {"slope": other.slope, "low": other.low_slope, "high": other.high_slope}[field]
            found.append(float(getattr(trend.theil_sen(t, x), field) - value))
        return found

    return run


def least_squares(field: str) -> Callable[[], list[float]]:
    def run() -> list[float]:
        import statsmodels.api as sm

        draw = np.random.default_rng(74)
        found = []
        for _ in range(CASES):
            n = int(draw.integers(4, 80))
            t = np.sort(draw.uniform(0.0, 48.0, n))
            y = 300.0 - draw.uniform(0.1, 2.0) * t + draw.normal(0.0, draw.uniform(0.05, 2.0), n)
            fit = sm.OLS(y, sm.add_constant(t)).fit()
            other = {
                "slope": fit.params[1],
                "slope_se": fit.bse[1],
                "slope_low": fit.conf_int(0.05)[1][0],
                "intercept": fit.params[0],
                "intercept_se": fit.bse[0],
            }[field]
            found.append(relative_pct(getattr(regression.least_squares(t, y), field), float(other)))
        return found

    return run


def student_scipy() -> list[float]:
    from scipy import stats

    draw = np.random.default_rng(75)
    found = []
    for _ in range(CASES):
        p, n = float(draw.uniform(1e-4, 0.49)), float(draw.uniform(1.0, 500.0))
        found.append(relative_pct(distributions.student_t_quantile(p, n), float(stats.t.ppf(p, n))))
    return found


def normal_scipy() -> list[float]:
    from scipy import stats

    draw = np.random.default_rng(76)
    probabilities = 10.0 ** draw.uniform(-300.0, -0.31, CASES)
    return [
        relative_pct(distributions.normal_quantile(p), float(stats.norm.ppf(p)))
        for p in probabilities.tolist()
    ]


def sensor(draw: np.random.Generator, missing: bool) -> list[float | None]:
    """A quantised signal with spikes, jumps, still stretches and, if wanted, holes."""
    x: list[float | None] = np.round(np.cumsum(draw.normal(0.0, 0.2, 80)), 1).tolist()
    for place in draw.integers(0, 80, 6):
        x[place] = round(float(x[place] or 0.0) + float(draw.choice([-3.0, 2.0, 4.0])), 1)
    start = int(draw.integers(0, 60))
    x[start : start + 12] = [x[start]] * 12
    if missing:
        for place in draw.integers(0, 80, 5):
            x[place] = None
    return x


def differing(ours: list[qartod.Flag], library: Any) -> float:
    """Number of flags that differ."""
    return float(sum(int(a) != int(b) for a, b in zip(ours, np.asarray(library).tolist(), strict=True)))


def with_nan(x: list[float | None]) -> list[float]:
    return [np.nan if value is None else value for value in x]


def qartod_rule(rule: str, missing: bool) -> Callable[[], list[float]]:
    def run() -> list[float]:
        draw = np.random.default_rng(77)
        return [compare(rule, sensor(draw, missing)) for _ in range(CASES)]

    return run


def compare(rule: str, x: list[float | None]) -> float:
    from ioos_qc import qartod as library

    plain, times = with_nan(x), [60.0 * i for i in range(len(x))]
    if rule == "gross_range":
        other = library.gross_range_test(plain, (-2.0, 2.0), (-1.0, 1.0))
        return differing(qartod.gross_range_flags(x, (-2.0, 2.0), (-1.0, 1.0)), other)
    if rule in ("average", "differential"):
        other = library.spike_test(plain, 0.55, 1.05, method=rule)
        return differing(qartod.spike_flags(x, 0.55, 1.05, rule), other)  # type: ignore[arg-type]  # one of the two
    if rule == "rate_of_change":
        other = library.rate_of_change_test(plain, times, 0.0123)
        return differing(qartod.rate_flags(x, times, 0.0123), other)
    if rule == "flat_line":
        other = library.flat_line_test(plain, times, 240, 480, 0.15)
        return differing(qartod.flat_line_flags(x, 60.0, 240, 480, 0.15), other)
    other = library.attenuated_signal_test(plain, times, 1.0, 0.5, check_type=rule)
    return differing(qartod.attenuated_flags(x, 1.0, 0.5, rule), other)  # type: ignore[arg-type]  # one of the two


def simulate(
    k: float, h: float, phi: float, shift: float, sides: int, seed: int, headstart: float = 0.0
) -> float:
    """Mean run length of many charts run side by side on AR(1) noise of unit variance."""
    draw = np.random.default_rng(seed)
    x = draw.standard_normal(RUNS)
    upper = np.full(RUNS, headstart)
    lower = np.full(RUNS, headstart)
    total = steps = 0.0
    while x.size:
        steps += 1.0
        x = phi * x + np.sqrt(1.0 - phi * phi) * draw.standard_normal(x.size)
        upper = np.maximum(0.0, upper + x + shift - k)
        lower = np.maximum(0.0, lower - x - shift - k)
        signal = (upper > h) | ((lower > h) & (sides == 2))
        total += steps * float(signal.sum())
        x, upper, lower = x[~signal], upper[~signal], lower[~signal]
    return total / RUNS


def simulated_cusum() -> list[float]:
    draw = np.random.default_rng(78)
    found = []
    for case in range(12):
        k, h, shift = draw.uniform(0.25, 1.0), draw.uniform(1.5, 3.5), draw.uniform(0.0, 1.5)
        sides = 1 + case % 2
        ours = (run_length.cusum_arl_one_sided, run_length.cusum_arl_two_sided)[sides - 1]
        headstart = h / 2.0 if case % 3 == 0 else 0.0
        length = simulate(k, h, 0.0, shift, sides, 1000 + case, headstart)
        found.append(relative_pct(ours(k, h, shift, headstart), length))
    return found


def simulated_ar1() -> list[float]:
    draw = np.random.default_rng(79)
    found = []
    for case in range(12):
        k, h, phi = draw.uniform(0.25, 0.8), draw.uniform(2.0, 5.0), draw.uniform(-0.2, 0.85)
        length = simulate(k, h, phi, 0.0, 2, 2000 + case)
        found.append(relative_pct(run_length_ar1.cusum_arl_ar1(k, h, phi), length))
    return found


def simulated_ewma(limits: str) -> Callable[[], list[float]]:
    def run() -> list[float]:
        draw = np.random.default_rng(80)
        found = []
        for case in range(10):
            weight, width, shift = draw.uniform(0.05, 0.5), draw.uniform(1.8, 2.6), draw.uniform(0.0, 1.5)
            other = simulate_ewma(weight, width, shift, limits, 3000 + case)
            found.append(relative_pct(run_length.ewma_arl(weight, width, shift, limits), other))  # type: ignore[arg-type]  # one of the two
        return found

    return run


def simulate_ewma(weight: float, width: float, shift: float, limits: str, seed: int) -> float:
    draw = np.random.default_rng(seed)
    z, total, steps = np.zeros(RUNS), 0.0, 0
    while z.size:
        steps += 1
        z = weight * (draw.standard_normal(z.size) + shift) + (1.0 - weight) * z
        opened = 1.0 - (1.0 - weight) ** (2 * steps) if limits == "time-varying" else 1.0
        signal = np.abs(z) > width * np.sqrt(weight / (2.0 - weight) * opened)
        total += steps * float(signal.sum())
        z = z[~signal]
    return total / RUNS


def simulated_stationary(rule: str) -> Callable[[], list[float]]:
    """Faults set in after 150 quiet samples; a chart that signals before starts again at zero."""

    def run() -> list[float]:
        draw = np.random.default_rng(81)
        found = []
        for _ in range(10):
            arl0, d = float(np.exp(draw.uniform(np.log(40.0), np.log(120.0)))), draw.uniform(0.5, 2.5)
            if rule == "cusum":
                bar = optimal.optimal_cusum_threshold(arl0, d)
                ours = optimal.optimal_cusum_stationary_delay(arl0, d)
            else:
                bar = np.log(optimal.shiryaev_roberts_threshold(arl0, d))
                ours = optimal.shiryaev_roberts_stationary_delay(arl0, d)
            found.append(relative_pct(ours, stationary_delay(rule, d, bar, draw)))
        return found

    return run


def simulated_shiryaev_run() -> list[float]:
    draw = np.random.default_rng(82)
    found = []
    for _ in range(10):
        arl0, d = float(np.exp(draw.uniform(np.log(40.0), np.log(150.0)))), draw.uniform(0.5, 2.5)
        bar = optimal.shiryaev_roberts_threshold(arl0, d)
        r, total, steps = np.zeros(RUNS), 0.0, 0
        while r.size:
            steps += 1
            r = (1.0 + r) * np.exp(d * draw.standard_normal(r.size) - d * d / 2.0)
            total += steps * float((r >= bar).sum())
            r = r[r < bar]
        found.append(relative_pct(arl0, total / RUNS))
    return found


def stationary_delay(rule: str, d: float, bar: float, draw: np.random.Generator) -> float:
    def step(state: Any, mean: float) -> tuple[Any, Any]:
        x = draw.standard_normal(state.size) + mean
        if rule == "cusum":
            new = np.maximum(0.0, state + x - d / 2.0)
            return new, new > bar
        new = (1.0 + state) * np.exp(d * x - d * d / 2.0)
        return new, np.log(new) >= bar

    state = np.zeros(RUNS)
    for _ in range(150):
        state, signal = step(state, 0.0)
        state = np.where(signal, 0.0, state)
    total = steps = 0.0
    while state.size:
        steps += 1.0
        state, signal = step(state, d)
        total += steps * float(signal.sum())
        state = state[~signal]
    return total / RUNS


def simulated_flat_runs() -> list[float]:
    """Runs of equal readings counted in a million samples."""
    draw = np.random.default_rng(83)
    found = []
    for _ in range(10):
        q, n, offset = draw.uniform(0.8, 3.0), int(draw.integers(3, 6)), draw.uniform(-0.5, 0.5)
        codes = np.round(offset + draw.standard_normal(1_000_000) / q)
        edges = np.flatnonzero(np.concatenate(([True], codes[1:] != codes[:-1], [True])))
        counted = float((np.diff(edges) >= n).sum())
        found.append(relative_pct(flat.expected_flat_runs(q, n, codes.size, offset), counted))
    return found


def cusum_vectorised() -> list[float]:
    """The step-wise CUSUM against a closed form: distance of the walk from its running minimum."""
    found = []
    for x in series(84, ties=False):
        walk = np.concatenate(([0.0], np.cumsum(np.array(x) - 0.3)))
        closed = walk - np.minimum.accumulate(walk)
        found.append(float(np.max(np.abs(cusum.cusum_series(x, 0.0, 0.3)[0] - closed[1:]))))
    return found


COMPARISONS = [
    *(
        Comparison("mann_kendall", "pymannkendall", f"{field}, 10 to 60 readings, {kind}", 1e-9,
                   mann_kendall(field, ties), "(as is)")
        for field in ("s", "variance", "z", "p_two_sided")
        for ties, kind in ((False, "no ties"), (True, "many ties"))
    ),
    *(
        Comparison("theil_sen", "SciPy theilslopes", f"{field}, 10 to 60 uneven times, ties", 1e-9,
                   theil_sen(field), "(as is)")
        for field in ("slope", "low", "high")
    ),
    *(
        Comparison("least_squares", "statsmodels OLS", f"{field}, 4 to 80 readings", 1e-7,
                   least_squares(field))
        for field in ("slope", "slope_se", "slope_low", "intercept", "intercept_se")
    ),
    Comparison("student_t_quantile", "SciPy", "p 0.0001 to 0.49, 1 to 500 degrees", 1e-8, student_scipy),
    Comparison("normal_quantile", "SciPy", "p 1e-300 to 0.49", 1e-9, normal_scipy),
    *(
        Comparison(name, "ioos_qc", f"{rule}, {kind}", 0, qartod_rule(rule, missing), "flags")
        for name, rule in (
            ("gross_range_flags", "gross_range"), ("spike_flags", "average"), ("spike_flags", "differential"),
            ("rate_flags", "rate_of_change"), ("flat_line_flags", "flat_line"),
            ("attenuated_flags", "std"), ("attenuated_flags", "range"),
        )
        for missing, kind in ((False, "complete"), (True, "with holes"))
    ),
    Comparison("cusum_series", "walk less its running minimum", "10 to 60 readings", 1e-9,
               cusum_vectorised, "(as is)"),
    Comparison("cusum_arl_one_sided, cusum_arl_two_sided", "simulation, 40,000 charts",
               "k 0.25 to 1, h 1.5 to 3.5, shift 0 to 1.5, with and without headstart", 2.0, simulated_cusum),
    Comparison("cusum_arl_ar1", "simulation, 40,000 charts", "k 0.25 to 0.8, h 2 to 5, phi -0.2 to 0.85", 3.0,
               simulated_ar1),
    *(
        Comparison("ewma_arl", "simulation, 40,000 charts",
                   f"{limits} limits, w 0.05 to 0.5, width 1.8 to 2.6", 2.0, simulated_ewma(limits))
        for limits in ("asymptotic", "time-varying")
    ),
    Comparison("optimal_cusum_stationary_delay", "simulation, 40,000 charts",
               "ARL0 40 to 120, shift 0.5 to 2.5", 2.0, simulated_stationary("cusum")),
    Comparison("shiryaev_roberts_stationary_delay", "simulation, 40,000 charts",
               "ARL0 40 to 120, shift 0.5 to 2.5", 2.0, simulated_stationary("shiryaev")),
    Comparison("shiryaev_roberts_threshold", "simulation, 40,000 charts",
               "run length, ARL0 40 to 150, shift 0.5 to 2.5", 2.0, simulated_shiryaev_run),
    Comparison("expected_flat_runs", "simulation, a million readings", "step 0.8 to 3 sigma, 3 to 5 equal",
               5.0, simulated_flat_runs),
]  # fmt: skip
