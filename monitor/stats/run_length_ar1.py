"""Run length of a CUSUM on readings that remember each other (AR(1)): no simulation, no seed.

x_t = phi x_{t-1} + e_t, scaled so that x has unit variance; the chart starts at zero on a series long under
way. The pair (sum, last reading) is a Markov chain; both are put on one grid whose step makes the sum land on
grid points exactly. Two grids, extrapolated to none. A figure takes tens of milliseconds, seconds at h = 20.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.stats.distributions import normal_cdf_array
from monitor.stats.errors import Floats, OutOfRange, positive, within
from monitor.stats.run_length import solve_log

__all__ = ["cusum_arl_ar1", "cusum_threshold_ar1"]

REACH = 5.5  # sigma; what lies beyond is counted to the outermost cell
STEPS_PER_SIGMA = 5.0  # of what is new in each reading, on the coarse grid
MOST_STEPS = 50_000
SETTLED = 1e-7


def cusum_arl_ar1(
    k: float,
    h: float,
    phi: float,
    sides: Literal[1, 2] = 2,
    scaled_by: Literal["marginal sigma", "innovation sigma"] = "marginal sigma",
) -> float:
    """Average run length without a fault of a CUSUM on AR(1) noise.

    Equation: L(s, x) = 1 + sum over x' of p(x' | x) L(max(0, s + x' - k), x'), unsignalled; two sides
        m = p - E[p(X) | the other side signalled first] / 2, p the one-sided length, X that reading
    Range: k 0 to 3, h 0.5 to 20 sigma, phi -0.9 to 0.9
    Raises: OutOfRange
    Source: Markov-chain method of Brook and Evans 1972, in two dimensions; held to simulation in the tests
        (within 1 %)
    Assumes: normal noise; sums never both above zero at a signal (true for k above 0). "marginal sigma": k
        and h are multiples of the readings' own sigma; "innovation sigma": of e's, which is smaller
    Not for: noise with a longer memory, or with a daily cycle
    Example:
        >>> round(cusum_arl_ar1(0.5, 3.0, 0.5))
        21
    """
    p = within("phi", phi, -0.9, 0.9)
    if scaled_by not in ("marginal sigma", "innovation sigma"):
        raise OutOfRange("scaled_by", scaled_by, "marginal sigma or innovation sigma")
    if sides not in (1, 2):
        raise OutOfRange("sides", sides, "1 or 2")
    shrink = math.sqrt(1.0 - p * p) if scaled_by == "innovation sigma" else 1.0
    allowance, threshold = within("k", k, 0.0, 3.0) * shrink, within("h", h, 0.5, 20.0) * shrink
    count = math.ceil(threshold * STEPS_PER_SIGMA / math.sqrt(1.0 - p * p))
    coarse, fine = (_one_grid(allowance, threshold, p, n, sides) for n in (count, math.ceil(count * 1.5)))
    return fine[1] + (fine[1] - coarse[1]) * fine[0] ** 2 / (coarse[0] ** 2 - fine[0] ** 2)


def cusum_threshold_ar1(arl0: float, k: float, phi: float, sides: Literal[1, 2] = 2) -> float:
    """Threshold h, in the readings' own sigma, that gives the wanted mean run on AR(1) noise.

    Equation: `cusum_arl_ar1` solved for h
    Range: ARL0 up to 100,000 and reached between h 0.5 and 20; k 0 to 3; phi -0.9 to 0.9
    Raises: OutOfRange
    Source: as `cusum_arl_ar1`
    Assumes: as `cusum_arl_ar1`
    Not for: noise with a longer memory, or with a daily cycle
    Example:
        >>> round(cusum_threshold_ar1(100, 0.5, 0.5), 1)
        6.7
    """
    wanted = positive("arl0", arl0, 1e5)
    least, most = 0.5, 20.0
    if cusum_arl_ar1(k, least, phi, sides) > wanted:
        raise OutOfRange("arl0", wanted, "above the run length at h = 0.5")

    def length(above: float) -> float:
        return cusum_arl_ar1(k, least + above, phi, sides)

    return least + solve_log(length, wanted, 0.0, 4.0, most - least, digits=1e-6)


def _one_grid(k: float, h: float, phi: float, count: int, sides: int) -> tuple[float, float]:
    """Grid step and run length with `count` steps below the threshold, half a step above the last."""
    step = h / (count + 0.5)
    jumps = np.arange(math.floor((-REACH - k) / step), math.ceil((REACH - k) / step) + 1)
    readings = k + jumps * step
    chain = _Chain(_moves(readings, phi), np.arange(count + 1)[:, None] + jumps[None, :], count)
    start = _moves(readings, 0.0)[0]
    lengths = chain.lengths()
    one_sided = float(start @ lengths[0])
    if sides == 1:
        return step, one_sided
    # Seen from the other side, the signal brings a reading of the other sign and finds its sum at zero.
    signal = chain.signalling_reading(start)
    return step, one_sided - 0.5 * float(signal @ np.interp(-readings, readings, lengths[0]))


class _Chain:
    """States (sum, last reading) as a matrix; `moves` from reading to reading, `landing` from sum to sum."""

    def __init__(self, moves: Floats, landing: NDArray[np.int_], count: int) -> None:
        self.moves = moves
        self.runs_on = landing <= count
        self.landing = np.clip(landing, 0, count)
        self.columns = np.broadcast_to(np.arange(moves.shape[0]), landing.shape)

    def lengths(self) -> Floats:
        """Mean number of samples to a signal from every state: 1 + K 1 + K² 1 + ..., its tail geometric."""
        alive: Floats = np.ones(self.landing.shape)
        total = np.zeros_like(alive)
        for _ in range(MOST_STEPS):
            total += alive
            after = np.where(self.runs_on, alive[self.landing, self.columns], 0.0) @ self.moves.T
            ratio = after / alive
            alive = after
            if float(np.ptp(ratio)) < SETTLED * (1.0 - float(ratio.max())):
                break
        factor = float(ratio.mean())
        return total + alive / (1.0 - factor)

    def signalling_reading(self, start: Floats) -> Floats:
        """Chance of each reading to be the one that signals, the sum starting at zero."""
        density = np.zeros(self.landing.shape)
        density[0] = start
        signal = np.zeros(start.size)
        last = 0.0
        for _ in range(MOST_STEPS):
            spread = density @ self.moves
            signalled = np.where(self.runs_on, 0.0, spread).sum(axis=0)
            signal += signalled
            density = np.zeros_like(density)
            np.add.at(density, (self.landing, self.columns), np.where(self.runs_on, spread, 0.0))
            left = float(density.sum())
            if left < 1e-9 or abs(float(signalled.sum()) / left - last) < SETTLED * last:
                break
            last = float(signalled.sum()) / left
        rest: Floats = signalled * (left / float(signalled.sum()))
        return (signal + rest) / (float(signal.sum()) + left)


def _moves(readings: Floats, phi: float) -> Floats:
    """Chance of each reading (column) after each (row); the outermost cells take the tails."""
    spread = math.sqrt(1.0 - phi * phi)
    inner = (readings[:-1] + readings[1:]) / 2.0
    below = normal_cdf_array((inner[None, :] - phi * readings[:, None]) / spread)
    ends = np.zeros((readings.size, 1))
    return np.diff(np.hstack((ends, below, ends + 1.0)), axis=1)
