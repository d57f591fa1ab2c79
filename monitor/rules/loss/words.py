"""What a sump's loss means, and what to do. The order of steps is common practice of the trade, no source."""

from __future__ import annotations

from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, text

_CAUTIONS = (
    "Coolant on the floor: slipping and electricity first. Keep people away and have power near the puddle "
    "cut by a qualified person; find the cause afterwards.",
    "The machine can start by itself: lock it out by your site's rules before reaching in or under it.",
    "Spilled and spent coolant goes where local rules say, never down a drain on your own account.",
)

_FIND = (
    "Follow hoses and fittings from the pump to the nozzles while the pump runs: the drop shows only then.",
    "Look along way covers, door seals and splash guards for coolant that runs outside.",
    "Look at the chip conveyor and its bin: coolant carried out on chips is lost coolant.",
)
_STANDING = (
    "Look at the drain valve and its plug, the tank's seams and the suction line: they leak while the "
    "machine stands.",
    "Look at the skimmer and any transfer pump: does one pump coolant out?",
)
_FLOOR = "Look at the floor under and behind the machine, in the pit and the cable ducts: is there coolant?"
_READ = (
    "Read the refractometer now and in two days: concentration unchanged means mixture is lost (a leak, "
    "carry-out), rising means evaporation. `goodwater calc split_level_drop` works out the shares."
)


def wording(evidence: Evidence) -> Wording:
    """The words for a slow loss or a fast fall, from the evidence alone."""
    return _burst(evidence) if evidence.get("burst") else _loss(evidence)


def _loss(evidence: Evidence) -> Wording:
    sump, own_past = text(evidence, "sump"), text(evidence, "basis") == "own past"
    lost, usual = _litres(evidence, "lost_l_d"), _maybe(evidence, "usual_l_d")
    if own_past:
        first = f"{sump}: losing {lost} a day, usual {usual}"
    else:
        first = f"{sump}: losing {lost} a day, more than neighbours and evaporation explain"
    standing = bool(evidence.get("standing_too"))
    steps = (_FLOOR, *_STANDING, *_FIND) if standing else (_FLOOR, *_FIND, *_STANDING)
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence, own_past)),
        meaning=_meaning(evidence, own_past, standing),
        steps=(
            *steps,
            _READ,
            "If production changed (new part, wet chips, doors open), acknowledge with that comment.",
        ),
        cautions=_CAUTIONS,
    )


def _facts(evidence: Evidence, own_past: bool) -> list[tuple[str, str]]:
    facts = [("loses now", f"{_litres(evidence, 'lost_l_d')} a day")]
    if own_past:
        facts.append(("usual, with this running time", f"{_maybe(evidence, 'usual_l_d')} a day"))
        facts.append(("lost beyond it so far", _maybe(evidence, "extra_l")))
    if evidence.get("standing_l_d") is not None:
        known = evidence.get("standing_usual_l_d")
        beside = "" if known is None else f", usual {_maybe(evidence, 'standing_usual_l_d')}"
        facts.append(("while the machine stands", f"{_maybe(evidence, 'standing_l_d')} a day{beside}"))
    neighbours = int(number(evidence, "neighbours"))
    if neighbours:
        facts.append(
            (
                f"{neighbours} neighbours, on this surface",
                f"{_maybe(evidence, 'neighbours_l_d')} a day (this sump {_maybe(evidence, 'own_here_l_d')})",
            )
        )
    facts.append(("evaporates at most", f"{_litres(evidence, 'most_evaporated_l_d')} a day"))
    known_days = int(number(evidence, "known_days"))
    facts.append(
        ("judged on", f"{number(evidence, 'days'):.0f} days, against {known_days} days of its own past")
    )
    facts.append(("one step of the sensor", f"{number(evidence, 'step_l'):.1f} L"))
    days_to_tell = evidence.get("days_to_tell")
    if days_to_tell is not None:
        needs = f"needs about {number(evidence, 'days_to_tell'):.0f} days to tell"
        facts.append(("the smallest loss looked for", needs))
    if not evidence.get("pump_known"):
        facts.append(("pump", "no contact: only days without a refill count"))
    return facts


def _meaning(evidence: Evidence, own_past: bool, standing: bool) -> str:
    if own_past:
        what = (
            "This sump loses more than it did with the same running time, with the weather of its neighbours "
            "taken out and refills counted."
        )
    else:
        what = (
            "This sump loses much more for its surface than the others here, and more than such a surface "
            "can evaporate. Its own past does not say since when; it may always have been so."
        )
    if standing:
        where = "It also falls while the machine stands, which points to the tank, its drain or a siphon."
    else:
        where = "It falls while the machine runs, which points to hoses, covers, chips or mist."
    cost = "Lost mixture takes concentrate with it; the machine is safe to run as long as its level holds."
    return f"{what} {where} {cost}"


def _burst(evidence: Evidence) -> Wording:
    sump, lost = text(evidence, "sump"), _litres(evidence, "lost_l")
    minutes = number(evidence, "minutes")
    facts = [
        ("gone", f"{lost} within {minutes:.0f} min"),
        ("level now", f"{number(evidence, 'level_mm'):.0f} mm"),
        ("holds when full", _litres(evidence, "volume_l")),
    ]
    if evidence.get("pump"):
        facts.append(("coolant pump", text(evidence, "pump")))
    if evidence.get("circulation_l") is not None:
        facts.append(("in circulation while it runs", f"about {_maybe(evidence, 'circulation_l')}"))
    if evidence.get("settled"):
        why = "The pump had neither started nor stopped, so circulation does not explain it."
    else:
        why = "It is more than all that goes into circulation here when the pump starts."
    return Wording(
        first_line=f"{sump}: level falling fast, {lost} gone within {minutes:.0f} min",
        facts=tuple(facts),
        meaning=f"Coolant is leaving this sump now. {why} It may be on the floor, and the pump may soon run "
        "dry. If the sump is being emptied on purpose, acknowledge with that comment.",
        steps=(
            "Go there now. " + _FLOOR,
            "Stop the coolant pump at the machine if coolant runs out.",
            "Look for a burst hose, an open drain valve, a transfer or skimmer pump that runs.",
            "Nothing wet and the level full: the sensor is wrong (foam, a hanging float). Look at it.",
            "Top off only after the concentration has been read.",
        ),
        cautions=_CAUTIONS,
    )


def _litres(evidence: Evidence, key: str) -> str:
    litres = number(evidence, key)
    return f"{litres:.0f} L" if abs(litres) >= 10 else f"{litres:.1f} L"


def _maybe(evidence: Evidence, key: str) -> str:
    return "not known" if evidence.get(key) is None else _litres(evidence, key)
