"""What the rule `breakthrough` says of its evidence: by consequence for the coolant, in a technician's order.

Steps are common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.advice import cautions_for
from monitor.rules.rule import number, number_or_none, text

# The water is usable; better not through this bed; not usable; nobody said what the coolant allows.
Consequence = Literal["usable", "bypass", "stop", "unknown"]

_HAND_METER = (
    "Hold one calibrated hand meter into the outlet and then into the feed, water running for ten minutes: "
    "is it the probe, are the two swapped, or is it the water?"
)
_PH = (
    "Test the pH at the outlet with a strip, gloves and goggles on: far from neutral means that one side of "
    "the bed has ended first, acid or caustic."
)
_CHANGE = "Change the resin (or send the bottle for exchange) and enter the day under `installed`."
_WHERE_IT_WENT = "Note which sumps were topped off since then and check their concentration and pH."


def wording(evidence: Evidence) -> Wording:
    """The message of one of the three conditions."""
    condition = text(evidence, "condition")
    means = consequence(evidence)
    first, meaning, steps = {"forecast": _forecast, "front": _front, "discharge": _discharge}[condition](
        evidence, means
    )
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence, condition)),
        meaning=meaning,
        steps=steps,
        cautions=cautions_for(text(evidence, "stage")),
    )


def consequence(evidence: Evidence) -> Consequence:
    """What the outlet's water is worth to the coolant now."""
    outlet, feed, limit = (number_or_none(evidence, f"{key}_us_cm") for key in ("outlet", "inlet", "limit"))
    if outlet is not None and limit is not None and outlet > limit:
        return "stop"
    if outlet is not None and feed is not None and outlet > feed:
        return "bypass"
    return "unknown" if limit is None else "usable"


_Told = tuple[str, str, tuple[str, ...]]


def _forecast(evidence: Evidence, means: Consequence) -> _Told:
    days, low, high = (number_or_none(evidence, f"left_{key}d") for key in ("", "low_", "high_"))
    bed = text(evidence, "bed")
    if evidence.get("outlived"):
        first = f"{bed}: resin has lasted longer than its load explains"
        meaning = (
            "By what it has taken up the resin should be spent by now: either the bed was changed and nobody "
            "entered it, or it holds more than was reckoned with. "
        )
    elif low is not None and high is not None:
        about = (
            f"in about {_days(days)} ({_range(low, high)})" if days is not None else f"within {_days(high)}"
        )
        first = f"{bed}: resin spent {about}"
        meaning = (
            "Reckoned in equivalents from what the bed has taken up, so it comes before any probe sees it. "
            f"{_UNSEEN if evidence.get('co2_known') else _NO_CHEMISTRY} "
        )
    else:
        first, meaning = f"{bed}: resin nearly spent by its load", ""
    steps = (
        "Order resin or the exchange bottle now, so that it is there when the outlet rises.",
        "Read the outlet once a day, the water running, and write it down.",
        "If the bed was changed without being entered, enter the day under `installed`.",
        "When the outlet rises, or at the latest at the end of the range: "
        + _CHANGE[0].lower()
        + _CHANGE[1:],
    )
    return first, meaning + _WORTH[means], steps


_UNSEEN = "Carbon dioxide is in it, which a conductivity probe hardly sees."
_NO_CHEMISTRY = (
    "Alkalinity and pH of the feed water are not known, so the carbon dioxide is not either, and only a "
    "range can be told."
)


def _front(evidence: Evidence, means: Consequence) -> _Told:
    outlet = _outlet(evidence)
    why = text(evidence, "why")
    beside = {
        "risen": f"clean it was {_us(evidence, 'clean')}",
        "share": f"its feed is {_us(evidence, 'inlet')}",
        "limit": f"the coolant allows {_us(evidence, 'limit')}",
        "before": f"the bed before let through {_us(evidence, 'before')}",
    }.get(why, "risen")
    first = f"{text(evidence, 'where')}: resin is giving out, {outlet}, {beside}"
    if means == "stop":
        first = (
            f"{text(evidence, 'where')}: stop filling, resin spent, {outlet}, limit {_us(evidence, 'limit')}"
        )
    meaning = (
        "The outlet has risen for good, over litres of water made, above what this bed lets through when "
        "it is clean: it is giving out, or part of the water runs past the resin (a channel, a seal, an open "
        f"bypass). {_sooner(evidence)}{_WORTH[means]}"
    )
    steps = (
        _HAND_METER,
        *_STEPS[means],
        *_past(evidence, means),
        "If it rose at once and stays: look for an open bypass or a bad seal.",
    )
    return first, meaning, (*steps, _CHANGE)


def _sooner(evidence: Evidence) -> str:
    """A front long before the load explains it points past the resin."""
    low, treated = number_or_none(evidence, "left_low_l"), number_or_none(evidence, "treated_l")
    if not low or treated is None or low < 0.25 * treated:
        return ""
    return (
        f"By its load the resin should still last {low:.0f} L or more: look first for water that runs past "
        "it, resin of less capacity, or a feed that is worse than it reads. "
    )


def _discharge(evidence: Evidence, means: Consequence) -> _Told:
    where, feed = text(evidence, "where"), _us(evidence, "inlet")
    source = "the tap" if evidence.get("from_tap") else text(evidence, "feed_where") or "its feed"
    first = f"{where}: spent bed gives off what it held, {_outlet(evidence)}, above {source} {feed}"
    if means == "stop":
        first = f"{where}: stop filling, {_outlet(evidence)}, worse than {source} {feed}"
    advice: Consequence = "stop" if means == "stop" else "bypass"
    meaning = (
        "The water is worse after the bed than before it, by more than both probes may be off "
        f"({_HOW[text(evidence, 'how') or 'gate']}). A bed does that when it is spent: it gives off the ions "
        "it holds least firmly, and when one side has ended first the water is acid or caustic. "
        f"{_WORTH[advice]}"
    )
    return (
        first,
        meaning,
        (*_STEPS[advice], *_past(evidence, advice), _HAND_METER, _CHANGE, _WHERE_IT_WENT),
    )


_HOW = {
    "gate": "while water was running",
    "time": "by the run contact or since fresh water came, as the flow meter says nothing",
    "run": "at the end of runs too short to flush the line",
    "unknown": "nothing says for sure that water was running",
    "lows": "by the lowest readings of a day, since the flow meter has said nothing for long",
}


def _past(evidence: Evidence, means: Consequence) -> tuple[str, ...]:
    """Where the bed's water is not to be used: is that of its feed?"""
    feed, limit = number_or_none(evidence, "inlet_us_cm"), number_or_none(evidence, "limit_us_cm")
    if means not in ("stop", "bypass") or feed is None:
        return ()
    shown_feed = _us(evidence, "inlet")
    if limit is None:
        return (f"Fill past the bed meanwhile if the coolant allows its feed, {shown_feed}.",)
    if feed <= limit:
        return (f"Fill past the bed meanwhile: its feed, {shown_feed}, is what the coolant allows.",)
    return (f"The feed, {shown_feed}, is beyond what the coolant allows as well: do not fill past.",)


_WORTH: dict[Consequence, str] = {
    "usable": "The water is still usable for the coolant: no need to stop, change the resin this week.",
    "bypass": "The water ahead of the bed is better than what leaves it.",
    "stop": "The water is beyond what the coolant allows: stop filling from this bed until it is changed.",
    "unknown": "Whether it is still usable is for the coolant maker's sheet: no `limit` is set.",
}

_STEPS: dict[Consequence, tuple[str, ...]] = {
    "usable": ("The water may still be used: plan the resin change for this week.",),
    "bypass": (_PH,),
    "stop": ("Stop filling from this bed: close its outlet or set its bypass.", _PH),
    "unknown": ("Hold the outlet's value against the coolant maker's limit before more sumps are filled.",),
}


def _facts(evidence: Evidence, condition: str) -> Iterator[tuple[str, str]]:
    if number_or_none(evidence, "outlet_us_cm") is not None:
        yield "outlet", _outlet(evidence)
    for key, label in (("clean", "outlet when clean"), ("inlet", "its feed"), ("tap", "tap")):
        if number_or_none(evidence, f"{key}_us_cm") is not None:
            tap = key == "inlet" and evidence.get("from_tap")
            yield (f"{label} (the tap)" if tap else label), _us(evidence, key)
    yield from _limit(evidence)
    yield from _treated(evidence)
    yield from _left(evidence)
    if condition == "front" and text(evidence, "why") == "risen":
        yield (
            "risen by",
            f"{shown(number(evidence, 'excess_us_cm'), 'conductivity')}; from "
            f"{shown(number(evidence, 'counted_excess_us_cm'), 'conductivity')} on it counts, in three "
            "stretches of water in a row",
        )
    if condition == "front":
        yield from _shape(evidence)


def _limit(evidence: Evidence) -> Iterator[tuple[str, str]]:
    limit, feed = number_or_none(evidence, "limit_us_cm"), number_or_none(evidence, "inlet_us_cm")
    if limit is None:
        return
    beyond = ""
    if feed is not None and limit > 0.8 * feed:
        beyond = "; the feed hardly reaches it, so only a discharge would pass it"
    yield "coolant's limit", f"{shown(limit, 'conductivity')}{beyond}"


def _treated(evidence: Evidence) -> Iterator[tuple[str, str]]:
    treated, counted = number_or_none(evidence, "treated_l"), number_or_none(evidence, "counted_l")
    if treated is not None:
        yield "treated since the resin change", shown(treated, "volume", decimals=0)
    elif counted is not None:
        yield "treated since Goodwater counts", f"{shown(counted, 'volume', decimals=0)}; before, not known"
    if number_or_none(evidence, "use_l_d") is not None:
        yield "the shop uses", f"{number(evidence, 'use_l_d'):.0f} L/day over whole weeks"


def _left(evidence: Evidence) -> Iterator[tuple[str, str]]:
    low, high, middle = (number_or_none(evidence, f"left_{key}l") for key in ("low_", "high_", ""))
    if low is None or high is None:
        return
    about = "" if middle is None else f"about {middle:.0f} L, "
    days_low, days_high = number_or_none(evidence, "left_low_d"), number_or_none(evidence, "left_high_d")
    days = "" if days_low is None or days_high is None else f"; {_range(days_low, days_high)}"
    yield "left by load", f"{about}{low:.0f} to {high:.0f} L{days}"
    unseen = number_or_none(evidence, "unseen_pct")
    seen = "" if unseen is None else f", {unseen:.0f} % of it unseen by conductivity"
    yield "load", f"{number(evidence, 'load_meq_l'):.2f} meq/L{seen}"
    yield (
        "capacity",
        f"{number(evidence, 'capacity_eq_l'):.2f} eq/L ({_FROM[text(evidence, 'capacity_from')]})",
    )


_FROM = {"set": "as set", "learned": "as earlier beds have shown", "rule of the trade": "a rule of the trade"}


def _shape(evidence: Evidence) -> Iterator[tuple[str, str]]:
    verdict, low = text(evidence, "shape"), number_or_none(evidence, "shape_low_l")
    if not verdict or low is None:
        return
    share = f"{number(evidence, 'shape_share_pct'):.0f} % of the feed"
    if evidence.get("shape_is_limit"):
        share = f"the coolant's limit ({share})"
    high = number_or_none(evidence, "shape_high_l")
    if verdict == "no front yet":
        yield "shape of the rise", f"tells no end yet; {share} not before {low:.0f} L from now"
    else:
        upto = f"to {high:.0f} L" if high is not None else "L or more"
        yield "shape of the rise", f"{share} in {low:.0f} {upto} from now ({verdict})"


def _outlet(evidence: Evidence) -> str:
    least = "at least " if evidence.get("outlet_is_least") else ""
    return f"outlet {least}{_us(evidence, 'outlet')}"


def _us(evidence: Evidence, key: str) -> str:
    value = number_or_none(evidence, f"{key}_us_cm")
    return "not known" if value is None else shown(value, "conductivity")


def _days(days: float) -> str:
    return "less than a day" if days < 1.0 else f"{days:.0f} day" + ("" if round(days) == 1 else "s")


def _range(low: float, high: float) -> str:
    return f"{low:.0f} to {high:.0f} days"
