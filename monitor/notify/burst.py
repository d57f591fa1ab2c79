"""The message about many alarms at once: the likely cause first, then what stands, in the water's way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from monitor.notify.letter import Letter
from monitor.notify.when import local_time
from monitor.plant.model import Plant
from monitor.readings import AlarmState, Priority, Transition, Wording

# What a wire is called, and what to look at when all that it carries falls silent together.
_WIRES = {
    "broker": (
        "broker",
        "the broker and the network between: its power, its cable, whether it was restarted",
    ),
    "port": ("serial port", "the adapter and the cable of the bus: plugged in, its light blinking"),
    "server": ("Modbus host", "the gateway or the instrument that answers there: its power, its network"),
    "logger": ("logger", "whether the logger still writes its files, and whether the folder is still there"),
}


_TOGETHER = (
    "So many alarms at once are told in one message; none is lost, and each can be acknowledged by itself."
)


def burst_letter(told: Transition, plant: Plant, word: Callable[[Transition], Wording]) -> Letter:
    """What a person reads of a burst; `word` puts one of its alarms into words."""
    evidence = told.evidence
    shown = [_member(one, told) for one in _maps(evidence.get("shown"))]
    said = [word(t).first_line for t in shown]
    lines = [(_how(t), f"{line} ({t.condition}#{t.occurrence})") for t, line in zip(shown, said, strict=True)]
    more = int(_number(evidence, "total")) - len(shown)
    first_line, meaning, steps = _cause(told, said[0] if said else "", plant)
    counted = ((f"and {more} more", _kinds(evidence.get("kinds"))),) if more > 0 else ()
    return Letter(
        first_line=first_line,
        facts=(
            ("Stand", f"{_number(evidence, 'standing'):g}, {_number(evidence, 'high'):g} of them high"),
            ("Over again", f"{_number(evidence, 'over'):g}"),
            ("Since", local_time(told.since_ms, plant.site.timezone)),
            *lines,
            *counted,
            ("Site", plant.site.name),
        ),
        meaning=(*meaning, _TOGETHER),
        steps=(*steps, "`goodwater alarms` lists them all."),
        tone=told.priority,
    )


def _cause(told: Transition, first: str, plant: Plant) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """First line, meaning and steps, by the cause that is most likely."""
    evidence, total = told.evidence, f"{_number(told.evidence, 'total'):g}"
    standing, how = _number(evidence, "standing"), told.priority.capitalize()
    if not standing:
        return f"Back to normal: {total} alarms are over", ("None of them stands any more.",), ()
    if "away_from_ms" in evidence:
        zone = plant.site.timezone
        begin, end = (int(_number(evidence, key)) for key in ("away_from_ms", "away_until_ms"))
        minutes = (end - begin) / 60_000
        return (
            f"{how}: {total} alarms after {minutes:.0f} min without watch: a power cut, or a stop",
            (f"Nothing was watched from {local_time(begin, zone)} to {local_time(end, zone)}.",),
            (
                "Look first whether everything that ran has come back: RO, pumps, valves, controllers.",
                "Water made since then may have passed a bed or membrane that stood: check it by hand.",
            ),
        )
    wire = evidence.get("wire")
    if isinstance(wire, dict):
        name, look = _WIRES.get(str(wire.get("kind")), ("wire", "what carries them"))
        return (
            f"{how}: {name} {wire.get('name')}: all its {wire.get('instruments')} instruments are silent",
            ("All instruments of one wire fell silent together: most likely it is the wire.",),
            (f"Look at {look}.",),
        )
    return (
        f"{how}: {total} alarms at once, first: {first}",
        ("They came together and may have one cause. Those nearest to the tap stand first.",),
        ("Begin with the first: what comes later in the water's way often follows from it.",),
    )


def _member(found: Mapping[str, Any], told: Transition) -> Transition:
    """One of its alarms as it stood, so that its rule can put it into words."""
    priority: Priority = found["priority"]
    return Transition(
        condition=str(found["condition"]),
        occurrence=int(found["occurrence"]),
        step=1,
        cause="returned" if found["over"] else "raised",
        state=AlarmState.NORMAL if found["over"] else AlarmState.UNACKNOWLEDGED,
        time_ms=told.time_ms,
        since_ms=told.since_ms,
        priority=priority,
        rule_kind=str(found["rule_kind"]),
        subject=str(found["subject"]),
        confidence=told.confidence,
        evidence=found["evidence"],
    )


def _how(member: Transition) -> str:
    return "over" if member.cause == "returned" else member.priority


def _kinds(found: object) -> str:
    if not isinstance(found, dict):
        return ""
    return "in all: " + ", ".join(f"{n} of {kind}" for kind, n in found.items())


def _maps(found: object) -> list[Mapping[str, Any]]:
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _number(evidence: Mapping[str, object], key: str) -> float:
    found = evidence.get(key)
    return float(found) if isinstance(found, int | float) else 0.0
