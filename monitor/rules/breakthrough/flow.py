"""Litres through a bed, whether its water is being made, and what is left to judge by when the meter is dead.

Used by `breakthrough` alone. A flow that reads nothing while a run contact says that water runs is a dead
meter: time counts then. Without a contact the lowest readings of a day tell, since standing water is worse.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.frozen import replace
from monitor.readings import Bound, Level, Reading, Reason, Standing

DAY_MS = 86_400_000
# Between two values further apart than this no more is counted than this: the meter was away.
_LONGEST_STEP_MS = 600_000
# A channel without a gate of its own is judged once water has run so long; a contact is believed over the
# meter once it has said so for as long.
SETTLED_MS = 600_000
# A flow or contact older than this says nothing.
_TRUSTED_MS = 1_800_000
_USUAL_SHARE = 0.05
_DAYS_KEPT = 28
# The lowest readings of a day: the one after the first three, since a few may be dropouts.
_LOWEST = 4
_UNHEARD_MS = 36 * 3_600_000


@dataclass(frozen=True, slots=True)
class Counter:
    """Litres since the resin was changed, and what says that water runs."""

    litres: float = 0.0
    flow_ms: int = 0
    flow_l_min: float = 0.0
    flowing_since_ms: int | None = None
    usual_l_min: float | None = None
    contact_ms: int = 0
    contact_since_ms: int | None = None
    day: int = 0
    today_l: float = 0.0
    days_l: tuple[float, ...] = ()  # whole days, the latest last


def on_flow(counter: Counter, flow: Reading, standing_l_min: float) -> Counter:
    """The count after a flow value: between two values the earlier one holds. A bad value counts nothing."""
    if flow.level == Level.BAD:
        return counter
    step_ms = min(max(flow.time_ms - counter.flow_ms, 0), _LONGEST_STEP_MS) if counter.flow_ms else 0
    counter = _plus(counter, flow.time_ms, counter.flow_l_min * step_ms / 60_000)
    if flow.value <= standing_l_min:
        return replace(counter, flow_ms=flow.time_ms, flow_l_min=0.0, flowing_since_ms=None)
    usual = flow.value if counter.usual_l_min is None else counter.usual_l_min
    since = flow.time_ms if counter.flowing_since_ms is None else counter.flowing_since_ms
    return replace(
        counter,
        flow_ms=flow.time_ms,
        flow_l_min=flow.value,
        flowing_since_ms=since,
        usual_l_min=usual + _USUAL_SHARE * (flow.value - usual),
    )


def on_contact(counter: Counter, contact: Reading, rated_l_min: float | None, *, metered: bool) -> Counter:
    """The count after a run contact; litres by the rated or usual flow where no meter counts them."""
    if contact.level == Level.BAD:
        return counter
    step_ms = min(max(contact.time_ms - counter.contact_ms, 0), _LONGEST_STEP_MS) if counter.contact_ms else 0
    flow_l_min = rated_l_min or counter.usual_l_min or 0.0
    if counter.contact_since_ms is not None and (not metered or meter_is_dead(counter, contact.time_ms)):
        counter = _plus(counter, contact.time_ms, flow_l_min * step_ms / 60_000)
    if contact.value < 0.5:
        return replace(counter, contact_ms=contact.time_ms, contact_since_ms=None)
    since = contact.time_ms if counter.contact_since_ms is None else counter.contact_since_ms
    return replace(counter, contact_ms=contact.time_ms, contact_since_ms=since)


def _plus(counter: Counter, time_ms: int, litres: float) -> Counter:
    """More litres, also in the count of the day (UTC); a day nobody counted is left out."""
    day = time_ms // DAY_MS
    if day != counter.day:
        whole = (*counter.days_l, counter.today_l)[-_DAYS_KEPT:] if counter.day else ()
        missed = (0.0,) * min(max(day - counter.day - 1, 0), _DAYS_KEPT) if counter.day else ()
        counter = replace(counter, day=day, today_l=0.0, days_l=(*whole, *missed)[-_DAYS_KEPT:])
    return replace(counter, litres=counter.litres + litres, today_l=counter.today_l + litres)


def use_l_d(counter: Counter) -> float | None:
    """The shop's own use: over whole weeks where there are some, since week-ends differ; None while young."""
    days = (
        counter.days_l[1:] if len(counter.days_l) < _DAYS_KEPT else counter.days_l
    )  # the first is no whole one
    weeks = len(days) // 7
    if weeks:
        return sum(days[-7 * weeks :]) / (7 * weeks)
    return sum(days) / len(days) if len(days) >= 5 else None


def meter_is_dead(counter: Counter, at_ms: int) -> bool:
    """The contact says for long that water runs, and the meter says nothing of it."""
    if counter.contact_since_ms is None or at_ms - counter.contact_since_ms < SETTLED_MS:
        return False
    return counter.flow_l_min == 0.0 or at_ms - counter.flow_ms > _TRUSTED_MS


def made_water(counter: Counter, reading: Reading, settled_ms: int, *, gated: bool) -> str:
    """How a reading is known to be of water being made: "gate", "time", "run", "unknown" or "" for not at
    all.

    "time" is by a contact or the water's own course where the meter is dead or there is none; "run" is the
    last third of a run too short for its gate; "unknown" where nothing says whether water runs and nothing
    could.
    """
    at_ms = reading.time_ms
    if gated and reading.standing == Standing.JUDGED and not reading.reasons & Reason.GATE_UNKNOWN:
        return "time" if reading.reasons & Reason.BY_TIME else "run" if reading.again else "gate"
    runs_since = counter.contact_since_ms if at_ms - counter.contact_ms <= _TRUSTED_MS else None
    if runs_since is not None and at_ms - runs_since >= settled_ms:
        return "time"
    if gated or counter.contact_ms:
        return ""
    if not counter.flow_ms:
        return "unknown"
    fresh = at_ms - counter.flow_ms <= _TRUSTED_MS and counter.flowing_since_ms is not None
    return "gate" if fresh and at_ms - (counter.flowing_since_ms or 0) >= settled_ms else ""


@dataclass(frozen=True, slots=True)
class Lows:
    """The lowest readings of a day, of standing and running water alike, at outlet and inlet."""

    day: int = 0
    outlet: tuple[float, ...] = ()
    inlet: tuple[float, ...] = ()
    accepted_ms: int = 0  # when a reading of made water was last judged
    listening_ms: int = 0


@dataclass(frozen=True, slots=True)
class DayLow:
    """What the lowest readings of a day say, when nothing else could be judged for long."""

    outlet: float
    inlet: float


@dataclass(frozen=True, slots=True)
class LowStep:
    """The lows after a reading, and those of the day that has just ended, if they are needed."""

    lows: Lows
    ended: DayLow | None = field(default=None)


def on_low(lows: Lows, reading: Reading, *, is_outlet: bool) -> LowStep:
    """Take a reading into the lows of its day. Over range counts as the end of the range."""
    if reading.again:
        return LowStep(lows)
    if reading.level == Level.BAD and reading.bound != Bound.AT_LEAST:
        return LowStep(lows)
    day, ended = reading.time_ms // DAY_MS, None
    if not lows.listening_ms:
        lows = replace(lows, listening_ms=reading.time_ms)
    if day != lows.day:
        heard = max(lows.accepted_ms, lows.listening_ms)
        full = len(lows.outlet) == _LOWEST == len(lows.inlet)
        if full and day * DAY_MS - heard > _UNHEARD_MS:
            ended = DayLow(lows.outlet[-1], lows.inlet[-1])
        lows = replace(lows, day=day, outlet=(), inlet=())
    kept = lows.outlet if is_outlet else lows.inlet
    kept = tuple(sorted((*kept, reading.value)))[:_LOWEST]
    return LowStep(replace(lows, outlet=kept) if is_outlet else replace(lows, inlet=kept), ended)
