"""What minerals in a sump mean, and what to do. The order of steps is common practice, no source."""

from __future__ import annotations

from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, text
from monitor.rules.sumps import CAUTIONS


def wording(evidence: Evidence) -> Wording:
    """The words for minerals near or over a coolant's limit, from the evidence alone."""
    sump, limit, now = text(evidence, "sump"), number(evidence, "limit_mg_l"), number(evidence, "mg_l")
    reached = number(evidence, "likely_d") < 1 if evidence.get("likely_d") is not None else False
    if reached:
        first = f"{sump}: minerals about {now:.0f} mg/L, over the coolant's limit of {limit:.0f} mg/L"
    else:
        when = text(evidence, "likely") or "not within two years"
        first = f"{sump}: minerals about {now:.0f} mg/L, limit of {limit:.0f} mg/L about {when}"
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence)),
        meaning=_meaning(evidence, reached=reached),
        steps=tuple(_steps(evidence, reached=reached)),
        cautions=CAUTIONS,
    )


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    low, high = number(evidence, "low_mg_l"), number(evidence, "high_mg_l")
    at_most = "at most " if evidence.get("at_most") else ""
    facts = [
        ("minerals now, as CaCO3", f"{number(evidence, 'mg_l'):.0f} mg/L ({low:.0f} to {high:.0f})"),
        ("limit of " + text(evidence, "coolant"), f"{number(evidence, 'limit_mg_l'):.0f} mg/L"),
        ("limit reached", _when(evidence)),
        (
            "filled in",
            f"{number(evidence, 'litres_week'):.0f} L a week of {at_most}"
            f"{number(evidence, 'makeup_mg_l'):.0f} mg/L ({text(evidence, 'water')})",
        ),
        ("a top-off of 20 L adds", f"{at_most}{number(evidence, 'each_mg_l'):.1f} mg/L"),
        (
            f"with water of {number(evidence, 'better_mg_l'):g} mg/L instead",
            f"limit reached about {text(evidence, 'better')}"
            if text(evidence, "better")
            else "limit not reached within two years",
        ),
    ]
    if text(evidence, "tested"):
        tested = f"{number(evidence, 'tested_mg_l'):.0f} mg/L on {text(evidence, 'tested')}"
        facts.append(("last hardness test of the sump", tested))
    if text(evidence, "charged"):
        facts.append(("filled anew", text(evidence, "charged")))
    facts.append(("judged on", f"{number(evidence, 'known_days'):.0f} days of top-offs"))
    return facts


def _when(evidence: Evidence) -> str:
    soonest = text(evidence, "soonest") or "later than in two years"
    latest = text(evidence, "latest") or "much later, or never"
    likely = text(evidence, "likely") or "not within two years"
    return f"about {likely} ({soonest} to {latest})"


def _meaning(evidence: Evidence, *, reached: bool) -> str:
    parts = [
        "Only water evaporates; what the make-up brought stays. "
        + (
            "Beyond its limit an emulsion may split, foam, leave soap and deposits; the machine is safe to "
            "run, the coolant wears out."
            if reached
            else "The coolant still serves; there is time to plan."
        )
    ]
    if not evidence.get("anchored"):
        parts.append(
            "Neither a hardness test of this sump nor the day it was filled anew is known, so this is "
            "reckoned from its top-offs alone: test it before anything else."
        )
    if evidence.get("at_most"):
        parts.append(
            "The make-up is known by its conductivity only, all of it counted as hardness: it is at most so "
            "much. Behind a softener that works it is far less."
        )
    return " ".join(parts)


def _steps(evidence: Evidence, *, reached: bool) -> list[str]:
    steps = [
        "Test the hardness in the sump (drops or strip, on the clear part of the sample) and log it: the "
        "forecast follows the test.",
        "Test the hardness of the make-up water at the filling hose. More than usual: look at the softener, "
        "then the RO, then the DI bed.",
        f"Top off with better water from now on: {_bought(evidence)}.",
    ]
    if number(evidence, "replace_l") > 0:
        steps.append(
            f"Or replace about {number(evidence, 'replace_l'):.0f} L of the sump by a fresh mix with such "
            "water; log it as drawn-off and top-off."
        )
    steps.append(
        "Ask the coolant's supplier whether its limit holds for what you see: foam, soap, deposits?"
        if reached
        else "Plan the change of the charge with the coolant's supplier before that date."
    )
    steps.append("Log a new charge: `goodwater log SITE SUMP sump-change`.")
    return steps


def _bought(evidence: Evidence) -> str:
    if not text(evidence, "better"):
        return "the limit is then not reached within two years"
    if evidence.get("likely_d") is None:
        return f"the limit is then reached about {text(evidence, 'better')}"
    won = number(evidence, "better_d") - number(evidence, "likely_d")
    if won < 3:
        return "it no longer wins time, only a new charge or a part of one does"
    return f"that buys about {won:.0f} days, until {text(evidence, 'better')}"
