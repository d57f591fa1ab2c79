"""What the rule `breakthrough` saw and reckoned at a moment, beside what it takes to speak."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.readings import Evidence
from monitor.rules.breakthrough.discharge import BACK, LITRES, READINGS
from monitor.rules.explaining import Figures, Moment, measured, value
from monitor.rules.rule import text

if TYPE_CHECKING:
    from monitor.rules.breakthrough.state import State


def figures(state: State, rule: str, watch_for: tuple[str, ...], now: Moment) -> Figures:
    """Forecast, front and discharge, each by its own numbers."""
    told = {"forecast": _forecast, "front": _front, "discharge": _discharge}
    return {
        f"{rule}/{condition}": told[condition](state, now.evidence(f"{rule}/{condition}"), now)
        for condition in watch_for
    }


def _litres(evidence: Evidence, key: str) -> str:
    found = value(evidence, key)
    return "not known" if found is None else f"{found:.0f} L"


def _forecast(state: State, evidence: Evidence, now: Moment) -> list[str]:
    begun = f"this bed {'was put in' if state.dated else 'was first heard of'} at {now.clock(state.bed_ms)}"
    lines = [f"{begun}; treated since: {_litres(evidence, 'treated_l')}"] if state.bed_ms else []
    low, high = value(evidence, "left_low_d"), value(evidence, "left_high_d")
    if low is None or high is None:
        why = "litres, feed or weekly use are not known yet"
        return [*lines, f"how long it lasts cannot be told: {why}"]
    days = value(evidence, "left_d")
    about = f"about {days:.0f} days, " if days is not None else "no date without alkalinity and pH, "
    lines.append(f"left: {about}{low:.0f} to {high:.0f} days at {_litres(evidence, 'use_l_d')} a day")
    load, capacity = (value(evidence, key) or 0.0 for key in ("load_meq_l", "capacity_eq_l"))
    lines.append(
        f"told at {value(evidence, 'warn_days') or 0.0:g} days; load {load:.2f} meq/L against "
        f"{capacity:.2f} eq/L of resin ({text(evidence, 'capacity_from')})"
    )
    return lines


def _front(state: State, evidence: Evidence, now: Moment) -> list[str]:
    front = state.front
    if front.clean is None:
        return [f"no clean baseline yet: {front.closed} stretches of volume are known"]
    outlet = measured(evidence, "outlet_us_cm", "conductivity")
    return [
        f"outlet {outlet}, clean it is {front.clean.outlet:.2f} µS/cm",
        f"risen by {front.excess:.2f} µS/cm; it takes {front.margin:.2f} µS/cm in three stretches of volume "
        "in a row",
        *([f"it stands since {now.ago(front.since_ms)} ({front.why})"] if front.holds else []),
    ]


def _discharge(state: State, evidence: Evidence, now: Moment) -> list[str]:
    seen = state.discharge
    outlet, inlet = (measured(evidence, f"{key}_us_cm", "conductivity") for key in ("outlet", "inlet"))
    lines = [f"outlet {outlet} against its feed {inlet}"]
    if seen.holds:
        lines.append(f"above it since {now.ago(seen.since_ms)}; {seen.below} of {BACK} below it to let go")
    else:
        lines.append(
            f"{seen.above} readings in a row above the feed by more than both probes may be off; it takes "
            f"{READINGS} and {LITRES:g} L of water"
        )
    return lines
