"""The signs of one sump: concentration against its band, pH against its usual, smell, oil floating on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Literal

from monitor.frozen import replace
from monitor.rules.band import Side, judged
from monitor.rules.sumps import DAY_MS

Sign = Literal["ph", "smell", "oil", "lean"]

# A sign counts for so long; a later look at the same thing takes its place.
SIGN_MS = 21 * DAY_MS
_KEPT = 24
# So many readings make a usual pH.
FEWEST = 4
# Readings this near the usual one are part of it: a slow fall must not become what is usual.
_NEAR = 0.2
# Grades: what a nose that errs writes down is 1, what everybody smells is 2.
A_LITTLE, CLEARLY = 1.0, 2.0


@dataclass(frozen=True, slots=True)
class Looked:
    """The last look at one thing, and the one before it."""

    value: float
    time_ms: int
    before: float | None = None
    before_ms: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """All that is remembered of one sump."""

    looked: Mapping[str, Looked] = field(default_factory=dict)  # `ph`, `strength`, `smell`, `tramp-oil`
    usual_ph: tuple[float, ...] = ()
    first_ph: float | None = None  # the middle of the first readings since the sump was filled
    charged_ms: int = 0
    out: Side = ""  # where its concentration is of its band
    out_ms: int = 0
    likely: bool = False
    likely_ms: int = 0
    asked: tuple[str, ...] = ()  # single signs that are asked about
    asked_ms: int = 0

    @property
    def usual(self) -> float | None:
        """The usual pH; never lower than a slow fall from the first readings has taken it by half a tenth."""
        if len(self.usual_ph) < FEWEST:
            return None
        known = float(median(self.usual_ph))
        return known if self.first_ph is None else max(known, self.first_ph - 0.1)


def looked(seen: Seen, what: str, value: float, time_ms: int) -> Seen:
    """After another look at something; one that is told late and is older than the last says nothing."""
    last = seen.looked.get(what)
    if time_ms < seen.charged_ms or (last is not None and time_ms <= last.time_ms):
        return seen
    now = Looked(value, time_ms) if last is None else Looked(value, time_ms, last.value, last.time_ms)
    seen = replace(seen, looked={**seen.looked, what: now})
    return _learned(seen, value) if what == "ph" else seen


def filled_anew(seen: Seen, time_ms: int) -> Seen:
    """A new charge: nothing that was seen before is of it."""
    return Seen(charged_ms=time_ms) if time_ms > seen.charged_ms else seen


def _learned(seen: Seen, ph: float) -> Seen:
    usual = seen.usual
    if usual is not None and abs(ph - usual) > _NEAR:
        return seen
    known = (*seen.usual_ph, ph)[-_KEPT:]
    first = seen.first_ph
    if first is None and len(known) == FEWEST:
        first = float(median(known))
    return replace(seen, usual_ph=known, first_ph=first)


def signs(seen: Seen, now_ms: int, ph_drop: float) -> dict[Sign, Looked]:
    """The signs that stand now, each with the look that shows it."""
    found: dict[Sign, Looked] = {}
    ph, usual = _fresh(seen, "ph", now_ms), seen.usual
    if ph is not None and usual is not None and usual - ph.value >= ph_drop - 1e-6:
        found["ph"] = ph
    smell = _fresh(seen, "smell", now_ms)
    if smell is not None and smell.value >= A_LITTLE:
        found["smell"] = smell
    oil = _fresh(seen, "tramp-oil", now_ms)
    if oil is not None and oil.value >= CLEARLY:
        found["oil"] = oil
    strength = _fresh(seen, "strength", now_ms)
    if strength is not None and seen.out == "below":
        found["lean"] = strength
    return found


def is_likely(found: Mapping[Sign, Looked]) -> bool:
    """Two together read as likely biology; oil and lean coolant feed it, and are none by themselves. Beside
    those a nose must be sure: clearly, or twice."""
    if "ph" in found:
        return len(found) >= 2
    return len(found) >= 2 and "smell" in found and _is_sure(found["smell"])


def _is_sure(smell: Looked) -> bool:
    return smell.value >= CLEARLY or (smell.before or 0.0) >= A_LITTLE


def asked_about(found: Mapping[Sign, Looked], seen: Seen, ph_drop: float) -> tuple[str, ...]:
    """Single signs worth a second look: none that one reading a little off could make."""
    asked: list[str] = []
    ph, usual = found.get("ph"), seen.usual
    if ph is not None and usual is not None:
        twice = ph.before is not None and usual - ph.before >= 0.8 * ph_drop
        if twice or usual - ph.value >= 2.0 * ph_drop:
            asked.append("ph")
    smell = found.get("smell")
    if smell is not None and _is_sure(smell):
        asked.append("smell")
    oil = found.get("oil")
    if oil is not None and (oil.value > CLEARLY or (oil.before or 0.0) >= CLEARLY):
        asked.append("oil")
    return tuple(asked)


def with_strength(seen: Seen, pct: float, time_ms: int, band: tuple[float, float], error_pct: float) -> Seen:
    """After a concentration: out of its band by more than a reading may err, or twice in a row; inside it
    again in the same way."""
    after = looked(seen, "strength", pct, time_ms)
    if after is seen:
        return seen
    last = after.looked["strength"]
    now = judged(after.out, last.value, last.before, band, error_pct)
    return after if now == after.out else replace(after, out=now, out_ms=time_ms)


def _fresh(seen: Seen, what: str, now_ms: int) -> Looked | None:
    last = seen.looked.get(what)
    return last if last is not None and now_ms - last.time_ms <= SIGN_MS else None
