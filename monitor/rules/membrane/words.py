"""What the rule `membrane` says of its evidence, in a technician's words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.advice import cautions_for
from monitor.rules.dates import day_in_words
from monitor.rules.rule import number, text

_NAMES = {"flow": "permeate flow", "passage": "salt passage", "drop": "pressure drop"}

# What a pattern of the three points to, and what tells it from the others. Common practice of the trade, no
# source.
_MEANS: Mapping[str, tuple[str, str]] = {
    "scaling": (
        "scale",
        "Test hardness after the softener, and look whether the recovery was raised.",
    ),
    "fouling": (
        "dirt or biofilm in the feed channel",
        "Look at the prefilter and its pressure drop, and at the feed end of the element: slime, smell, "
        "iron.",
    ),
    "film": (
        "an organic film on the membrane, a membrane that has been compacted, or less feed pressure",
        "Compare feed pressure with the start-up; look at the carbon, and whether a chemical was changed.",
    ),
    "oxidation": (
        "a membrane attacked by chlorine, or a leak inside",
        "Test chlorine after the carbon, today: an attacked membrane does not come back, and the next one "
        "will go "
        "the same way.",
    ),
    "seal": (
        "an O-ring or brine seal, or an ageing membrane",
        "Look at O-rings, brine seal and interconnector: a step within a day is a seal.",
    ),
}
_FIRST = (
    "Let the unit run ten minutes and read feed, reject and permeate pressure, both flows and the "
    "temperature by "
    "eye: is it a meter or the membrane?",
    "Compare feed pressure and reject valve with the start-up: a worn pump or a turned valve looks like a "
    "membrane.",
)
_CLEAN = (
    "Ask for a cleaning, as the membrane's maker writes it: which cleaner, how warm, what pH, how long. Low "
    "pH "
    "comes first for scale, high pH for dirt and biofilm; the wrong order can set it fast.",
    "Enter the cleaning (the event of this rule's settings): Goodwater then says whether it brought the "
    "membrane "
    "back.",
)
_NO_CLEANING = (
    "No cleaning helps here: put the cause right before a new membrane goes in.",
    "Enter the change of the membrane, so that what is usual is learned anew.",
)
_CAUTIONS = (
    "Electricity near water: the unit is off and locked out before a housing is opened.",
    "Cleaning chemicals: only by the sheets of membrane and chemical makers, with gloves, goggles and air; "
    "never "
    "mix acid and chlorine, never send cleaner to the tank. Flush to drain as local rules allow.",
)


def wording(evidence: Evidence) -> Wording:
    """What was seen, how sure, what it may be, what to do in which order."""
    check = text(evidence, "check")
    if check == "starts":
        return _starts(evidence)
    meaning = {
        "replace": _not_restored,
        "rose": _rose,
        "fell": _fell,
        "start-up": _start_up,
        "": _meaning,
    }[check](evidence)
    return Wording(
        first_line=f"{text(evidence, 'where')}: {_headline(evidence, check)}",
        facts=tuple(_facts(evidence)),
        meaning=f"{meaning}{_young(evidence)}",
        steps=_steps(evidence, check),
        cautions=(*cautions_for(text(evidence, "stage")), *_CAUTIONS),
    )


def _measured(evidence: Evidence) -> Mapping[str, Mapping[str, Any]]:
    found = evidence.get("measured")
    return found if isinstance(found, Mapping) else {}  # type: ignore[return-value]  # it is JSON of our own


def _list(evidence: Evidence, key: str) -> list[str]:
    found = evidence.get(key)
    return [str(item) for item in found] if isinstance(found, Sequence) and not isinstance(found, str) else []


def _changed(name: str, told: Mapping[str, Any]) -> str:
    """`permeate flow 12 % less since 3 June`, or what it is against the start-up."""
    if told.get("change_pct") is None:
        return f"{_NAMES[name]} {_shown(told, 'value')}"
    change = float(told["change_pct"])
    way = "less" if change < 0 else "more"
    since = f" since {day_in_words(str(told['since']))}" if told.get("since") else ""
    return f"{_NAMES[name]} {abs(change):.0f} % {way}{since}"


def _headline(evidence: Evidence, check: str) -> str:
    measured, over = _measured(evidence), _list(evidence, "over")
    if check == "replace":
        return "cleaning no longer restores the membrane"
    if check == "start-up":
        return "what is usual is far from the start-up: check the meters"
    if check:
        name = "flow" if check == "rose" else "drop"
        return f"{_changed(name, measured[name])}: check the meters"
    impossible = text(evidence, "impossible")
    if impossible and not over:
        return (
            f"{_NAMES[impossible]} {_shown(measured[impossible], 'value')}, beyond what a sound membrane does"
        )
    likely = _likely(evidence)
    words = ", ".join(_changed(name, measured[name]) for name in over)
    return f"{words}: {likely}" if likely else words


def _likely(evidence: Evidence) -> str:
    patterns = _list(evidence, "patterns")
    if not patterns:
        return ""
    if len(patterns) == 1:
        return f"looks like {_MEANS[patterns[0]][0]}"
    return "may be " + " or ".join(_MEANS[pattern][0].split(",")[0] for pattern in patterns[:2])


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    facts: list[tuple[str, str]] = []
    for name, told in _measured(evidence).items():
        if told.get("value") is None:
            facts.append((_NAMES[name], "not judged yet"))
            continue
        facts.append((_NAMES[name], _against(told)))
        if told.get("rate_pct_week") is not None:
            low, high = float(told["rate_low_pct_week"]), float(told["rate_high_pct_week"])
            facts.append(
                (
                    f"{_NAMES[name]}, rate",
                    f"{float(told['rate_pct_week']):+.1f} % a week ({low:+.1f} to {high:+.1f})",
                )
            )
    if text(evidence, "cleaned_on"):
        facts.append(("last cleaning", _cleaning(evidence)))
    facts.append(("how judged", _how(evidence)))
    return facts


def _against(told: Mapping[str, Any]) -> str:
    value = _shown(told, "value")
    if told.get("usual") is None:
        start = f", start-up {_shown(told, 'start')}" if told.get("start") is not None else ""
        return f"{value}{start}; what is usual is not known yet"
    return (
        f"{value}, usual {_shown(told, 'usual')} ({float(told['change_pct']):+.0f} %; "
        f"{float(told['doubt_pct']):.0f} % "
        f"may be temperature or pressure; a cleaning's occasion at {float(told['threshold_pct']):.0f} %)"
    )


def _shown(told: Mapping[str, Any], key: str) -> str:
    value = float(told[key])
    return f"{value:.2g} %" if told["quantity"] == "fraction" else shown(value, str(told["quantity"]))


def _cleaning(evidence: Evidence) -> str:
    before, after = (_changes(evidence, key) for key in ("before_cleaning_pct", "after_cleaning_pct"))
    said = f"{day_in_words(text(evidence, 'cleaned_on'))}"
    if before:
        said += f"; before it {before}"
    return (
        f"{said}; after it {after}" if after else f"{said}; how it did shows after four days with water made"
    )


def _changes(evidence: Evidence, key: str) -> str:
    found = evidence.get(key)
    if not isinstance(found, Mapping):
        return ""
    return ", ".join(f"{_NAMES[name]} {float(str(change)):+.0f} %" for name, change in found.items())


def _how(evidence: Evidence) -> str:
    by = evidence.get("by_pressure")
    corrected = {True: "temperature and driving pressure", False: "temperature only", None: ""}[
        by if isinstance(by, bool) else None
    ]
    said = f"flow corrected for {corrected}; " if corrected else ""
    scatter = [
        f"{_NAMES[name]} {float(told['sigma_pct']):.1f} %"
        for name, told in _measured(evidence).items()
        if told.get("sigma_pct") is not None
    ]
    return (
        f"{said}a day scatters by itself: {', '.join(scatter)}" if scatter else f"{said}by the start-up alone"
    )


def _meaning(evidence: Evidence) -> str:
    parts, patterns = [], _list(evidence, "patterns")
    if text(evidence, "impossible") and not _list(evidence, "over"):
        parts.append(
            "So far from its start-up is no ageing: a blocked or torn element, swapped or wrongly scaled "
            "meters, or "
            "a start-up that was entered wrong."
        )
    elif len(patterns) == 1:
        parts.append(
            f"The pattern of flow, salt passage and pressure drop is that of {_MEANS[patterns[0]][0]}. It "
            "points "
            "there and proves nothing: two causes at once, or a drifted meter, look alike."
        )
    elif patterns:
        parts.append(
            "What was measured does not tell them apart: it may be "
            + ", or ".join(_MEANS[pattern][0] for pattern in patterns)
            + "."
        )
    else:
        parts.append("The pattern is that of no single cause: look at the meters first.")
    if unknown := _list(evidence, "not_known"):
        parts.append(f"Not known here: {', '.join(_NAMES[name] for name in unknown)}; it would tell more.")
    if "oxidation" not in patterns:
        parts.append("The water serves as long as its limit is kept; less of it is made.")
    return " ".join(parts)


def _not_restored(evidence: Evidence) -> str:
    return (
        f"After the cleaning the membrane stands at {_changes(evidence, 'after_cleaning_pct')} of what was "
        "usual "
        "when it was young: it did not come back. Old scale and compaction stay; so does what chlorine did. "
        "A second "
        "cleaning with another cleaner may help once; then it is time for another membrane."
    )


def _rose(evidence: Evidence) -> str:
    known = "passage" not in _list(evidence, "not_known")
    also = (
        " Salt passage has not risen with it."
        if known
        else " Without salt passage nobody can say whether chlorine has opened the membrane: test it."
    )
    return (
        "More water than ever at the same state: membranes do not mend themselves. A flow meter has "
        "drifted, the "
        "feed pressure is higher and not corrected for, or a cleaning was not entered." + also
    )


def _fell(evidence: Evidence) -> str:
    return (
        "Less pressure is lost than ever at the same flows: the gauge has drifted or its line is blocked, "
        "flows read "
        "wrong, or a cleaning was not entered. A channel that blocks would hide in it."
    )


def _start_up(evidence: Evidence) -> str:
    return (
        "What was learned as usual is far from the start-up entered for the normalised flow. Either that "
        "start-up is "
        "wrong or another membrane's, or what is taken as usual is a fault that was there from the start. "
        "Compare "
        "with the start-up sheet and accept it by entering what is right."
    )


def _steps(evidence: Evidence, check: str) -> tuple[str, ...]:
    if check in ("rose", "fell", "start-up"):
        return (*_FIRST, "If work was done on the membrane, enter it with its day.")
    patterns = _list(evidence, "patterns")
    looks = tuple(_MEANS[pattern][1] for pattern in patterns)
    if check == "replace":
        return (
            *_FIRST,
            *looks,
            "Order a membrane; until it comes, make water at night or over the weekend and watch the limit.",
            *_NO_CLEANING,
        )
    if patterns == ["oxidation"]:
        return (*_FIRST, *looks, *_NO_CLEANING)
    return (*_FIRST, *looks, *_CLEAN)


def _young(evidence: Evidence) -> str:
    until = text(evidence, "young_until")
    if not until:
        return ""
    learned = f"young until {day_in_words(until)}"
    return f" What is usual is still being learned ({learned}): judged by the start-up only."


def _starts(evidence: Evidence) -> Wording:
    usual = evidence.get("usual_starts_a_day")
    facts = [
        ("starts in the last 24 h", f"{number(evidence, 'starts_a_day'):.0f}"),
        ("starts within an hour or two", f"{number(evidence, 'starts_an_hour'):.0f}"),
        ("usual in a day", "not known yet" if usual is None else f"{float(str(usual)):.0f}"),
        ("told beyond", f"{number(evidence, 'most_starts_a_day'):.0f}"),
    ]
    return Wording(
        first_line=f"{text(evidence, 'where')}: starts {facts[0][1]} times a day, short-cycling",
        facts=tuple(facts),
        meaning=(
            "Each start is a pressure surge, and the first minutes make the saltiest water: short-cycling "
            "wears pump, "
            "valves and membrane and spoils the permeate. The membrane itself is seldom the cause."
        ),
        steps=(
            "Watch one start and stop: which switch ends it (tank float, pressure switch, feed pressure)?",
            "Look at the tank's float: the span from start to stop, and whether it hangs or bounces.",
            "Look for a leaking check valve or a dripping tap behind the unit, and at a pressure vessel's "
            "air.",
            "Read the feed pressure while it starts: a clogged prefilter trips the low-pressure switch.",
        ),
        cautions=(*cautions_for(text(evidence, "stage")), _CAUTIONS[0]),
    )
