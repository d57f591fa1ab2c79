"""What the rule `creep` saw and reckoned at a moment, beside what it takes to speak."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.readings import Evidence
from monitor.rules.course import LEAST_DAYS, chart
from monitor.rules.creep.hours import LEAST_PAIRS, PAIRS_A_BLOCK
from monitor.rules.creep.verdict import drift_line
from monitor.rules.explaining import Figures, Moment, value
from monitor.rules.rule import text

if TYPE_CHECKING:
    from monitor.rules.creep.rule import State
    from monitor.rules.creep.verdict import Unit


def figures(state: State, unit: Unit, rule: str, now: Moment) -> Figures:
    """The days, what is usual, the sums and the change, of the alarm and of the request for a hand meter."""
    evidence = now.evidence(rule)
    lines = [_days(state), *_usual(state, evidence)]
    if state.still:
        lines.append(f"{state.still} stood still all day: nothing is learned of such a day")
    change = value(evidence, "unexplained_pct")
    if change is not None:
        line = 100.0 * math.expm1(drift_line(unit))
        doubt = value(evidence, "doubt_pct") or 0.0
        lines.append(
            f"it stands {value(evidence, 'change_pct') or 0.0:+.1f} % from what is usual; {change:+.1f} % of "
            f"that is beyond what temperature and method leave open ({doubt:.1f} %)"
        )
        lines.append(f"a rise beyond {line:.1f} % is a membrane's; up to there probes drift by themselves")
    if (limit := value(evidence, "limit")) is not None:
        unit_of = "%" if text(evidence, "limit_is") == "passage" else "µS/cm"
        at = value(evidence, "measured" if unit_of == "%" else "permeate_us_cm") or 0.0
        lines.append(f"now {at:.3g} {unit_of}, the limit is {limit:.3g} {unit_of}")
    check = text(now.evidence(f"{rule}/check"), "check")
    asked = (
        f"a hand meter is asked for: {_CHECKS.get(check, check)}" if check else "no hand meter is asked for"
    )
    return {"": lines, f"{rule}/check": [asked]}


_CHECKS = {
    "drift": "a rise that a drifting probe may explain",
    "feed": "the feed's reading accounts for the change",
    "fallen": "passage has fallen, which no membrane does",
    "high": "what is taken as usual is more than a sound membrane passes",
}


def _days(state: State) -> str:
    today = state.today
    return (
        f"{len(state.days)} working days are known; today {len(today.blocks)} full hours, and "
        f"{len(today.pairs)} pairs of the next ({PAIRS_A_BLOCK} make one, {LEAST_PAIRS} at the day's end)"
    )


def _usual(state: State, evidence: Evidence) -> list[str]:
    reference = state.reference
    if reference is None:
        until = text(evidence, "young_until") or "the first days are full"
        return [
            f"what is usual is still learned, until {until} and of {LEAST_DAYS} days at least: meanwhile "
            "only a limit, or more than any sound membrane passes, is told"
        ]
    allowance, threshold = chart(reference.sigma, reference.phi)
    of = "% of the feed" if evidence.get("feed") else "µS/cm"
    return [
        f"usual: {math.exp(reference.measured):.3g} {of}, by {reference.days} days; one day strays by "
        f"{100 * reference.sigma:.1f} %, and {reference.phi:.0%} of that is passed on to the next",
        f"sum of rises {state.sums.up / threshold:.0%} of what it takes, of falls "
        f"{state.sums.down / threshold:.0%} (a day adds what is beyond {100 * allowance:.1f} %)",
    ]
