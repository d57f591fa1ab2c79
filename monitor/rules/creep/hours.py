"""From readings to one value a working day: pairs of permeate and feed, blocks of an hour, the day's median.

A pair holds readings of one time only, and its age is that of the oldest. A block is the mean of the middle
half of its pairs: robust like a median, and finer than the last digit of a coarse meter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

from monitor.frozen import replace
from monitor.rules.course import Day, middle_half_mean
from monitor.water.errors import OutOfRange
from monitor.water.membrane import normalised_salt_passage_pct
from monitor.water.membrane_temperature import TemperatureRule
from monitor.water.osmosis import ro_recovery_pct

# One pair so often is enough; eight of them are most of an hour of running.
SPACING_MS = 5 * 60_000
PAIRS_A_BLOCK = 8
# The day's last pairs make a block of their own from here on.
LEAST_PAIRS = 3
# Of a long day's running the last hours count.
BLOCKS_KEPT = 8
# An instrument of so many counts, equal all day, has stopped measuring.
_LIVELY_COUNTS = 200
_STILL_AFTER_PAIRS = 12


@dataclass(frozen=True, slots=True)
class Inputs:
    """Readings of one time. None where there is no such instrument, or none that can be trusted now."""

    permeate: float  # µS/cm at 25 °C
    feed: float | None = None
    temperature_c: float | None = None
    permeate_l_min: float | None = None
    feed_l_min: float | None = None
    permeate_raw: float = math.nan  # as received; none when it stood at the end of its range
    feed_raw: float = math.nan


@dataclass(frozen=True, slots=True)
class Block:
    """Some pairs, and the medians or means of what belongs to them."""

    index: float
    measured: float
    feed: float
    temperature_c: float | None
    sure: bool


@dataclass(frozen=True, slots=True)
class Span:
    """Lowest and highest value as received, to see an instrument that stands still."""

    low: float = math.inf
    high: float = -math.inf
    values: int = 0

    def wider(self, value: float) -> Span:
        if math.isnan(value):
            return self
        return Span(min(self.low, value), max(self.high, value), self.values + 1)

    def still(self, resolution: float) -> bool:
        """Equal all day, though an instrument of so many counts never is."""
        return (
            self.values >= _STILL_AFTER_PAIRS
            and self.low == self.high
            and abs(self.low) >= _LIVELY_COUNTS * resolution
        )


@dataclass(frozen=True, slots=True)
class Today:
    """What the present day has given so far."""

    number: int = 0
    last_ms: int = 0
    pairs: tuple[float, ...] = ()  # indices of the block being filled
    shifts: float = 0.0  # sums over those pairs: index less measured,
    feeds: float = 0.0  # ln of the feed,
    warmth: float | None = 0.0  # temperature; None when one had none
    unsure: int = 0  # pairs without a flow to trust, or with an input missing
    blocks: tuple[Block, ...] = ()
    permeate_span: Span = Span()
    feed_span: Span = Span()


def factor(inputs: Inputs, rule: TemperatureRule) -> tuple[float, str]:
    """What the value is multiplied by to stand at 25 °C, 1 L/min and no recovery (ASTM D4516 form), and how.

    Without flow or temperature nothing is corrected: where the pump's pressure is what stays the same, flow
    and salt permeability rise with temperature nearly together, and half a correction is worse than none.
    """
    if inputs.permeate_l_min is None or inputs.temperature_c is None:
        return 1.0, "as measured" if inputs.temperature_c is None else "as measured, temperature known"
    warm, recovery, form = rule.factor(inputs.temperature_c), 0.0, "flow and temperature"
    if inputs.feed_l_min is not None:
        recovery = ro_recovery_pct(inputs.feed_l_min, inputs.permeate_l_min)
        form = "flow, recovery and temperature"
    return normalised_salt_passage_pct(1.0, inputs.permeate_l_min, warm, recovery, 1.0, 0.0), form


def paired(
    today: Today,
    at_ms: int,
    inputs: Inputs,
    form: str,
    rule: TemperatureRule,
    shift: float | None,
    sure: bool,
) -> Today:
    """The day with one more pair; unchanged when the last is too near or the readings make none.

    `shift` (index less measured, of the reference) stands in where a flow that should be there is missing.
    """
    if at_ms - today.last_ms < SPACING_MS or inputs.permeate <= 0.0:
        return today
    try:
        times, found = factor(inputs, rule)
    except OutOfRange:  # flows that contradict each other, a temperature no membrane works at
        times, found = 1.0, ""
    if found != form:
        if shift is None:
            return today
        times, sure = math.exp(shift), False
    value = inputs.permeate if inputs.feed is None else min(100.0 * inputs.permeate / inputs.feed, 100.0)
    moved = math.log(times)
    warm = (
        None if today.warmth is None or inputs.temperature_c is None else today.warmth + inputs.temperature_c
    )
    today = replace(
        today,
        last_ms=at_ms,
        pairs=(*today.pairs, math.log(value) + moved),
        shifts=today.shifts + moved,
        feeds=today.feeds + (math.log(inputs.feed) if inputs.feed is not None else 0.0),
        warmth=warm,
        unsure=today.unsure + (not sure),
        permeate_span=today.permeate_span.wider(inputs.permeate_raw),
        feed_span=today.feed_span.wider(inputs.feed_raw),
    )
    return _closed_block(today) if len(today.pairs) >= PAIRS_A_BLOCK else today


def _closed_block(today: Today) -> Today:
    n, index = len(today.pairs), middle_half_mean(today.pairs)
    block = Block(
        index=index,
        measured=index - today.shifts / n,
        feed=today.feeds / n,
        temperature_c=None if today.warmth is None else today.warmth / n,
        sure=2 * today.unsure < n,
    )
    blocks = (*today.blocks, block)[-BLOCKS_KEPT:]
    return replace(today, pairs=(), shifts=0.0, feeds=0.0, warmth=0.0, unsure=0, blocks=blocks)


def enough(today: Today) -> bool:
    """Whether the day tells of itself if an instrument moves."""
    return today.permeate_span.values >= _STILL_AFTER_PAIRS


def whole(today: Today) -> Day | None:
    """The day as it closes; None when too little water was made."""
    if len(today.pairs) >= LEAST_PAIRS:
        today = _closed_block(today)
    return so_far(today)


def so_far(today: Today) -> Day | None:
    """The day's value from its full hours; None before the first.

    Hours in which nothing said whether water flowed count only when there are no others, and then the best of
    them: standing water is always the saltier.
    """
    sure = [block for block in today.blocks if block.sure]
    used = sure or sorted(today.blocks, key=lambda block: block.index)[:1]
    if not used:
        return None
    warm = [block.temperature_c for block in used if block.temperature_c is not None]
    return Day(
        number=today.number,
        index=median(block.index for block in used),
        measured=median(block.measured for block in used),
        feed=median(block.feed for block in used),
        temperature_c=median(warm) if len(warm) == len(used) else None,
        sure=bool(sure),
    )
