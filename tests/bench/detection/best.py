"""The best there can be: how soon a detector that knows the fault's shape finds it, at a given run length.

Faults start at random times, so what counts is the *stationary* delay, whose least value the
Shiryaev-Roberts rule has (Pollak and Tartakovsky 2009, from memory): the sum, over all moments at which the
fault might have begun, of the likelihood of what was seen since. Noise that remembers (AR(1)) is whitened
first, the shape with it. All by simulation; for a step in independent noise it agrees with
`monitor.stats.optimal.shiryaev_roberts_stationary_delay` (checked in the test).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean

import numpy as np

from simulator.noise import Floats


@dataclass(frozen=True)
class Part:
    """One series the detector sees: its noise, and what the fault adds to it step by step from its start."""

    sigma: float
    rho: float
    shape: tuple[float, ...]

    def whitened(self) -> Floats:
        """The shape in the whitened series, in its sigma."""
        shape = np.array(self.shape, dtype=float)
        before = np.concatenate([[0.0], shape[:-1]])
        return np.asarray((shape - self.rho * before) / (self.sigma * math.sqrt(1.0 - self.rho**2)))


@dataclass(frozen=True)
class Delay:
    """Steps from the fault's start to the alarm; the first step with the fault in it counts as 1."""

    median: float
    mean: float
    p95: float
    found: float  # share of the faults found within the shape's length


def stationary_delay(parts: Sequence[Part], run_length: float, seed: int, paths: int = 600) -> Delay:
    """The delay of the rule whose false alarms come once in `run_length` steps on average.

    Its threshold is the one that this share of quiet stretches of that length stays below: exp(-1).
    """
    rng = np.random.default_rng(seed)
    shapes = [part.whitened() for part in parts]
    length = min(len(shape) for shape in shapes)
    steps = max(int(run_length), 10)
    logs = np.zeros((paths, length))
    logs[:, :] = -np.inf
    highest = np.full(paths, -np.inf)
    for _ in range(steps):
        logs = _stepped(logs, shapes, [rng.standard_normal(paths) for _ in shapes])
        highest = np.maximum(highest, _total(logs))
    bar = float(np.quantile(highest, math.exp(-1.0)))
    logs = logs[_total(logs) < bar]
    return _delays(logs, shapes, bar, rng)


def _delays(logs: Floats, shapes: Sequence[Floats], bar: float, rng: np.random.Generator) -> Delay:
    count, length = logs.shape
    found = np.full(count, np.inf)
    for step in range(1, length + 1):
        seen = [rng.standard_normal(count) + shape[step - 1] for shape in shapes]
        logs = _stepped(logs, shapes, seen)
        found = np.where(np.isinf(found) & (_total(logs) >= bar), step, found)
        if np.isfinite(found).all():
            break
    hit = np.minimum(found, length + 1.0)
    return Delay(
        float(np.median(hit)),
        mean(hit.tolist()),
        float(np.quantile(hit, 0.95)),
        float(np.isfinite(found).mean()),
    )


def _stepped(logs: Floats, shapes: Sequence[Floats], seen: Sequence[Floats]) -> Floats:
    """One step later: each possible start is a step older, a new one has begun with this step."""
    older = np.empty_like(logs)
    older[:, 1:] = logs[:, :-1]
    older[:, 0] = 0.0
    for shape, value in zip(shapes, seen, strict=True):
        older += shape[None, : logs.shape[1]] * value[:, None] - 0.5 * shape[None, : logs.shape[1]] ** 2
    return older


def _total(logs: Floats) -> Floats:
    most = logs.max(axis=1)
    return np.asarray(most + np.log(np.exp(logs - most[:, None]).sum(axis=1)))


def memory(residual: Floats) -> tuple[float, float]:
    """Deviation and lag-1 correlation of a series of residuals, the correlation kept from -0.6 to 0.95."""
    centred = residual - residual.mean()
    variance = float((centred**2).mean())
    if variance == 0.0:
        return 0.0, 0.0
    rho = float((centred[1:] * centred[:-1]).mean() / variance)
    return math.sqrt(variance), min(max(rho, -0.6), 0.95)
