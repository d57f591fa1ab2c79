"""What the rule `breakthrough` puts into an alarm's evidence: numbers, each with its unit in the key."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.readings import Evidence
from monitor.rules.breakthrough.front import HALF, feed_us_cm
from monitor.rules.breakthrough.state import Left, State, treated_l


@dataclass(frozen=True, slots=True)
class Bed:
    """What does not change while the watch runs: names and settings of the bed."""

    where: str
    bed: str
    stage: str
    feed_where: str  # empty without an inlet channel
    from_tap: bool  # the inlet is the tap
    limit_us_cm: float | None
    warn_days: float
    counts_litres: bool
    co2_known: bool


def evidence(state: State, bed: Bed, left: Left | None, condition: str) -> Evidence:
    """The evidence of one of the conditions."""
    outlet, inlet, tap, seen = state.outlet, state.inlet, state.tap, state.front
    feed = inlet.value if inlet is not None else feed_us_cm(seen)
    return {
        "condition": condition,
        "where": bed.where,
        "bed": bed.bed,
        "stage": bed.stage,
        "feed_where": bed.feed_where,
        "from_tap": bed.from_tap,
        "outlet_us_cm": None if outlet is None else outlet.value,
        "outlet_is_least": outlet is not None and outlet.least,
        "inlet_us_cm": feed,
        "tap_us_cm": None if tap is None else tap.value,
        "limit_us_cm": bed.limit_us_cm,
        "clean_us_cm": None if seen.clean is None else seen.clean.outlet,
        "before_us_cm": seen.before_us_cm,
        "excess_us_cm": seen.excess,
        "counted_excess_us_cm": seen.margin,
        "why": seen.why,
        "how": state.discharge.how,
        "dated": state.dated,
        "bed_ms": state.bed_ms,
        "treated_l": treated_l(state) if bed.counts_litres else None,
        "counted_l": state.counter.litres if bed.counts_litres else None,
        "warn_days": bed.warn_days,
        "co2_known": bed.co2_known,
        **_time_left(left),
        **_shape(state, bed),
    }


def _time_left(left: Left | None) -> Evidence:
    if left is None:
        return {}
    return {
        "left_l": left.litres,
        "left_low_l": left.low_l,
        "left_high_l": left.high_l,
        "left_d": left.days(left.litres),
        "left_low_d": left.days(left.low_l),
        "left_high_d": left.days(left.high_l),
        "use_l_d": left.use_l_d,
        "load_meq_l": left.forecast.load_meq_l,
        "unseen_pct": left.forecast.unseen_pct,
        "capacity_eq_l": left.forecast.capacity_eq_l,
        "capacity_from": left.forecast.capacity_from,
        "outlived": left.treated_l > left.forecast.high_l,
    }


def _shape(state: State, bed: Bed) -> Evidence:
    """The logistic, as litres from now on."""
    shape, now_l = state.front.shape, state.counter.litres
    if shape is None or not bed.counts_litres:
        return {}
    high = None if shape.high_l is None else max(shape.high_l - now_l, 0.0)
    return {
        "shape": shape.verdict,
        "shape_share_pct": 100 * shape.share,
        "shape_is_limit": bed.limit_us_cm is not None and shape.share != HALF,
        "shape_left_l": None if shape.litres is None else max(shape.litres - now_l, 0.0),
        "shape_low_l": max(shape.low_l - now_l, 0.0),
        "shape_high_l": high,
    }
