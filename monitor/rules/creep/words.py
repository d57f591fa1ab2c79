"""What the rule `creep` says of its evidence, in a technician's words."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.advice import cautions_for
from monitor.rules.dates import day_in_words
from monitor.rules.rule import number, text

_HAND_METER = (
    "Let the unit run ten minutes, then hold a calibrated hand meter into permeate and feed and write both "
    "down: is it a probe or the water?",
    "If a probe is off: clean it, calibrate it, enter the calibration. The membrane is not meant then.",
)
_MEMBRANE = (
    *_HAND_METER,
    "Read feed pressure, permeate and reject flow: low pressure or high recovery passes more salt.",
    "Look at O-rings, brine seal and interconnector: a step within a day is a seal rather than the membrane.",
    "Test hardness after the softener and chlorine after the carbon: scale or oxidation would ruin the next "
    "membrane too.",
    "Clean as the membrane's maker says once passage or flow has moved by a tenth; replace the membrane when "
    "cleaning does not bring it back.",
    "Afterwards enter the day as membrane_since, so that what is usual is learned anew.",
)
_CHECKS: dict[str, tuple[str, tuple[str, ...]]] = {
    "drift": (
        "Something has moved, by no more than probes commonly drift between calibrations: a hand meter tells "
        "whether it is the probe or the water. No reason yet to touch the membrane.",
        _HAND_METER,
    ),
    "feed": (
        "The feed reading has moved the other way by about as much as salt passage has changed, the "
        "permeate itself hardly at all. When a feed truly changes the permeate follows, so the feed probe is "
        "the first suspect; a membrane that changed just when the tap did cannot be ruled out.",
        _HAND_METER,
    ),
    "fallen": (
        "Less salt passes than ever did here. Membranes do not mend themselves: a probe has drifted or is "
        "fouled, or something was cleaned or changed and not entered. A worsening membrane would hide in it.",
        (
            *_HAND_METER,
            "Test hardness after the softener: of hard water a smaller share passes, and it makes scale.",
            "If the membrane was cleaned or changed, enter the day as membrane_since.",
        ),
    ),
    "high": (
        "A sound membrane of a small unit passes 1 to 5 % of the conductivity. What is taken as usual here "
        "may be a fault that was there from the start, or the probes are swapped or wrongly scaled.",
        _MEMBRANE,
    ),
}


def wording(evidence: Evidence) -> Wording:
    """What a rise of salt passage means, how sure it is, and what to do in which order."""
    check = text(evidence, "check")
    if check:
        meaning, steps = _CHECKS[check]
    else:
        meaning, steps = _meaning(evidence), _MEMBRANE
    return Wording(
        first_line=f"{text(evidence, 'where')}: {_headline(evidence, check)}",
        facts=tuple(_facts(evidence)),
        meaning=meaning + _young(evidence),
        steps=steps,
        cautions=cautions_for(text(evidence, "stage")),
    )


def _quantity(evidence: Evidence, value: float) -> str:
    if evidence.get("feed") is None:
        return shown(value, "conductivity")
    return f"{value:.2g} %" if value < 1.0 else f"{value:.1f} %"


def _subject(evidence: Evidence) -> str:
    return "conductivity" if evidence.get("feed") is None else "salt passage"


def _headline(evidence: Evidence, check: str) -> str:
    name = _subject(evidence)
    if evidence.get("value") is None or (check == "high" and evidence.get("since") is None):
        value = _quantity(evidence, number(evidence, "measured"))
        return f"{name} {value}" + (
            ", too high for a sound membrane" if check or evidence["broken"] else _limit(evidence)
        )
    value = _quantity(evidence, number(evidence, "value"))
    line = f"{name} {value}{_movement(evidence)} (usual {_quantity(evidence, number(evidence, 'usual'))})"
    if check == "feed":
        return f"{line}: check the feed probe"
    return (
        f"{line}: check the probes"
        if check
        else line + (_limit(evidence) if evidence["beyond_limit"] else "")
    )


def _limit(evidence: Evidence) -> str:
    return f", over the limit of {_limit_shown(evidence)}" if evidence["beyond_limit"] else ""


def _limit_shown(evidence: Evidence) -> str:
    limit = number(evidence, "limit")
    return f"{limit:g} %" if text(evidence, "limit_is") == "passage" else shown(limit, "conductivity")


def _movement(evidence: Evidence) -> str:
    since = text(evidence, "since")
    if not since:
        return ""
    when = f"since {day_in_words(since)}"
    if evidence.get("rate_pct_week") is not None:
        rate, low = number(evidence, "rate_pct_week"), number(evidence, "rate_low_pct_week")
        high = number(evidence, "rate_high_pct_week")
        if low > 0.0 or high < 0.0:
            return f", {'rising' if rate > 0 else 'falling'} {abs(rate):.2g} % a week {when}"
    change = number(evidence, "change_pct")
    return f", {'up' if change > 0 else 'down'} {abs(change):.0f} % {when}"


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    facts = [("measured", _quantity(evidence, number(evidence, "measured")))]
    if evidence.get("feed") is not None:
        facts.append(("permeate itself", shown(number(evidence, "permeate_us_cm"), "conductivity")))
    if evidence.get("value") is not None:
        facts += [
            ("brought to the usual state", _quantity(evidence, number(evidence, "value"))),
            ("usual", _usual(evidence)),
        ]
        facts += _of_change(evidence)
    if evidence.get("limit") is not None:
        facts.append(("limit", _limit_shown(evidence)))
        facts += _time_left(evidence)
    facts.append(("how judged", _how(evidence)))
    if text(evidence, "still"):
        facts.append(("not used", f"{text(evidence, 'still')}: the same value all day, days set aside"))
    return facts


def _usual(evidence: Evidence) -> str:
    usual, days = _quantity(evidence, number(evidence, "usual")), number(evidence, "reference_days")
    return f"{usual}, learned on {days:.0f} days until {day_in_words(text(evidence, 'learned_until'))}"


def _of_change(evidence: Evidence) -> list[tuple[str, str]]:
    facts = [("change", f"{number(evidence, 'change_pct'):+.0f} %")]
    if text(evidence, "since"):
        facts.append(
            (
                "since",
                f"{day_in_words(text(evidence, 'since'))}, "
                f"{number(evidence, 'days'):.0f} days with water made",
            )
        )
    if evidence.get("rate_pct_week") is not None:
        low, high = number(evidence, "rate_low_pct_week"), number(evidence, "rate_high_pct_week")
        facts.append(
            (
                "rate",
                f"{number(evidence, 'rate_pct_week'):+.1f} % of the usual a week ({low:+.1f} to {high:+.1f})",
            )
        )
    return facts


def _time_left(evidence: Evidence) -> list[tuple[str, str]]:
    left = evidence.get("days_left")
    if not isinstance(left, Sequence) or isinstance(left, str) or evidence["beyond_limit"]:
        return []
    likely, soonest, latest = (None if v is None else float(str(v)) for v in left)
    assert likely is not None and soonest is not None
    until = f"to {latest:.0f}" if latest is not None else "or much longer"
    return [("time left to the limit", f"about {likely:.0f} days at this rate ({soonest:.0f} {until})")]


def _how(evidence: Evidence) -> str:
    against = (
        f"against {text(evidence, 'feed')}" if evidence.get("feed") is not None else "without a feed probe"
    )
    form = text(evidence, "form")
    brought = (
        "nothing corrected: no flow known" if form.startswith("as measured") else f"corrected for {form}"
    )
    said = (
        f"{against}; {brought}; readings at most {number(evidence, 'oldest_input_ms') / 60_000:.0f} min apart"
    )
    if evidence.get("value") is None:
        return said
    doubt = number(evidence, "doubt_pct")
    return (
        f"{said}; a day scatters by {number(evidence, 'sigma_pct'):.1f} %, {doubt:.1f} % may be temperature "
        f"or method, {number(evidence, 'probe_drift_pct'):g} % a probe's drift"
    )


def _meaning(evidence: Evidence) -> str:
    if evidence["broken"]:
        return (
            "So much salt in the permeate is no ageing: a torn membrane, an open seal, or probes swapped or "
            "wrongly scaled. Whatever comes after the unit is loaded with it now."
        )
    parts = []
    if evidence["beyond_limit"]:
        parts.append("The limit set for it is reached.")
    if evidence.get("value") is not None and text(evidence, "since"):
        more = f"{number(evidence, 'change_pct'):.0f} %"
        what = (
            f"The permeate is {more} saltier than it used to be"
            if evidence.get("feed") is None
            else f"The membrane lets {more} more salt through than it used to"
        )
        parts.append(
            f"{what}; probes seldom drift so far. The water serves as long as its limit is kept; a DI bed "
            "behind it is used up sooner by as much."
        )
    if evidence.get("feed") is None:
        parts.append(
            "Without a feed probe a saltier tap looks the same: measure the tap before anything else."
        )
    elif "flow" not in text(evidence, "form"):
        parts.append("Without flow and temperature a warmer season looks alike, within the doubt named.")
    return " ".join(parts)


def _young(evidence: Evidence) -> str:
    until = text(evidence, "young_until")
    if not until:
        return ""
    return (
        f" What is usual is still being learned (young until {day_in_words(until)}): judged by what is "
        "possible only."
    )
