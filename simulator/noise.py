"""Random streams and filters that every part of the simulated shop draws from.

Each subsystem has a generator of its own, found by its name, so that adding a fault or an instrument
never shifts the numbers another subsystem draws.
"""

from __future__ import annotations

import math
import zlib

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def stream(seed: int, name: str) -> np.random.Generator:
    """Generator for the subsystem called `name`; the same seed and name always give the same numbers."""
    return np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(zlib.crc32(name.encode()),)))


def lag_filter(drive: Floats, keep: float, first: float | Floats = 0.0) -> Floats:
    """Solve x[k] = keep * x[k-1] + drive[k] along the first axis, 0 <= keep < 1, x[-1] = `first`.

    Works in blocks short enough that keep**-length stays small, so a year of minutes costs milliseconds.
    """
    if not 0.0 <= keep < 1.0:
        raise ValueError(f"lag_filter: keep must be in 0 <= keep < 1, got {keep}")
    drive = np.asarray(drive, dtype=float)
    if keep < 1e-6:
        return drive.copy()
    count = drive.shape[0]
    length = int(min(max(1, math.floor(18.0 / -math.log(keep))), 4096, max(count, 1)))
    blocks = -(-count // length)
    padded = np.zeros((blocks * length, *drive.shape[1:]))
    padded[:count] = drive
    padded = padded.reshape(blocks, length, *drive.shape[1:])
    tail = (1,) * (drive.ndim - 1)
    powers = (keep ** np.arange(1, length + 1)).reshape(1, length, *tail)
    own = np.cumsum(padded / powers, axis=1) * powers
    carry = np.empty((blocks, *drive.shape[1:]))
    state = np.broadcast_to(np.asarray(first, dtype=float), drive.shape[1:]).copy()
    block_keep = keep**length
    for index in range(blocks):
        carry[index] = state
        state = own[index, -1] + block_keep * state
    whole = own + powers * carry[:, None]
    return np.asarray(whole.reshape(blocks * length, *drive.shape[1:])[:count])


def first_order(
    target: Floats, step: float, time_constant: float, first: float | Floats | None = None
) -> Floats:
    """Response of a first-order lag to `target`, both times in one unit; starts settled unless told."""
    keep = math.exp(-step / time_constant)
    begin = target[0] if first is None else first
    return lag_filter(target * (1.0 - keep), keep, begin)


def correlated(
    rng: np.random.Generator, shape: tuple[int, ...], sigma: float, step: float, correlation_time: float
) -> Floats:
    """Stationary Gaussian AR(1) along the first axis with standard deviation `sigma`."""
    keep = math.exp(-step / correlation_time) if correlation_time > 0 else 0.0
    white = rng.standard_normal(shape)
    first = rng.standard_normal(shape[1:]) if len(shape) > 1 else float(rng.standard_normal())
    return sigma * lag_filter(white * math.sqrt(1.0 - keep * keep), keep, first)
