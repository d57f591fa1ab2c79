"""What the rule `instrument` says to people, from the evidence alone."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import JsonValue

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, span, text

_ENCLOSURE = "Mains power and moving parts: have a qualified person open any enclosure or guard."


def wording(evidence: Evidence) -> Wording:
    """What the fault means for what is judged, and how to find and mend it."""
    match text(evidence, "part"):
        case "flow-meter":
            return _flow_meter(evidence)
        case "clock":
            return _clock(evidence)
        case "compensation":
            return _compensation(evidence)
        case _:
            return _fault(evidence)


def _flow_meter(evidence: Evidence) -> Wording:
    where, instrument = text(evidence, "where"), text(evidence, "instrument")
    zero = span(number(evidence, "zero_for_ms"))
    facts = [("shows", shown(number(evidence, "value"), "flow")), ("without flow for", zero)]
    beside = evidence.get("beside")
    facts += [_seen(one) for one in beside if isinstance(one, Mapping)] if isinstance(beside, list) else []
    facts.append(("it is read every", span(number(evidence, "interval_ms"))))
    return Wording(
        first_line=f"{where}: {instrument} shows no flow though water is made, for {zero}",
        facts=tuple(facts),
        meaning="The flow meter is dead, or is read more seldom than a run lasts. Until it shows flow again "
        "its zeros are not believed: the probes beside it are judged by the run contact, or by the course of "
        "their own values, and are uncertain. Litres, recovery and normalised flow are not known.",
        steps=(
            "With the plant running, look at the meter: does its own display or paddle move?",
            "Check supply, cable and input of the pulse; a paddle jams on resin beads, scale or thread tape.",
            "Check the flow by hand: a bucket and a watch at the outlet.",
            "If the meter is sound, read it more often than a run lasts.",
        ),
        cautions=(
            "Relieve the pressure before a meter is taken out of the pipe.",
            _ENCLOSURE,
        ),
    )


def _seen(one: Mapping[str, JsonValue]) -> tuple[str, str]:
    """What a neighbour showed while the meter stood at zero."""
    what, quantity, on_ms = str(one["what"]), str(one["quantity"]), one.get("on_for_ms")
    low, high = one["low"], one["high"]
    assert isinstance(low, int | float) and isinstance(high, int | float)
    if quantity != "contact":
        return what, f"between {shown(low, quantity)} and {shown(high, quantity)} meanwhile"
    if isinstance(on_ms, int | float):
        return what, f"on for {span(on_ms)}"
    return what, "was on meanwhile" if high > low else "off"


def _clock(evidence: Evidence) -> Wording:
    where, instrument, how = text(evidence, "where"), text(evidence, "instrument"), text(evidence, "how")
    off = number(evidence, "off_ms")
    side = "ahead" if off > 0 else "behind"
    said, drift = f"{span(abs(off))} {side}", evidence.get("drift_ms_a_day")
    facts = [("its time against the gateway's", said)]
    if isinstance(drift, int | float):
        facts.append(("it drifts", f"{drift / 1000:+.0f} s a day"))
    zone = evidence.get("zone_ms")
    if how == "stuck":
        said = f"standing still for {span(number(evidence, 'stands_for_ms'))}"
        facts = [("the same time for", span(number(evidence, "stands_for_ms")))]
    elif isinstance(zone, int | float):
        facts.append(("that is", f"just {_quarters(abs(zone))}: a time zone or summer time"))
    elif how == "drift" and isinstance(drift, int | float):
        said = f"drifting {drift / 1000:+.0f} s a day"
    alike = evidence.get("alike")
    shared = alike if isinstance(alike, list) else []
    if shared:
        facts.append(("off by the same", ", ".join(map(str, shared))))
    return Wording(
        first_line=f"{where}: clock of {instrument} wrong, {said}",
        facts=tuple(facts),
        meaning=_CLOCK_MEANS["unjudged" if not evidence.get("judged") else how]
        + (" Others are off by the same, so it may be the gateway's own clock." if shared else ""),
        steps=(
            *(_ZONE_STEPS if isinstance(zone, int | float) and how != "stuck" else ()),
            *(_STUCK_STEPS if how == "stuck" else ()),
            "Set the clock of the instrument or its gateway; best by network time (NTP).",
            "Where it cannot keep time, have it send none: then the time of arrival counts.",
        ),
    )


_CLOCK_MEANS = {
    "unjudged": "Its values carry a time that cannot be true, or that is past: they are stored and not "
    "judged, so nothing is known of the water there until the clock is right.",
    "ahead": "Its values are judged, by a time that is not yet. What stands beside them in time, a "
    "temperature or a flow, may be another moment's.",
    "behind": "Its values are judged, but as old ones: flow and temperature beside them are another "
    "moment's, and it may be called silent.",
    "stuck": "Its time stands still: its clock has stopped, or a gateway repeats its last message for ever.",
    "drift": "It is still near enough. At this pace it will not stay so.",
}
_ZONE_STEPS = ("Look at its time zone and summer-time settings: a time must be UTC, or carry its offset.",)
_STUCK_STEPS = (
    "Compare the instrument's own display with what arrives: if it has moved on, restart the gateway.",
)


def _compensation(evidence: Evidence) -> Wording:
    where, what = text(evidence, "where"), text(evidence, "what")
    slope, low, high = (number(evidence, f"{key}_pct_c") for key in ("slope", "low", "high"))
    by_itself, permeate = bool(evidence.get("by_itself")), bool(evidence.get("permeate"))
    twice = slope < 0.0
    meaning = (
        "A value referred to 25 °C should not move with the temperature; this one moves by "
        f"{slope:+.1f} % per °C. "
    )
    if twice:
        meaning += "That is what a value shows that was compensated twice, or with too large a coefficient."
    elif by_itself:
        meaning += "An uncompensated meter shows about 2 %: its compensation seems to be off."
    else:
        meaning += "The coefficient is too small, or the thermometer stands in other water."
    if permeate:
        meaning += " A membrane lets more salt through when it is warm, so it may be the membrane."
    return Wording(
        first_line=f"{where}: {what} follows the temperature, {slope:+.1f} % per °C",
        facts=(
            ("slope", f"{slope:+.2f} % per °C"),
            ("surely between", f"{low:+.2f} and {high:+.2f} % per °C"),
            ("half-hours compared", f"{number(evidence, 'half_hours'):.0f}"),
        ),
        meaning=meaning + " Until it is put right, warm and cold days look like good and bad water.",
        steps=(
            "Read the meter's menu: is temperature compensation on, with which coefficient, to 25 °C?",
            "Hold a calibrated hand meter against it in cold and in warm water.",
            "If the meter does not compensate, say compensated = false and give the channel a compensation.",
            "Check that its temperature sensor shows the water's temperature.",
        ),
        cautions=(_ENCLOSURE,),
    )


def _fault(evidence: Evidence) -> Wording:
    where, what, instrument = (text(evidence, key) for key in ("where", "what", "instrument"))
    facts = [
        ("since", f"{span(number(evidence, 'lasted_ms'))}, {number(evidence, 'values'):.0f} values"),
        ("arrives", f"{number(evidence, 'raw'):g}"),
    ]
    if evidence.get("supervised"):
        return Wording(
            first_line=f"{where}: wire of {what} broken or shorted",
            facts=tuple(facts),
            meaning="The contact's wire is watched, and what arrives is neither the open nor the closed "
            "contact. Whether the thing is so is not known: no alarm of it comes until the wire is mended.",
            steps=(
                "Look by eye whether the thing is so (leak, level, running) and go on doing that.",
                "Check the cable from contact to input: a broken core, a loose screw, water in a plug.",
                "Check the resistors at the contact's end.",
            ),
            cautions=(_ENCLOSURE,),
        )
    return Wording(
        first_line=f"{where}: {instrument} reports a fault, {what} not known",
        facts=tuple(facts),
        meaning=f"The instrument itself says that its value is none. Nothing is known of the {what} until it "
        "does again.",
        steps=(
            "Look at its display and its sheet: what does it call the fault?",
            "Check the sensor's cable and plug, and that the sensor is in the water.",
            "A current below 3.6 or above 21 mA is a broken wire or a failed transmitter (NAMUR NE 43).",
            "Read the value by hand and write it down until the instrument is back.",
        ),
        cautions=(_ENCLOSURE,),
    )


def _quarters(ms: float) -> str:
    hours, minutes = divmod(round(ms / 60_000), 60)
    return f"{hours} h" if not minutes else f"{hours} h {minutes} min" if hours else f"{minutes} min"
