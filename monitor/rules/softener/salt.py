"""Salt used against water softened: is the brine tank's salt falling as regenerations need it?

A height is read now and then, to a centimetre or by a sensor; a regeneration takes a few centimetres. So
heights are gathered into *blocks*, a *plateau* begins where the salt has last been seen to fall, and what
should have fallen since then is held against what has, and against the scatter of the heights themselves.

Used by `softener` alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from monitor.frozen import replace

HOUR_MS = 3_600_000
# A sensor's values are gathered for so long; a reading by eye stands for itself.
_BLOCK_MS = 12 * HOUR_MS
_BLOCKS = 160
# A regeneration is over, and its salt gone, after so long.
_TAKES_MS = 4 * HOUR_MS
# From this on a rise is salt that somebody filled in.
_LEAST_FILL_KG = 5.0
# Scatters that make a fall certain, and its absence (own choice: one in a thousand, a few looks a cycle).
_FELL, _STANDS = 3.0, 3.3
# Of the longest cycle: no sound one is so short, so until then the next regeneration has not been.
_BEFORE_NEXT = 0.5
_MOST_TOGETHER = 8
_SMALLER, _MOST_FALLS, _LEAST_STEPS = 0.7, 0.25, 6
_NORMAL = NormalDist()
_DOSES_TO_LEARN = 3.5


@dataclass(frozen=True, slots=True)
class Block:
    """Some heights taken together: salt used up to then, beside the litres softened."""

    time_ms: int
    litres: float
    used_kg: float
    values: int = 1


@dataclass(frozen=True, slots=True)
class Salt:
    """What the heights have shown."""

    there_kg: float | None = None
    time_ms: int = 0
    risen_kg: float | None = None  # a rise that the next value has to confirm
    offset_kg: float = 0.0  # all that was filled in: used = offset - there
    logged_kg: float = 0.0  # filled in by the log since the last height
    blocks: tuple[Block, ...] = ()
    gathering: Block | None = None
    plateau_ms: int = 0  # the salt has not been seen to fall since
    usual_kg_l: float | None = None  # what it uses for a litre, while it falls


@dataclass(frozen=True, slots=True)
class Stands:
    """What the salt should have done since it was last seen to fall, and what it did."""

    holds: bool
    since_ms: int
    doses: int  # regenerations' worth of salt that should be gone
    fell_kg: float
    off_kg: float  # one scatter of that
    litres: float
    confidence: float


def on_height(salt: Salt, time_ms: int, kg: float, litres: float, dose_kg: float, *, by_eye: bool) -> Salt:
    """The record after a height, as kilograms that lie there."""
    if salt.there_kg is None:
        salt = replace(salt, there_kg=kg, offset_kg=kg, time_ms=time_ms)
        return _gathered(salt, time_ms, litres, by_eye=by_eye)
    if time_ms <= salt.time_ms:
        return salt
    rise = kg - salt.there_kg
    if by_eye and salt.logged_kg > 0.0 and rise > 0.3 * salt.logged_kg:
        rise = salt.logged_kg
    elif rise < max(_LEAST_FILL_KG, 0.7 * dose_kg):
        rise = 0.0
    elif not by_eye and (salt.risen_kg is None or abs(kg - salt.risen_kg) > 0.3 * rise):
        return replace(salt, risen_kg=kg)
    salt = replace(
        salt,
        there_kg=kg,
        time_ms=time_ms,
        risen_kg=None,
        offset_kg=salt.offset_kg + rise,
        logged_kg=0.0,
    )
    return _gathered(salt, time_ms, litres, by_eye=by_eye)


def _gathered(salt: Salt, time_ms: int, litres: float, *, by_eye: bool) -> Salt:
    used = salt.offset_kg - (salt.there_kg or 0.0)
    block = salt.gathering
    if block is None:
        block = Block(time_ms, litres, used)
    else:
        n = block.values + 1
        block = Block(block.time_ms, litres, block.used_kg + (used - block.used_kg) / n, n)
    if not by_eye and time_ms - block.time_ms < _BLOCK_MS:
        return replace(salt, gathering=block)
    return replace(salt, blocks=(*salt.blocks, block)[-_BLOCKS:], gathering=None)


def scatter_kg(salt: Salt, dose_kg: float, least_kg: float) -> float:
    """One standard deviation of a block, from how neighbours differ.

    A regeneration between two neighbours makes a large difference that is no scatter, so only the smaller
    differences are used, and held against as large a part of a half-normal distribution as they are of those
    without a regeneration.
    """
    blocks = salt.blocks
    steps = sorted(abs(late.used_kg - early.used_kg) for early, late in itertools.pairwise(blocks))
    if len(steps) < _LEAST_STEPS:
        return least_kg
    with_fall = min(max(blocks[-1].used_kg - blocks[0].used_kg, 0.0) / dose_kg / len(steps), _MOST_FALLS)
    smaller = steps[: math.ceil(_SMALLER * len(steps))]
    part = _SMALLER / (1.0 - with_fall)
    edge = _NORMAL.inv_cdf((1.0 + part) / 2.0)
    of_all = math.sqrt((part - 2.0 * edge * _NORMAL.pdf(edge)) / part)
    rms = math.sqrt(sum(step * step for step in smaller) / len(smaller))
    return max(least_kg, rms / of_all / math.sqrt(2.0))


def looked_at(
    salt: Salt,
    dose_kg: float,
    least_kg: float,
    cycles: Callable[[Block, Block], float],
    seen: Sequence[int] | None,
) -> tuple[Salt, Stands | None]:
    """Where the plateau begins now, and whether the salt stands though it should have fallen.

    `cycles`: how many of the longest sound cycles lie between two blocks. `seen`: when it regenerated, where
    a contact tells; those within a block are left out, as it may show only part of the fall.
    """
    plateau = [block for block in salt.blocks if block.time_ms >= salt.plateau_ms]
    if len(plateau) < 2:
        return salt, None
    scatter = scatter_kg(salt, dose_kg, least_kg)
    fallen = _fallen(plateau, dose_kg, scatter)
    if fallen is not None:
        begun_ms = plateau[fallen].time_ms
        return replace(salt, plateau_ms=begun_ms), Stands(False, begun_ms, 0, dose_kg, scatter, 0.0, 0.99)
    early, late, doses = _by_litres(plateau, cycles) if seen is None else _by_contact(plateau, seen)
    if not doses:
        return salt, Stands(False, plateau[0].time_ms, 0, 0.0, scatter, 0.0, 0.5)
    fell = _mean(late) - _mean(early)
    off, short = _off(scatter, len(early), len(late)), doses * dose_kg - fell
    holds = fell < 0.5 * doses * dose_kg and short > _STANDS * off
    sure = min(0.5 * (1.0 + math.erf(short / off / 2.0 / math.sqrt(2.0))), 0.97)
    litres = late[-1].litres - plateau[0].litres
    return salt, Stands(holds, plateau[0].time_ms, doses, fell, off, litres, sure)


def _fallen(plateau: list[Block], dose_kg: float, scatter: float) -> int | None:
    """The block from which on the salt is lower for certain; of several the one where it shows best."""
    best, where = _FELL, None
    total, before = sum(block.used_kg for block in plateau), 0.0
    for k in range(1, len(plateau)):
        before += plateau[k - 1].used_kg
        fell = (total - before) / (len(plateau) - k) - before / k
        clear = fell / _off(scatter, k, len(plateau) - k)
        if fell > 0.5 * dose_kg and clear > best:
            best, where = clear, k
    return where


_Split = tuple[list[Block], list[Block], int]


def _by_litres(plateau: list[Block], cycles: Callable[[Block, Block], float]) -> _Split:
    """Blocks before the next regeneration can have been, those after it must have been, and how many must."""
    first, last = plateau[0], plateau[-1]
    doses = int(cycles(first, last))
    early = [block for block in plateau if cycles(first, block) <= _BEFORE_NEXT]
    late = [block for block in plateau if cycles(first, block) >= doses]
    return early, late, doses


def _by_contact(plateau: list[Block], seen: Sequence[int]) -> _Split:
    """The same where a contact has shown them: those of which a block lies wholly before and one after."""
    lasts_ms = _BLOCK_MS if plateau[0].values > 1 else 0
    first_ms, last_ms = plateau[0].time_ms + lasts_ms, plateau[-1].time_ms - _TAKES_MS
    shown = [at_ms for at_ms in seen if first_ms < at_ms < last_ms]
    if not shown:
        return plateau, plateau, 0
    early = [block for block in plateau if block.time_ms + lasts_ms < shown[0]]
    late = [block for block in plateau if block.time_ms > shown[-1] + _TAKES_MS]
    return early, late, len(shown)


def _off(scatter: float, early: int, late: int) -> float:
    """What the difference of two means is off: what neighbours share is not averaged out for ever."""
    return scatter * math.sqrt(1.0 / min(early, _MOST_TOGETHER) + 1.0 / min(late, _MOST_TOGETHER))


def learned(salt: Salt, stands: Stands | None, dose_kg: float, least_kg_l: float | None) -> Salt:
    """What it usually uses for a litre. While the salt may be standing nothing is learned, and less than the
    hardness needs by stoichiometry is no habit."""
    if stands is None or stands.doses > 0 or not salt.blocks:
        return salt
    first, last = salt.blocks[0], salt.blocks[-1]
    used, litres = last.used_kg - first.used_kg, last.litres - first.litres
    if litres <= 0.0 or used < _DOSES_TO_LEARN * dose_kg:
        return salt
    rate = used / litres
    if least_kg_l is not None and rate < least_kg_l:
        return salt
    return replace(salt, usual_kg_l=rate)


def _mean(blocks: list[Block]) -> float:
    return sum(block.used_kg for block in blocks) / len(blocks)
