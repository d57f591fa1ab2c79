"""What a sump's signs mean, and in which order to look. Common practice of the trade, no source.

Nothing here tells anybody to add biocide: that is for its label, trained people and the safety officer.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, text
from monitor.rules.sumps import CAUTIONS

_GRADES = ("none", "a little", "clearly", "badly")

_BIOLOGY_CAUTIONS = (
    "Mist and smell of a spoilt coolant are breathed: extraction on, doors closed while it runs, no "
    "compressed air on wet parts. Who coughs, itches or feels ill stays away and tells the safety officer.",
    "Never add biocide on your own account: by its label and by trained people only. Too much harms skin and "
    "lungs, too little breeds what survives it.",
)

_BIOLOGY = (
    "Air first: extraction and hall ventilation on; tell the safety officer today.",
    "Measure pH and concentration again, with a meter checked in its buffer and a refractometer zeroed on "
    "the shop's own water: two readings that are off look the same.",
    "Look under covers and at the sump's walls: slime, grey or brown colour, worse after the weekend?",
    "Skim the floating oil, and see why it comes (way oil, hydraulics). Keep the coolant moving and aired "
    "while the machine stands.",
    "Bring the concentration back into its band with the mixer's mix.",
    "Take a dip slide or send a sample to the coolant's supplier: in two days it tells bacteria from fungi.",
    "With that result the supplier and the safety officer decide: treatment, or clean, rinse and fill anew. "
    "Log a new charge as sump-change.",
)

_ONE_SIGN = {
    "ph": "Measure the pH again with another meter or strip; check the meter in its buffer.",
    "smell": "Smell it again after the pump has run half an hour, and have a second nose.",
    "oil": "Skim the floating oil, and look for way oil or a hydraulic leak that feeds it.",
}

_SIGNS = {"ph": "pH down", "smell": "smell", "oil": "floating oil", "lean": "concentration low"}


def wording(evidence: Evidence) -> Wording:
    """The words for likely biology, a single sign, or a concentration out of its band."""
    told = text(evidence, "told")
    if told == "biology":
        return _biology(evidence)
    return _concentration(evidence) if told == "concentration" else _sign(evidence)


def _biology(evidence: Evidence) -> Wording:
    return Wording(
        first_line=f"{text(evidence, 'sump')}: coolant likely going bad: {_named(evidence, 'signs')}",
        facts=tuple(_facts(evidence)),
        meaning="Signs that alone may be anything stand together; together they read as bacteria or fungi at "
        "work. Caught now a sump can often be saved; in two weeks it smells through the hall and has to be "
        "emptied. No instrument here sees biology itself.",
        steps=_BIOLOGY,
        cautions=(*_BIOLOGY_CAUTIONS, *CAUTIONS),
    )


def _sign(evidence: Evidence) -> Wording:
    asked = _list(evidence, "asked")
    return Wording(
        first_line=f"{text(evidence, 'sump')}: {_named(evidence, 'asked')}: look again",
        facts=tuple(_facts(evidence)),
        meaning="One sign alone is no verdict: a meter that is off, a new job, a leaking way pump look the "
        "same. A second one beside it would read as likely biology.",
        steps=(
            *(_ONE_SIGN[sign] for sign in asked if sign in _ONE_SIGN),
            "Look at the others too (pH, smell, oil, refractometer); log what you find, good news as well.",
        ),
        cautions=(*_BIOLOGY_CAUTIONS[:1], *CAUTIONS),
    )


def _concentration(evidence: Evidence) -> Wording:
    out, low, high = text(evidence, "out"), *_band(evidence)
    pct = number(evidence, "pct")
    lean = out == "below"
    why = (
        "Lean coolant rusts parts and machine and feeds bacteria."
        if lean
        else "Rich coolant costs money, foams, is hard on skin, and gets richer while only water evaporates."
    )
    band = f"{low:g} to {high:g} %"
    return Wording(
        first_line=f"{text(evidence, 'sump')}: concentration {pct:.1f} %, {out} its band of {band}",
        facts=tuple(_facts(evidence)),
        meaning=f"{why} The machine is safe to run.",
        steps=(
            "Read again: clean prism, drop from the running stream, zero on the shop's own water. Floating "
            "oil blurs the line and reads high.",
            "Top off with a mix that brings it back, not with water or concentrate alone: `goodwater calc "
            "top_off` works it out from litres, concentration and goal.",
            "If it keeps going the same way: is the mixer's proportion right, is plain water used for "
            "top-offs, does mixture leak?",
        ),
        cautions=CAUTIONS,
    )


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    facts = []
    if evidence.get("ph") is not None:
        usual = evidence.get("ph_usual")
        beside = "usual not yet known" if usual is None else f"usual {number(evidence, 'ph_usual'):.1f}"
        facts.append(("pH", f"{number(evidence, 'ph'):.1f} on {text(evidence, 'ph_on')} ({beside})"))
    if evidence.get("pct") is not None:
        low, high = _band(evidence)
        facts.append(
            (
                "concentration",
                f"{number(evidence, 'pct'):.1f} % on {text(evidence, 'pct_on')} (band {low:g} to {high:g} %)",
            )
        )
        zero = evidence.get("zero_brix")
        zeroed = (
            "not zeroed on the shop's own water"
            if zero is None
            else f"less {number(evidence, 'zero_brix'):g} °Brix, its zero on the shop's own water"
        )
        facts.append(("how read", f"{number(evidence, 'factor'):g} % for each °Brix, {zeroed}"))
    for key, label in (("smell", "smell"), ("oil", "floating oil")):
        if evidence.get(key) is not None:
            facts.append((label, _GRADES[min(max(round(number(evidence, key)), 0), 3)]))
    if text(evidence, "since") and _list(evidence, "signs"):
        facts.append(("first of these signs seen", text(evidence, "since")))
    return facts


def _named(evidence: Evidence, key: str) -> str:
    names = []
    for sign in _list(evidence, key):
        name = _SIGNS.get(sign, sign)
        if sign == "ph" and evidence.get("ph_usual") is not None:
            name = f"pH down {number(evidence, 'ph_usual') - number(evidence, 'ph'):.1f}"
        names.append(name)
    return ", ".join(names)


def _list(evidence: Evidence, key: str) -> list[str]:
    found = evidence.get(key)
    return [str(one) for one in found] if isinstance(found, Sequence) and not isinstance(found, str) else []


def _band(evidence: Evidence) -> tuple[float, float]:
    found = evidence.get("band_pct")
    if not isinstance(found, Sequence) or isinstance(found, str) or len(found) != 2:
        raise ValueError(f"evidence 'band_pct' is {found!r}, not two numbers")
    return float(str(found[0])), float(str(found[1]))
