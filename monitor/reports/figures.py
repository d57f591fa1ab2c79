"""What a digest says, as plain figures: what is stored, and what text, page, pictures and JSON are made of.

Values are in the canonical unit of their quantity, times in UTC milliseconds, shares from 0 to 1. None means
that it is not known; nothing is guessed to fill a column.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from pydantic import JsonValue, TypeAdapter

FORMAT = "goodwater.digest/1"

# One word for an instrument, the worst that holds; in this order. What each asks for is in `verdict`.
Verdict = Literal[
    "silent",
    "faulty",
    "off-scale",
    "stuck",
    "drifting",
    "gaps",
    "spiky",
    "doubtful",
    "overdue",
    "unjudged",
    "fine",
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)

# One character an hour of the week, worst quality that a tenth of its readings or more had.
HOUR_GOOD, HOUR_UNCERTAIN, HOUR_BAD, HOUR_NOTHING = "g", "u", "b", "."


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time."""

    from_ms: int
    to_ms: int

    @property
    def hours(self) -> float:
        return (self.to_ms - self.from_ms) / 3_600_000


@dataclass(frozen=True, slots=True)
class Against:
    """A channel held against another one of the same water: its partner, or what was read by hand."""

    what: str  # the other's name
    difference: float  # this one less the other
    before: float | None  # the same in the weeks before; None where they are not known
    tolerance: float | None  # what both instruments' accuracy explains; None where no sheet gives it
    at_ms: int | None = None  # of a hand reading: when

    @property
    def exceeds(self) -> bool:
        """Whether the difference, or how it changed, is more than the instruments' accuracy explains."""
        if self.tolerance is None or self.tolerance <= 0.0:
            return False
        moved = 0.0 if self.before is None else abs(self.difference - self.before)
        return max(abs(self.difference), moved) > self.tolerance


@dataclass(frozen=True, slots=True)
class Course:
    """A channel's week in points of equal width; hidden extremes: none."""

    starts_ms: tuple[int, ...]
    low: tuple[float, ...]
    mean: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ChannelWeek:
    """One channel of an instrument."""

    id: str
    name: str
    quantity: str
    readings: int
    availability: float
    gaps: tuple[Span, ...]  # the longest few, by time
    gap_count: int
    good: float | None  # None where there was no reading
    uncertain: float | None  # None where readings are no longer kept: then `good` alone is known
    bad: float | None
    reasons: tuple[tuple[str, float], ...]  # reason, share of all readings; the most frequent first
    stuck: tuple[Span, ...]
    spiky: tuple[Span, ...]
    judged: int  # readings that say something of the water being made
    last_ms: int | None
    low: float | None
    mean: float | None
    high: float | None
    noise: float | None  # the usual spread within an hour
    noise_usual: float | None  # the same in the four weeks before
    partner: Against | None
    hand: Against | None
    hours: str
    course: Course

    @property
    def stuck_h(self) -> float:
        return sum(span.hours for span in self.stuck)

    @property
    def spiky_h(self) -> float:
        return sum(span.hours for span in self.spiky)

    def share_of(self, *reasons: str) -> float:
        """Of its readings, those that bear one of the reasons, counted for each."""
        return sum(share for reason, share in self.reasons if reason in reasons)

    @property
    def noise_ratio(self) -> float | None:
        """How many times its usual noise; None where either is not known."""
        if self.noise is None or not self.noise_usual:
            return None
        return self.noise / self.noise_usual


@dataclass(frozen=True, slots=True)
class Extra:
    """Battery or signal of an instrument that reports it."""

    name: str
    quantity: str
    lowest: float
    last: float


@dataclass(frozen=True, slots=True)
class InstrumentWeek:
    """One instrument."""

    id: str
    name: str
    place: str
    verdict: Verdict
    why: str
    action: str
    channels: tuple[ChannelWeek, ...]
    calibrated_ms: int | None
    calibration_due_ms: int | None
    extras: tuple[Extra, ...]

    @property
    def hours(self) -> str:
        """The worst of its channels in each hour."""
        return worst_hours([channel.hours for channel in self.channels])

    @property
    def availability(self) -> float:
        return min((channel.availability for channel in self.channels), default=0.0)

    def share(self, level: Literal["good", "uncertain", "bad"]) -> float | None:
        """Of all readings of its channels; None where it is not known."""
        parts = [(getattr(channel, level), channel.readings) for channel in self.channels if channel.readings]
        if not parts or any(share is None for share, _ in parts):
            return None
        return float(sum(share * n for share, n in parts) / sum(n for _, n in parts))


_WORST = {HOUR_BAD: 3, HOUR_NOTHING: 2, HOUR_UNCERTAIN: 1, HOUR_GOOD: 0}


def worst_hours(strips: list[str]) -> str:
    """The worst of several strips, hour by hour: bad, nothing, uncertain, good."""
    return "".join(max(hours, key=_WORST.__getitem__) for hours in zip(*strips, strict=True))


@dataclass(frozen=True, slots=True)
class PointWeek:
    """The water at one point of the train."""

    id: str
    name: str
    made: bool  # the last treated water whose quality is measured: the water the shop makes
    metered: bool  # the last treated water whose litres are: as much as the shop makes
    litres: float | None
    litres_before: float | None
    litres_by: str  # the meter; empty where there is none
    quality: str  # channel
    quantity: str
    mean: float | None
    mean_before: float | None
    worst: float | None  # of the hours' means
    worst_ms: int | None
    weighted_by: Literal["litres", "running time", "readings", ""]


@dataclass(frozen=True, slots=True)
class TrendWeek:
    """A derived channel of the membrane: this week's mean, the last one's, and that of four weeks ago."""

    id: str
    name: str
    quantity: str
    now: float | None
    before: float | None
    month_ago: float | None


@dataclass(frozen=True, slots=True)
class LifeWeek:
    """How far a resin bed or a softener is through what it usually gives."""

    stage: str
    name: str
    quantity: str
    since: str  # the event it is counted from
    used: float
    used_this_week: float | None
    usual: float | None  # median of its earlier lives; None while none was seen
    lives: int

    @property
    def left(self) -> float | None:
        return None if self.usual is None else max(self.usual - self.used, 0.0)

    @property
    def weeks_left(self) -> float | None:
        if self.left is None or not self.used_this_week:
            return None
        return self.left / self.used_this_week


@dataclass(frozen=True, slots=True)
class Latest:
    """The last value of something measured or read by hand."""

    name: str
    quantity: str
    value: float
    at_ms: int
    before: float | None  # the last one of the week before


@dataclass(frozen=True, slots=True)
class SumpWeek:
    """One sump. Losses are those of the accounts that the rule `loss` keeps."""

    id: str
    name: str
    make_up: float | None  # litres; None where nothing tells
    make_up_by: tuple[str, ...]
    lost: float | None  # litres in the days that could be accounted for
    lost_before: float | None
    accounted_h: float  # hours of the week with an account
    accounted_h_before: float
    drawn_off: float
    minerals: tuple[Latest, ...]
    mineral_limit: float | None  # as CaCO3, from the coolant's sheet
    noticed: tuple[tuple[str, float], ...]  # smell, tramp oil: the worst grade logged
    checks_done: int
    checks_due: int


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm, in the words of its message."""

    name: str
    first_line: str
    priority: str
    since_ms: int
    state: str


@dataclass(frozen=True, slots=True)
class AlarmsWeek:
    """The week's alarms."""

    raised: Mapping[str, int]  # by priority
    raised_before: Mapping[str, int]
    acknowledged: int
    minutes_to_acknowledge: float | None  # median
    longest_to_acknowledge: float | None
    never_acknowledged: int  # raised in the week, and nobody has by its end
    chattering: tuple[tuple[str, str, int], ...]  # condition, first line, times raised
    standing: tuple[AlarmLine, ...]  # at the end of the week, oldest first
    shelved: tuple[AlarmLine, ...]
    given_up: int  # messages that reached nobody


@dataclass(frozen=True, slots=True)
class Change:
    """What is otherwise than a week before. `need`: a person should look."""

    need: bool
    text: str


@dataclass(frozen=True, slots=True)
class Digest:
    """One week of one shop."""

    site_id: str
    site: str
    zone: str
    week: str
    from_ms: int
    to_ms: int
    made_ms: int
    not_watched: tuple[Span, ...]
    changes: tuple[Change, ...]
    instruments: tuple[InstrumentWeek, ...]
    points: tuple[PointWeek, ...]
    trends: tuple[TrendWeek, ...]
    lives: tuple[LifeWeek, ...]
    sumps: tuple[SumpWeek, ...]
    checks_done: int
    checks_due: int
    alarms: AlarmsWeek
    format: str = FORMAT

    @property
    def needing(self) -> tuple[InstrumentWeek, ...]:
        """The instruments that are not fine, worst first."""
        not_fine = [one for one in self.instruments if one.verdict != "fine"]
        return tuple(sorted(not_fine, key=lambda one: VERDICTS.index(one.verdict)))

    @property
    def made(self) -> PointWeek | None:
        """The water that the shop makes."""
        return next((point for point in self.points if point.made), None)

    @property
    def metered(self) -> PointWeek | None:
        """Where the litres it makes are metered."""
        return next((point for point in self.points if point.metered), None)


_ADAPTER: TypeAdapter[Digest] = TypeAdapter(Digest)


def as_json(digest: Digest) -> dict[str, JsonValue]:
    """The digest as JSON holds it."""
    found: dict[str, JsonValue] = _ADAPTER.dump_python(digest, mode="json")
    return found


def from_json(body: Any) -> Digest:
    """The digest of its JSON.

    Raises: pydantic.ValidationError when it is none, or of another version.
    """
    return _ADAPTER.validate_python(body)
