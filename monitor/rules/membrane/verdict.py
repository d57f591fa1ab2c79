"""What the courses of flow, passage and pressure drop mean together: clean, replace, ask, or nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from monitor.readings import Evidence
from monitor.rules.course import Course, Doubt
from monitor.rules.membrane.days import Track, course_of, latest

NAMES = ("flow", "passage", "drop")
# The direction that is a membrane's decline.
WORSE: Mapping[str, int] = {"flow": -1, "passage": 1, "drop": 1}
# What was told is over at this share of what it took.
_HELD = 0.7
# Steps of an instrument's last digit below which nothing has moved.
_COUNTS = 3.0
# While the reference is young, and as a question afterwards: against the start-up of the derived channel.
# Half its flow again, or less than 70 %, is no scatter of elements (makers allow 15 to 20 %; common practice,
# no source); no sound membrane of a small unit passes more than 20 % (as in rule creep).
_LEAST_OF_START, _MOST_OF_START, _ASKED_BELOW, _ASKED_ABOVE = 0.70, 1.50, 0.85, 1.20
_PASSAGE_BROKEN_PCT = 20.0

# Flow, passage and drop: 1 risen, -1 fallen, 0 neither, None not known. The reading of the three together is
# common practice of the trade; sources agree on the table, and on its being no proof.
PATTERNS: Mapping[str, tuple[tuple[int | None, ...], ...]] = {
    "scaling": ((-1, 1, 1), (-1, 1, 0)),
    "fouling": ((-1, 0, 1), (-1, -1, 1), (0, 0, 1), (0, -1, 1)),
    "film": ((-1, 0, 0), (-1, -1, 0)),
    "oxidation": ((1, 1, 0), (1, 1, -1)),
    "seal": ((0, 1, 0), (0, 1, -1)),
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One of the three as the site has it."""

    name: str  # flow, passage or drop
    channel: str
    what: str
    quantity: str
    threshold: float  # share of change that asks for a cleaning
    told: bool  # by itself; the others only help to tell what it is
    doubt: Doubt
    resolution: float  # of the instrument it is computed of; 0 where that is not known
    start: float | None  # the start-up entered with the derived channel


@dataclass(frozen=True, slots=True)
class Told:
    """What was told last: it takes less to go on saying it than to begin."""

    clean: bool = False
    check: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be told now."""

    courses: Mapping[str, Course | None]
    over: tuple[str, ...]  # those that ask for a cleaning
    patterns: tuple[str, ...]
    impossible: str  # what no sound membrane does: flow, passage or drop
    check: str  # rose, fell-drop, start-up
    suspect: str = ""

    @property
    def clean(self) -> bool:
        return bool(self.over or self.impossible)


def judge(
    measured: Mapping[str, Measured], tracks: Mapping[str, Track], told: Told, most_drop: float | None
) -> Verdict:
    """The verdict on the days so far."""
    courses = {name: course_of(tracks[name], one.doubt) for name, one in measured.items()}
    held = _HELD if told.clean else 1.0
    usual = {
        name: 1.0 if (r := track.reference) is None else math.exp(r.index) for name, track in tracks.items()
    }
    over = [
        name for name in NAMES if name in measured and _over(measured[name], courses[name], usual[name], held)
    ]
    moved = {name: _direction(courses.get(name)) for name in NAMES}
    if (moved["flow"], moved["passage"]) == (1, 1) and "flow" in measured:
        # More water and more salt: no cleaning helps, but it is a membrane's and must be told.
        gained = courses["flow"]
        if gained is not None and gained.change >= held * measured["flow"].threshold:
            over.append("flow")
    impossible = _impossible(measured, tracks, courses, most_drop)
    check, suspect = _check(measured, tracks, courses, moved, told)
    clean = bool(over or impossible)
    return Verdict(
        courses, tuple(over), _patterns(moved), impossible, "" if clean else check, "" if clean else suspect
    )


def _over(one: Measured, found: Course | None, usual: float, held: float) -> bool:
    if not one.told or found is None or found.direction != WORSE[one.name]:
        return False
    return abs(found.change) >= held * max(one.threshold, _COUNTS * one.resolution / usual)


def _direction(found: Course | None) -> int | None:
    return None if found is None else found.direction


def _patterns(moved: Mapping[str, int | None]) -> tuple[str, ...]:
    """All that agree with what is known; none when nothing has moved."""
    seen = tuple(moved[name] for name in NAMES)
    if not any(seen):
        return ()
    return tuple(
        pattern
        for pattern, cases in PATTERNS.items()
        if any(all(s is None or s == c for s, c in zip(seen, case, strict=True)) for case in cases)
    )


def _impossible(
    measured: Mapping[str, Measured],
    tracks: Mapping[str, Track],
    courses: Mapping[str, Course | None],
    most_drop: float | None,
) -> str:
    """What physics and the start-up say, with or without a reference of its own."""
    now = {name: latest(tracks[name]) for name in measured}
    passage, drop, flow = now.get("passage"), now.get("drop"), now.get("flow")
    if passage is not None and passage > _PASSAGE_BROKEN_PCT and "passage" in _told(measured):
        return "passage"
    if drop is not None and most_drop is not None and drop > most_drop:
        return "drop"
    start = measured["flow"].start if "flow" in measured else None
    young = courses.get("flow") is None
    if young and flow is not None and start is not None and flow < _LEAST_OF_START * start:
        return "flow"
    return ""


def _told(measured: Mapping[str, Measured]) -> set[str]:
    return {name for name, one in measured.items() if one.told}


def _check(
    measured: Mapping[str, Measured],
    tracks: Mapping[str, Track],
    courses: Mapping[str, Course | None],
    moved: Mapping[str, int | None],
    told: Told,
) -> tuple[str, str]:
    """What is to be looked at before anything can be told of the membrane, and the channel it is about."""
    for name, check, way in (("flow", "rose", 1), ("drop", "fell", -1)):
        found, held = courses.get(name), _HELD if told.check == check else 1.0
        if moved[name] == way and found is not None and abs(found.change) >= held * measured[name].threshold:
            return check, measured[name].channel
    flow = measured.get("flow")
    if flow is not None and flow.start is not None and tracks["flow"].reference is not None:
        usual = math.exp(tracks["flow"].reference.index) / flow.start
        if not _ASKED_BELOW <= usual <= _ASKED_ABOVE:
            return "start-up", flow.channel
    return "", ""


def confidence(verdict: Verdict) -> float:
    """How sure it is the membrane: less with one sign than with two that agree; never certain."""
    if verdict.impossible:
        return 0.8
    signs = sum(
        1 for name in NAMES if (found := verdict.courses.get(name)) is not None and found.direction != 0
    )
    sure = all(found.sure for found in verdict.courses.values() if found is not None)
    return (0.9 if signs > 1 else 0.75) if sure else 0.6


def since_of(verdict: Verdict) -> int:
    """Ordinal of the day the first of those that ask began to move; 0 when none did."""
    days = [found.since for name in verdict.over if (found := verdict.courses.get(name)) is not None]
    return min((day for day in days if day), default=0)


def evidence_of(
    measured: Mapping[str, Measured], tracks: Mapping[str, Track], verdict: Verdict
) -> dict[str, Any]:
    """The numbers a message is made of."""
    return {
        "over": list(verdict.over),
        "patterns": list(verdict.patterns),
        "impossible": verdict.impossible,
        "not_known": [name for name in NAMES if verdict.courses.get(name) is None],
        "measured": {name: _of(one, tracks[name], verdict.courses[name]) for name, one in measured.items()},
    }


def _of(one: Measured, track: Track, found: Course | None) -> Evidence:
    told: dict[str, Any] = {
        "what": one.what,
        "quantity": one.quantity,
        "value": latest(track),
        "start": one.start,
        "threshold_pct": 100.0 * one.threshold,
        "usual": None,
    }
    if found is None or track.reference is None:
        return told
    rate = found.rate
    return told | {
        "usual": math.exp(track.reference.index),
        "usual_days": track.reference.days,
        "learned_until": date.fromordinal(track.reference.until).isoformat(),
        "change_pct": 100.0 * found.change,
        "doubt_pct": 100.0 * found.doubt,
        "direction": found.direction,
        "since": date.fromordinal(found.since).isoformat() if found.since else None,
        "days": found.days,
        "rate_pct_week": None if rate is None else 100.0 * rate.a_week,
        "rate_low_pct_week": None if rate is None else 100.0 * rate.low,
        "rate_high_pct_week": None if rate is None else 100.0 * rate.high,
        "sigma_pct": 100.0 * track.reference.sigma,
        "phi": track.reference.phi,
    }
