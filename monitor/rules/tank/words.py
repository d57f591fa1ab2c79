"""What the rule `tank` says of its evidence, in a technician's words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.dates import day_in_words
from monitor.rules.rule import number, text

_WHY_NOT = (
    "Is the RO on, and does its display show a fault? Reset it once, not twice.",
    "Feed water: is the valve open, is there pressure before the unit, is the prefilter clogged? The "
    "low-pressure "
    "switch stops it.",
    "Is the softener regenerating and locks it out? Wait until that is over.",
    "Move the tank's float by hand: does the RO start? Then the float or its cable hangs.",
    "If it cannot start before the water ends: fill the tank or the sumps by another way that keeps the "
    "coolant's "
    "limit, and tell the shift what to save.",
)
_SAVE = (
    "Look at the tank: is the level really low, or the sensor fouled or stuck?",
    "Look for water on the floor before anything else.",
    "See whether the RO runs and how much it makes; start it if it stands.",
    "Put off top-offs and rinsing that can wait until the tank has risen.",
)
_OVER = (
    "Look at the tank: does it run over? Close the RO's feed or switch the RO off until the float is seen "
    "to.",
    "Move the float by hand: does the RO stop? A float that hangs low, or a cable that is bridged, makes it "
    "run on.",
    "Look at the level sensor: a drip or condensate on it reads as too high.",
)
_LEAK = (
    "Look for water on the floor, at the tank, at its drain valve and along the lines to the machines.",
    "Close the line out of the tank for an hour while nobody draws: does the level still fall? Then it is "
    "the tank "
    "or the way back into the RO (check valve), else a machine's filling valve or a hose.",
    "Ask whether somebody drew water at that time.",
)
_LONG = (
    "Look at the tank: does the level rise? Where it does not, more is drawn or lost than the RO makes.",
    "Read the permeate flow: less than usual points to the membrane, the feed pressure or cold water.",
    "Look for an open valve, a hose that was left running, water on the floor, and a tank that runs over.",
    "Move the float by hand: does the RO stop?",
)
_CYCLE = (
    "Watch one start and stop: which switch ends it (tank float, pressure switch)?",
    "Look at the float: the span from start to stop, and whether it hangs, bounces or lies in the inflow.",
    "Look for a leaking check valve or a dripping tap behind the unit.",
    "Read the feed pressure while it starts: a clogged prefilter trips the low-pressure switch.",
)
_FLOAT = (
    "Look at the tank: how high does the water really stand?",
    "Move each float by hand and see whether its contact follows; clean it, look at its cable.",
    "Hold the level sensor against a rule; a pressure sensor reads wrong when its opening is blocked.",
)
_CAUTIONS = (
    "Water on the floor: slipping and electricity first, diagnosis second. Electric parts of a wet unit are "
    "for an "
    "electrician.",
    "The RO works under pressure: shut it off and relieve the pressure before opening it.",
    "Filling from the mains by a hose needs a backflow device or an air gap by local code. Treated water is "
    "not "
    "drinking water.",
)


def wording(evidence: Evidence) -> Wording:
    """What was seen, how long the water lasts, what to do in which order."""
    check = text(evidence, "check")
    line, meaning, steps = {
        "low": _low,
        "high": _high,
        "not-made": _not_made,
        "leak": _leak,
        "long-run": _long_run,
        "short-cycling": _short_cycling,
        "float": _float,
    }[check](evidence)
    return Wording(
        first_line=f"{text(evidence, 'where')}: {line}",
        facts=tuple(_facts(evidence, check)),
        meaning=meaning + _cannot(evidence),
        steps=steps,
        cautions=_CAUTIONS,
    )


_Said = tuple[str, str, tuple[str, ...]]


def _low(evidence: Evidence) -> _Said:
    by = text(evidence, "by")
    if by == "forecast":
        meaning = (
            "By what is usually drawn in the hours to come, the tank falls to its low mark although the RO "
            "runs as "
            "it usually does: it makes too little, or more is drawn than ever."
        )
        return f"{_shown(evidence, 'level')}, empty {_when(evidence)}", meaning, _SAVE
    if by == "float":
        return "too low, says its float", "The low float is closed: soon nobody can fill.", _SAVE
    line = f"{_shown(evidence, 'level')}, at or under its low mark of {_shown(evidence, 'low')}"
    return line, "There is no water to fill with, or soon none.", _SAVE


def _high(evidence: Evidence) -> _Said:
    by = text(evidence, "by")
    if by == "float":
        return "too high, says its float", "The high float is closed: the tank is about to run over.", _OVER
    if by == "stop":
        line = f"{_shown(evidence, 'level')}, past where the RO usually stops ({_shown(evidence, 'stop')})"
        return line, "The RO does not stop: the tank will run over, and water and salt are wasted.", _OVER
    line = f"{_shown(evidence, 'level')}, over its high mark of {_shown(evidence, 'high')}"
    return line, "The tank is about to run over.", _OVER


def _not_made(evidence: Evidence) -> _Said:
    by = text(evidence, "by")
    lasting = f", water until {_when(evidence)}" if _hours(evidence) else ""
    if by == "nothing comes":
        meaning = (
            "The RO is said to run, and the tank gains next to nothing: the pump runs dry, a valve is shut, "
            "the "
            "permeate goes elsewhere, or the contact hangs."
        )
        return f"the RO runs and makes no water{lasting}", meaning + _monday(evidence), _WHY_NOT
    if by == "contact":
        meaning = (
            "The RO has stood for longer than ever in hours in which it usually runs. Either it cannot "
            "start, or "
            "nobody drew water: a holiday looks the same."
        )
        return f"the RO has not started for {_span(evidence, 'stood_ms')}", meaning, _WHY_NOT
    called = {
        "float": "The low float calls for water, and the RO stands.",
        "level": "The tank is lower than where the RO usually starts, and the RO stands.",
    }[by]
    return f"the RO does not start{lasting}", called + _monday(evidence), _WHY_NOT


def _leak(evidence: Evidence) -> _Said:
    by = text(evidence, "by")
    fall = _an_hour(evidence, "fall_h")
    if by == "never rests":
        meaning = (
            "The tank never rests: what it loses at its quietest is half of what is drawn in a mean hour. A "
            "shop that "
            "draws day and night does the same; otherwise it was leaking when Goodwater began to look."
        )
    elif by == "steady fall":
        meaning = (
            "It has fallen evenly for hours in which usually nobody draws: a hose left running, a valve "
            "that does not "
            "close, a leak; or somebody is working who usually is not."
        )
    else:
        meaning = (
            "At its quietest it now falls faster than it did on the days before: a leak, a filling valve "
            "that trickles, "
            "or a machine that fills itself at night."
        )
    return f"falling {fall} while nobody draws", meaning, _LEAK


def _long_run(evidence: Evidence) -> _Said:
    meaning = (
        "The RO runs longer than it ever did: it makes less than is drawn or lost, the float does not stop "
        "it, or "
        "somebody draws more than ever."
    )
    return f"the RO has been running for {_span(evidence, 'ran_ms')}", meaning, _LONG


def _short_cycling(evidence: Evidence) -> _Said:
    count = f"{number(evidence, 'starts_a_day'):.0f}"
    meaning = (
        "Each start is a pressure surge, and its first minutes make the saltiest water: short-cycling wears "
        "pump, valves "
        "and membrane and spoils what is made."
    )
    return f"the RO started {count} times in 24 h, short-cycling", meaning, _CYCLE


def _float(evidence: Evidence) -> _Said:
    meaning = (
        "Floats and level contradict each other: one of them hangs or is wired the other way round. What "
        "rests on a "
        "float is not told until that is put right; what the level says still is."
    )
    return f"{text(evidence, 'by') or 'a float'}: float and level cannot both be right", meaning, _FLOAT


def _facts(evidence: Evidence, check: str) -> list[tuple[str, str]]:
    facts: list[tuple[str, str]] = []
    if evidence.get("level") is not None:
        facts.append(("level", f"{_shown(evidence, 'level')}, low mark {_shown(evidence, 'low')}"))
    if evidence.get("start") is not None and evidence.get("stop") is not None:
        facts.append(("RO usually fills", f"from {_shown(evidence, 'start')} to {_shown(evidence, 'stop')}"))
    if evidence.get("running") is not None:
        since = _span(evidence, "ran_ms" if evidence["running"] else "stood_ms")
        facts.append(("RO", f"{'running' if evidence['running'] else 'standing'} for {since}"))
    if _hours(evidence):
        facts.append(("water lasts", _range(evidence)))
    elif _above_low(evidence) and check in ("low", "not-made"):
        facts.append(("water lasts", _not_known(evidence)))
    if check == "leak" and evidence.get("usual_fall_h") is not None:
        usual, sigma = _an_hour(evidence, "usual_fall_h"), _an_hour(evidence, "sigma_h")
        facts.append(("fall", f"{_an_hour(evidence, 'fall_h')}, usual {usual} (strays by {sigma})"))
    if check == "long-run":
        longest = number(evidence, "longest_ms")
        facts.append(("longest run so far", _words(longest) if longest else "not known yet"))
    if check == "short-cycling":
        usual_starts = evidence.get("usual_starts_a_day")
        known = "not known yet" if usual_starts is None else f"{float(str(usual_starts)):.0f} a day"
        facts.append(("usual starts", f"{known}; told beyond {number(evidence, 'most_starts_a_day'):.0f}"))
    return facts


def _above_low(evidence: Evidence) -> bool:
    return evidence.get("level") is not None and number(evidence, "level") > number(evidence, "low")


def _shown(evidence: Evidence, key: str) -> str:
    return shown(number(evidence, key), text(evidence, "quantity"))


def _an_hour(evidence: Evidence, key: str) -> str:
    value, quantity = number(evidence, key), text(evidence, "quantity")
    return f"{value:.1f} {'L' if quantity == 'volume' else 'mm'} an hour"


def _hours(evidence: Evidence) -> bool:
    lasting = evidence.get("lasts_h")
    return isinstance(lasting, Sequence) and len(lasting) == 3 and lasting[0] is not None


def _times(evidence: Evidence) -> list[str | None]:
    found = evidence.get("empty_at")
    if not isinstance(found, Sequence):
        return [None, None, None]
    return [None if one is None else _moment(str(one)) for one in found]


def _when(evidence: Evidence) -> str:
    return _times(evidence)[0] or "soon"


def _range(evidence: Evidence) -> str:
    likely, soonest, latest = _times(evidence)
    return f"until {likely} ({soonest or likely} to {latest or 'later than five days'}), as usually drawn"


def _not_known(evidence: Evidence) -> str:
    if not evidence.get("learned"):
        return "not known: what is drawn by the hour of the week is still being learned"
    return "more than five days, as usually drawn"


def _monday(evidence: Evidence) -> str:
    """What it means for the next working day."""
    if not _hours(evidence):
        return ""
    likely = _times(evidence)[0]
    return f" As water is usually drawn, it lasts until {likely}. Nothing is made until somebody comes."


def _cannot(evidence: Evidence) -> str:
    blind = evidence.get("blind")
    if not isinstance(blind, Sequence) or not blind:
        return ""
    return f" What cannot be told here: {'; '.join(str(one) for one in blind)}."


def _moment(iso: str) -> str:
    at = datetime.fromisoformat(iso)
    return f"{_DAYS[at.weekday()]} {day_in_words(at.date().isoformat())}, {at:%H:%M}"


def _span(evidence: Evidence, key: str) -> str:
    value = evidence.get(key)
    return "an unknown time" if value is None else _words(float(str(value)))


def _words(ms: float) -> str:
    minutes = ms / 60_000
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.0f} h"


_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
