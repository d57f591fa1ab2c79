"""Minerals in one sump: many balances side by side, each with its own guess of what nobody measures.

What evaporates leaves its minerals behind; what is lost as mixture takes them along. How the two share a
sump's loss is not measured, nor how strong the sump was at the beginning, nor how much of what was filled in
was told. So a balance is kept for each guess, and a hardness test of the sump weighs them (Bayes' rule on a
grid). The range of a forecast is what the guesses that are left say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from monitor.frozen import replace
from monitor.water.sump import mineral_after_mg_l, mineral_limit_time_d

# Shares of a sump's loss that leave as mixture (drag-out, leaks).
SHARES = (0.05, 0.1, 0.2, 0.3, 0.4, 0.55, 0.75)
# How far a sump of unknown age has come, from freshly filled to settled; filled once with much better water.
_BETTER = -1.0
AGES = (_BETTER, 0.0, 0.5, 1.0)
# What was brought, beside what was told: people round and forget, tests are off, and a sump is seldom full.
SCALES = ((0.85, 0.2), (1.0, 0.4), (1.2, 0.3), (1.45, 0.1))

GUESSES = tuple(product(SHARES, AGES, SCALES))

# What no guess knows (chips, concentrate, what falls out as soap and scale): this share in a month.
_UNKNOWN_A_MONTH = 0.1
# A sump of which nothing is known: so far the guesses may be off, which the first test puts right.
_UNKNOWN_START = 0.35
# Tests go wrong by more than their scatter now and then: tails of a t distribution, so one weighs little.
_TAILS = 4.0
# A share outside the usual ones is this much less likely.
_UNUSUAL = 0.15


@dataclass(frozen=True, slots=True)
class Balance:
    """Minerals by each guess (as CaCO3, mg/L), how likely each is, and what the tests leave open."""

    mg_l: tuple[float, ...]
    weights: tuple[float, ...]
    doubt: float  # variance of their logarithm
    anchored: bool = False  # a new charge, or a test of it, is known


def begun(makeup_mg_l: float, usual_shares: tuple[float, float], most_mg_l: float) -> Balance:
    """A sump of which nothing is known but the water it is filled with; at most as strong as `most_mg_l`."""
    low, high = usual_shares
    start, weights = [], []
    for share, age, (scale, likely) in GUESSES:
        settled = min(makeup_mg_l * scale / share, max(most_mg_l, makeup_mg_l))
        start.append(0.2 * makeup_mg_l if age == _BETTER else makeup_mg_l + age * (settled - makeup_mg_l))
        weights.append(likely * (1.0 if low <= share <= high else _UNUSUAL))
    return Balance(tuple(start), _whole(weights), _UNKNOWN_START**2)


def charged(balance: Balance, makeup_mg_l: float) -> Balance:
    """A new charge: all guesses are at the water it was mixed with."""
    return replace(balance, mg_l=(makeup_mg_l,) * len(GUESSES), doubt=_UNKNOWN_A_MONTH**2, anchored=True)


def topped_off(
    balance: Balance, litres: float, drawn_l: float, makeup_mg_l: float, volume_l: float
) -> Balance:
    """After a top-off to the mark; of its litres `drawn_l` replace coolant that was taken out."""
    drawn_l = min(drawn_l, litres)
    rest_l = litres - drawn_l
    return replace(
        balance,
        mg_l=tuple(
            mineral_after_mg_l(
                volume_l, rest_l * (1.0 - share), rest_l * share + drawn_l, makeup_mg_l * scale, mg_l, 1.0
            )
            for mg_l, (share, _, (scale, _)) in zip(balance.mg_l, GUESSES, strict=True)
        ),
    )


def aged(balance: Balance, days: float) -> Balance:
    """After some days: what no guess knows has grown."""
    return replace(balance, doubt=balance.doubt + _UNKNOWN_A_MONTH**2 * days / 30.0)


def after_test(balance: Balance, mg_l: float, error: float) -> Balance:
    """After a hardness test of the sump, good to a share of its reading (one standard deviation)."""
    read = math.log(max(mg_l, 1.0))
    open_ = balance.doubt + error**2
    off = [read - math.log(max(known, 1.0)) for known in balance.mg_l]
    likely = [
        w * (1.0 + d * d / open_ / _TAILS) ** (-0.5 * (_TAILS + 1.0))
        for w, d in zip(balance.weights, off, strict=True)
    ]
    gain = balance.doubt / open_
    moved = tuple(max(known, 1.0) * math.exp(gain * d) for known, d in zip(balance.mg_l, off, strict=True))
    return Balance(moved, _whole(likely), (1.0 - gain) * balance.doubt, anchored=True)


def present(balance: Balance) -> tuple[float, float, float]:
    """Minerals now: lowest, middle and highest of nine in ten guesses."""
    low, middle, high = _quantiles(balance.mg_l, balance.weights)
    rest = 1.645 * math.sqrt(balance.doubt)
    return low * math.exp(-rest), middle, high * math.exp(rest)


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days to the limit: soonest, likely and latest of nine in ten guesses; infinite means never."""

    soonest_d: float
    likely_d: float
    latest_d: float
    days: tuple[float, ...]
    weights: tuple[float, ...]

    def within(self, days: float) -> float:
        """How likely the limit is reached within so many days, 0 to 1."""
        return sum(w for d, w in zip(self.days, self.weights, strict=True) if d <= days)


def forecast(
    balance: Balance, limit_mg_l: float, volume_l: float, litres_d: float, makeup_mg_l: float
) -> Forecast:
    """When the limit is passed if the sump goes on being topped off with so many litres a day."""
    rest = math.sqrt(balance.doubt)
    days, weights = [], []
    for known, weight, (share, _, (scale, _)) in zip(balance.mg_l, balance.weights, GUESSES, strict=True):
        # What no guess knows, as three values of it: one standard deviation and a bit to each side.
        for off, part in ((-1.2, 0.25), (0.0, 0.5), (1.2, 0.25)):
            at = mineral_limit_time_d(
                limit_mg_l,
                volume_l,
                litres_d * (1.0 - share),
                litres_d * share,
                makeup_mg_l * scale,
                known * math.exp(off * rest),
            )
            days.append(math.inf if at is None else at)
            weights.append(weight * part)
    return Forecast(*_quantiles(days, weights), tuple(days), tuple(weights))


def _quantiles(values: Sequence[float], weights: Sequence[float]) -> tuple[float, float, float]:
    """The values that 5, 50 and 95 % of the weight lie below."""
    ordered = sorted(zip(values, weights, strict=True))
    found, total, wanted = [], 0.0, [0.05, 0.5, 0.95]
    for value, weight in ordered:
        total += weight
        while wanted and total >= wanted[0] - 1e-9:
            found.append(value)
            wanted.pop(0)
    found += [ordered[-1][0]] * len(wanted)
    return found[0], found[1], found[2]


def _whole(weights: Sequence[float]) -> tuple[float, ...]:
    total = sum(weights)
    return tuple(weight / total for weight in weights)
