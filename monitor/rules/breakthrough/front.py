"""The front of a spent bed, seen in its own outlet against its own clean baseline, in volume.

Readings of made water are put into bins of volume, each worth its median, so that a day at a standstill and
a week-end count for nothing. Used by `breakthrough` alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from monitor.frozen import replace
from monitor.water.breakthrough_fit import MIN_READINGS, BreakthroughFit, fit_breakthrough
from monitor.water.errors import OutOfRange

BIN_L = 25.0
_FEWEST = 3  # readings in a bin
_MOST_READINGS = 64
_MOST_BINS = 64
_OLDEST = 32  # so many of the oldest are put together in pairs when there are too many
_WINDOW = 12  # bins of a clean stretch
_LATEST = 3  # bins that must all be risen
_RINSE_BEDS = 3.0  # a fresh bed is rinsed in by so many litres a litre of resin
_SIGMAS = 4.0
_LEAST_US_CM = 0.4
_FEED_SHARE = 0.02
_DIGITS = 2.0
# A fresh bed that lets through more than the one before did when clean, by this or twice what counts.
_WORSE_US_CM = 1.0
# A bed has been seen to its end when it passes so much of its feed.
_END_SHARE, _END_US_CM = 0.25, 1.0
# A bed that passes so much of its feed is spent whatever its own past says.
_SPENT_SHARE = 0.2
_SPENT_US_CM = 2.0
HALF = 0.5  # of the feed: what the shape is asked for where no limit fits
_HIGHEST_SHARE = 1.2  # above it discharges, and no logistic holds


@dataclass(frozen=True, slots=True)
class Bin:
    """The water of some litres: volume at its middle, medians at outlet and inlet."""

    litres: float
    outlet: float
    inlet: float | None


@dataclass(frozen=True, slots=True)
class Clean:
    """The bed's own clean baseline: its quietest stretch."""

    outlet: float
    inlet: float | None
    sigma: float  # of one bin, widened for what one bin shares with the next


@dataclass(frozen=True, slots=True)
class Front:
    """Bins of a bed, its baseline and whether the front is seen."""

    bins: tuple[Bin, ...] = ()
    begin_l: float | None = None
    outlets: tuple[float, ...] = ()  # of the bin being filled
    inlets: tuple[float, ...] = ()
    closed: int = 0  # bins after rinsing, in all
    clean: Clean | None = None
    holds: bool = False
    since_ms: int = 0
    end_l: float | None = None  # litres when the bed was seen to its end
    before_us_cm: float | None = None  # the clean outlet of the bed before
    excess: float = 0.0
    margin: float = 0.0
    why: str = ""
    shape: Shape | None = None


@dataclass(frozen=True, slots=True)
class Shape:
    """What the logistic says: between which litres the limit (or half the feed) is reached."""

    verdict: str
    share: float  # of the feed, at the limit asked for
    litres: float | None
    low_l: float
    high_l: float | None


@dataclass(frozen=True, slots=True)
class Probe:
    """What of the outlet's probe, bed and limit decides how much of a rise counts."""

    resolution: float
    accuracy: float  # at the present level
    resin_l: float
    limit: float | None


def add(front: Front, litres: float, outlet: float, inlet: float | None) -> tuple[Front, Bin | None]:
    """Take a reading into its bin; the bin when it is full."""
    begin = litres if front.begin_l is None else front.begin_l
    outlets = (*front.outlets, outlet)[-_MOST_READINGS:]
    inlets = front.inlets if inlet is None else (*front.inlets, inlet)[-_MOST_READINGS:]
    if litres - begin < BIN_L or len(outlets) < _FEWEST:
        return replace(front, begin_l=begin, outlets=outlets, inlets=inlets), None
    done = Bin((begin + litres) / 2, median(outlets), median(inlets) if inlets else None)
    return replace(front, begin_l=litres, outlets=(), inlets=()), done


def judged(front: Front, done: Bin, time_ms: int, probe: Probe) -> Front:
    """The front after a bin: is it risen for good above the clean baseline?"""
    if done.litres < _RINSE_BEDS * probe.resin_l:
        return front
    bins = _thinned((*front.bins, done))
    front = replace(front, bins=bins, closed=front.closed + 1)
    if not front.holds:
        front = replace(front, clean=_cleaner(front, probe))
    latest = bins[-_LATEST:]
    if len(latest) < _LATEST:
        return front
    excess, margin, why = _excess(front, latest, probe)
    front = replace(front, excess=excess, margin=margin)
    if front.end_l is None and _share_passed(front, latest) > _END_SHARE and done.outlet > _END_US_CM:
        front = replace(front, end_l=done.litres)
    if not front.holds and why:
        front = replace(front, holds=True, since_ms=time_ms, why=why)
    elif front.holds and excess < 0.5 * margin:
        front = replace(front, holds=False, since_ms=time_ms, why="", shape=None)
    if front.holds and (front.shape is None or front.closed % 8 == 0):
        front = replace(front, shape=_shape(bins, probe.limit))
    return front


def feed_us_cm(front: Front) -> float | None:
    """The feed of the last bins."""
    known = [b.inlet for b in front.bins if b.inlet is not None]
    return median(known[-8:]) if known else None


def after_change(front: Front) -> Front:
    """A fresh bed: nothing of it is known, but what the one before let through when clean."""
    known = [x for x in (front.before_us_cm, front.clean.outlet if front.clean else None) if x is not None]
    return Front(before_us_cm=min(known) if known else None)


def _share_passed(front: Front, latest: tuple[Bin, ...]) -> float:
    """The share of the feed that each of the latest bins passes at least; 0 where the feed is not known."""
    usual = feed_us_cm(front)
    feeds = [b.inlet or usual for b in latest]
    return min((b.outlet / feed if feed else 0.0) for b, feed in zip(latest, feeds, strict=True))


def _excess(front: Front, latest: tuple[Bin, ...], probe: Probe) -> tuple[float, float, str]:
    """How far the latest bins stand above the baseline, how much counts, and why it counts (or not)."""
    feed, level = feed_us_cm(front), median(b.outlet for b in latest)
    spent = _share_passed(front, latest) > _SPENT_SHARE and level > _SPENT_US_CM
    if probe.limit is not None and min(b.outlet for b in latest) > probe.limit + probe.accuracy:
        return level - (front.clean.outlet if front.clean else 0.0), probe.accuracy, "limit"
    clean = front.clean
    margin = max(
        _SIGMAS * clean.sigma if clean else 0.0,
        _DIGITS * probe.resolution,
        probe.accuracy,
        _FEED_SHARE * (feed or 0.0),
        _LEAST_US_CM,
    )
    if clean is not None:
        above = [b.outlet - clean.outlet * _grown(b.inlet, clean.inlet) for b in latest]
        excess = median(above)
        if excess > margin and min(above) > 0.5 * margin:
            return excess, margin, "risen"
    else:
        excess = 0.0
    if spent:
        return level, _SPENT_SHARE * (feed or 0.0), "share"
    if front.before_us_cm is not None:
        worse, counts = min(b.outlet for b in latest) - front.before_us_cm, max(2 * margin, _WORSE_US_CM)
        if worse > counts:
            return worse, counts, "before"
    return excess, margin, ""


def _grown(inlet: float | None, clean_inlet: float | None) -> float:
    """A stronger feed leaks more through a sound bed; a weaker one is not taken to leak less."""
    return max(1.0, inlet / clean_inlet) if inlet and clean_inlet else 1.0


def _cleaner(front: Front, probe: Probe) -> Clean | None:
    """The baseline, or a cleaner one: the quietest of all stretches of twelve bins."""
    window = front.bins[-_WINDOW:]
    if len(window) < _WINDOW:
        return front.clean
    outlet = [b.outlet for b in window]
    middle = median(outlet)
    if front.clean is not None and middle >= front.clean.outlet:
        return front.clean
    off = [value - middle for value in outlet]
    sigma = max(1.4826 * median(abs(x) for x in off), probe.resolution / math.sqrt(12))
    together = sum(a * b for a, b in pairwise(off)) / max(sum(x * x for x in off), 1e-12)
    shared = min(max(together, 0.0), 0.8)
    inlets = [b.inlet for b in window if b.inlet is not None]
    widened = sigma * math.sqrt((1 + shared) / (1 - shared))
    return Clean(middle, median(inlets) if inlets else None, widened)


def _thinned(bins: tuple[Bin, ...]) -> tuple[Bin, ...]:
    if len(bins) <= _MOST_BINS:
        return bins
    pairs = zip(bins[:_OLDEST:2], bins[1:_OLDEST:2], strict=True)
    return (*(_both(a, b) for a, b in pairs), *bins[_OLDEST:])


def _both(a: Bin, b: Bin) -> Bin:
    inlets = [x.inlet for x in (a, b) if x.inlet is not None]
    return Bin((a.litres + b.litres) / 2, (a.outlet + b.outlet) / 2, median(inlets) if inlets else None)


def _shape(bins: tuple[Bin, ...], limit: float | None) -> Shape | None:
    """The logistic through the bins as shares of their feed; None when it cannot be drawn."""
    known = [(b.litres, b.outlet / b.inlet) for b in bins if b.inlet and b.outlet <= _HIGHEST_SHARE * b.inlet]
    feeds = [b.inlet for b in bins[-8:] if b.inlet]
    if len(known) < MIN_READINGS or not feeds:
        return None
    share = limit / median(feeds) if limit is not None else HALF
    if not 0.02 < share < 0.98:
        share = HALF
    try:
        fit: BreakthroughFit = fit_breakthrough([v for v, _ in known], [y for _, y in known], share, 0.9)
    except OutOfRange:
        return None
    return Shape(fit.verdict, share, fit.limit_l, fit.limit_low_l, fit.limit_high_l)
