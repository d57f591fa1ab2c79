"""What a message about a sump's loss needs to know: numbers with units, rounded as they are shown."""

from __future__ import annotations

from monitor.plant.model import Sump
from monitor.readings import Evidence
from monitor.rules.loss.balance import Books, Day, Geometry
from monitor.rules.loss.burst import Fast
from monitor.rules.loss.judgement import (
    QUESTION_DAYS,
    THRESHOLD,
    Question,
    Sums,
    Usual,
    days_to_tell,
    most_evaporated_l_m2,
    weight,
)


def of_loss(
    sump: Sump,
    geometry: Geometry,
    books: Books,
    sums: Sums,
    own: Usual | None,
    asked: Question | None,
    extra: float,
    since_ms: int,
) -> Evidence:
    """Evidence of a slow loss, or of there being none."""
    days = books.days[-QUESTION_DAYS:]
    hours = sum(d.hours for d in days)
    on_h = 24 * sum(d.on_h for d in days) / hours if hours else 0.0
    counted = sums.hours > 0 and sums.holds
    now_l_d = 24 * sums.lost_l / sums.hours if counted else 24 * sum(d.lost_l for d in days) / max(hours, 1)
    usual_l_d = None
    if own is not None:
        expected_l = sums.expected_l if counted else sum(own.expected_l(d) for d in days)
        usual_l_d = round(24 * expected_l / max(sums.hours if counted else hours, 1.0), 1)
    since = tuple(d for d in books.days if d.end_ms > since_ms) if counted else days
    standing = _standing(since or days)
    return {
        "sump": sump.label,
        "basis": "own past" if sums.holds else "neighbours and physics",
        "lost_l_d": round(now_l_d, 1),
        "usual_l_d": usual_l_d,
        "extra_l": round(sums.lost_l - sums.expected_l, 0) if counted else None,
        "since_ms": since_ms,
        "days": sums.days if counted else len(days),
        "known_days": 0 if own is None else own.days,
        "weight": round(weight(sums), 2),
        "standing_too": sums.night >= 0.5 * THRESHOLD if counted else bool(asked and asked.standing),
        "standing_l_d": None if standing is None else round(standing, 1),
        "standing_usual_l_d": None if own is None else round(24 * own.idle_l_h, 1),
        "neighbours": 0 if asked is None else asked.neighbours,
        "neighbours_l_d": None if asked is None else round(asked.neighbours_l_m2 * geometry.l_per_mm, 1),
        "own_here_l_d": None if asked is None else round(asked.own_l_m2 * geometry.l_per_mm, 1),
        "most_evaporated_l_d": round(most_evaporated_l_m2(on_h) * geometry.l_per_mm, 0),
        "step_l": round(geometry.step_l, 1),
        "days_to_tell": None if own is None else _finite(days_to_tell(own, extra, on_h)),
        "refilled_l": round(sum(d.refilled_l for d in days), 0),
        "pump_known": geometry.has_pump,
        "not_judged": books.not_judged,
    }


def of_burst(sump: Sump, geometry: Geometry, fast: Fast, books: Books, level_mm: float) -> Evidence:
    """Evidence of a fast fall, or of there being none."""
    minutes = (fast.recent[-1][0] - fast.since_ms) / 60_000 if fast.holds and fast.recent else 0.0
    lost_l = max(fast.from_mm - level_mm, 0.0) * geometry.l_per_mm if fast.holds else 0.0
    circulation_l = books.in_circulation_l
    return {
        "sump": sump.label,
        "burst": True,
        "lost_l": round(lost_l, 0),
        "minutes": round(minutes, 0),
        "level_mm": level_mm,
        "settled": fast.settled,
        "pump": None if books.pump_on is None else ("running" if books.pump_on else "standing"),
        "circulation_l": None if circulation_l is None else round(circulation_l, 0),
        "volume_l": round(sump.volume_l, 0),
    }


def _standing(days: tuple[Day, ...]) -> float | None:
    hours = sum(d.idle_h for d in days)
    return 24 * sum(d.idle_l for d in days) / hours if hours >= 6 else None


def _finite(days: float) -> float | None:
    return round(days, 0) if days < 1000 else None
