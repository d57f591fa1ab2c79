"""What to do next, by quantity and stage: steps in a technician's order, and the usual cautions.

All of it is common practice of the trade, no source.
"""

from __future__ import annotations

_COMPARE = (
    "Hold a calibrated hand meter against the instrument: is it the probe or the water?",
    "Compare with this stage's own feed and with the tap, on the same meter.",
)

_IONS: dict[str, tuple[str, ...]] = {
    "di": (
        *_COMPARE,
        "If the outlet is worse than its own feed the bed is discharging: bypass it or stop filling.",
        "Otherwise the water may still serve the coolant: plan the resin change this week.",
    ),
    "ro": (
        *_COMPARE,
        "Note feed pressure and permeate flow, and wait until the unit has run ten minutes.",
        "Check O-rings and the brine seal, then the softener and carbon ahead of the membrane.",
    ),
    "tap": (
        "Compare with yesterday and ask the supplier whether the source was changed.",
        "Expect resin and membrane to be used up faster while the feed stays like this.",
    ),
}

_GENERAL_HIGH = (*_COMPARE, "Look at what was changed or refilled since the value was last usual.")

_LEVEL_LOW = (
    "Look at the sump or tank: is the level really low, or is the sensor fouled or stuck?",
    "Look for water or coolant on the floor before anything else.",
    "Top off only after the concentration has been read.",
)

_CAUTIONS: dict[str, tuple[str, ...]] = {
    "di": (
        "A bed whose one side is spent may discharge acid or caustic water: gloves, goggles, hands off.",
        "Spent resin and regenerant have their own disposal rules.",
    ),
    "ro": ("The unit works under pressure: shut it off and relieve the pressure before opening it.",),
    "softener": ("Brine and reject water: drain only as local rules allow.",),
    "tap": ("Work on the mains connection (backflow device, air gap) is for a licensed plumber.",),
}

_ALWAYS = ("Treated water is not drinking water.",)


def steps_beyond_limit(quantity: str, stage: str, side: str) -> tuple[str, ...]:
    """Steps for a value beyond its limit on the given side (`above` or `below`)."""
    if quantity in ("conductivity", "tds") and side == "above":
        return _IONS.get(stage, _GENERAL_HIGH)
    if quantity == "level" and side == "below":
        return _LEVEL_LOW
    return (
        "Read the value by hand at the instrument: is it the instrument or the water?",
        "Look at what was changed since the value was last usual.",
    )


def cautions_for(stage: str) -> tuple[str, ...]:
    """The cautions that go with work at a stage."""
    return _CAUTIONS.get(stage, ()) + _ALWAYS
