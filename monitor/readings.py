"""The nouns that travel: what arrives, what is judged, what comes of it.

Nothing here knows a wire, a store or a clock. All times are UTC milliseconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, IntFlag, StrEnum
from typing import Literal

from pydantic import JsonValue

Evidence = Mapping[str, JsonValue]


# Before this (2026-01-01 UTC) the gateway has no clock yet: it has just booted without a clock chip.
CLOCK_TRUSTED_FROM_MS = 1_767_225_600_000


class Level(IntEnum):
    """How far a value may be trusted; the three severities of OPC UA Part 8."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class Reason(IntFlag):
    """Why a value is less than good. Stored as bits: give new reasons new bits, never reuse one."""

    NONE = 0
    TIME_UNKNOWN = 1 << 0  # redelivered, retained or drained from a broker, without a time of its own
    NO_TEMPERATURE = 1 << 1  # compensation wanted, no usable temperature
    JUMP = 1 << 2  # far from the last value, not yet confirmed by the next
    FLAT = 1 << 3  # unchanged for longer than the instrument's noise explains
    GATE_UNKNOWN = 1 << 4  # nothing trustworthy says whether water flows
    INPUT_UNCERTAIN = 1 << 5  # computed from an uncertain input
    OUTSIDE_METHOD = 1 << 6  # the compensation is not valid at this temperature: left uncompensated
    COUNT_BROKEN = 1 << 7  # a counter was set back or ran faster than it can: some litres are not known
    OVER_RANGE = 1 << 8
    UNDER_RANGE = 1 << 9
    IMPLAUSIBLE = 1 << 10  # physically impossible for this quantity
    CLOCK = 1 << 11  # the time it carries cannot be true
    DEVICE_FAULT = 1 << 12  # the instrument itself says so
    AFTERWARDS = 1 << 13  # judged when a short run, or a day without a flow signal, was over
    BY_TIME = 1 << 14  # no flow meter to go by: a contact or the value's own course says when water ran
    CONTRADICTED = 1 << 15  # other instruments show that it cannot be: a flow of zero while water is made
    NOISY = 1 << 16  # swings to and fro by more than the instrument's accuracy explains

    # A dozen times at each reading: a set made before is looked up, not made again.
    def __and__(self, other: int) -> Reason:
        return _REASONS[int.__and__(self, other)]

    def __or__(self, other: int) -> Reason:
        return _REASONS[int.__or__(self, other)]


class _Reasons(dict[int, Reason]):
    def __missing__(self, bits: int) -> Reason:
        made = self[bits] = Reason(bits)
        return made


_REASONS = _Reasons()

_BAD = (
    Reason.OVER_RANGE
    | Reason.UNDER_RANGE
    | Reason.IMPLAUSIBLE
    | Reason.CLOCK
    | Reason.DEVICE_FAULT
    | Reason.CONTRADICTED
)


def level_of(reasons: Reason) -> Level:
    """The worst severity among the reasons; good when there is none."""
    if not reasons:
        return Level.GOOD
    return Level.BAD if reasons & _BAD else Level.UNCERTAIN


def words(reasons: Reason) -> list[str]:
    """The reasons as words, in the order of their bits (`over range`, `time unknown`)."""
    return [reason.name.lower().replace("_", " ") for reason in Reason if reason & reasons and reason.name]


class Bound(IntEnum):
    """What a value out of the instrument's range still says: the true one is at least, or at most, this."""

    EXACT = 0
    AT_LEAST = 1
    AT_MOST = 2


class Standing(IntEnum):
    """What a Reading may be used for."""

    JUDGED = 0  # in order, time known, the water being made
    GATED = 1  # in order, but in standing or flushing water
    LATE = 2  # not later than the last one in order: stored and counted only
    TIME_UNKNOWN = 3
    BAD_TIME = 4


class Status(IntFlag):
    """What the wire says about a Sample."""

    OK = 0
    REDELIVERED = 1  # MQTT DUP
    RETAINED = 2
    DRAINED = 4  # queued by the broker while we were away
    DEVICE_FAULT = 8
    OVER_RANGE = 16  # the instrument says so: the true value is at least this
    UNDER_RANGE = 32
    DERIVED = 64  # no wire's: the watch computed it of other channels, and would compute it again

    def __and__(self, other: int) -> Status:
        return _STATUSES[int.__and__(self, other)]

    def __or__(self, other: int) -> Status:
        return _STATUSES[int.__or__(self, other)]


class _Statuses(dict[int, Status]):
    def __missing__(self, bits: int) -> Status:
        made = self[bits] = Status(bits)
        return made


_STATUSES = _Statuses()


# Such a Sample was sent some unknown time before it arrived: without a time of its own nobody knows when.
DELIVERED_LATE = Status.REDELIVERED | Status.RETAINED | Status.DRAINED


@dataclass(frozen=True, slots=True)
class Sample:
    """One value as received, in the instrument's own unit."""

    channel: str
    value: float
    arrival_ms: int
    time_ms: int | None = None  # the time the payload carries, if it carries one
    status: Status = Status.OK


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole minute of the clock has begun."""

    time_ms: int


@dataclass(frozen=True, slots=True)
class OperatorAction:
    """What a person did, taken from the inbox.

    `acknowledge`, `reset`, `shelve`, `unshelve`: `target` is an alarm's condition, the first two optionally
    with `#occurrence`; a shelf ends at `until_ms`, or before when the condition clears (`once`).
    `out-of-service`, `in-service`: `target` is a rule, an alarm's condition, or a stage, point, sump,
    instrument or channel, whose alarms are kept back until `until_ms`. `event`: something was
    done to the plant; `event` names it (`resin-change`, `regeneration`, `filter-change`: an id of the shop's
    own choice), `target` is the stage, sump, coolant or instrument it was done to, and `value` how much it
    was where the event carries an amount (`plant/events.py`: litres, a grade). `reading`: a `value` read by
    eye from the channel `target`, in the channel's unit. `time_ms` is when it was done, so an event or a
    reading may be told later than that (`told_ms`).
    """

    time_ms: int
    action: Literal[
        "acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service", "event", "reading"
    ]
    target: str
    by: str
    comment: str = ""
    inbox_id: int = 0
    event: str = ""
    value: float = 0.0
    told_ms: int = 0
    until_ms: int = 0
    once: bool = False


@dataclass(frozen=True, slots=True)
class StoreReplaced:
    """The store is another one than before: a damaged file was set aside and an empty one begun, or a backup
    was put back.

    Occurrences of alarms are numbered from beyond `numbers_after`, so that none bears the name of another
    that people were told of before.
    """

    time_ms: int
    what: Literal["set-aside", "restored"]
    file: str  # the name of the file that was in use before
    detail: str  # what was found, or what was put back
    numbers_after: int


@dataclass(frozen=True, slots=True)
class Stamp:
    """The own time of a Sample whose Reading no rule is shown: it is late, or cannot be true.

    It tells of the instrument's clock. Its Reading need not be stored (a clock that stands still gives the
    time of one that is), so it stands in the stream by itself; now and then is enough.
    """

    time_ms: int  # when it arrived
    channel: str
    own_ms: int


Event = Sample | Tick | OperatorAction | StoreReplaced | Stamp


@dataclass(frozen=True, slots=True)
class Reading:
    """A Sample conditioned: in the quantity's canonical unit, with its quality."""

    channel: str
    time_ms: int
    arrival_ms: int
    raw: float
    value: float
    reasons: Reason
    bound: Bound
    standing: Standing
    status: Status = Status.OK
    own_time: bool = True  # the payload carried the time

    @property
    def level(self) -> Level:
        return level_of(self.reasons)

    @property
    def ordered(self) -> bool:
        """It may be shown to the rules."""
        return self.standing <= Standing.GATED

    @property
    def usable(self) -> bool:
        """It says something about the water being made: in order, gate not closed, not bad."""
        return self.standing == Standing.JUDGED and self.level != Level.BAD

    @property
    def again(self) -> bool:
        """It was shown before, as gated, and is judged now that its run or day is over."""
        return bool(self.reasons & Reason.AFTERWARDS)


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule's opinion on one condition at one time."""

    condition: str  # what may become an alarm: the rule's id, or `rule/channel`
    subject: str  # channel, stage or sump it speaks about
    holds: bool
    time_ms: int
    since_ms: int
    confidence: float  # 0..1
    evidence: Evidence
    priority: Priority | None = None  # of this condition just now; the rule's where it says nothing
    grade: int = 0  # how bad, in steps: one more is materially worse
    rests_on: tuple[str, ...] | None = None  # channels whose values it is made of; None: those of its rule
    distrusts: tuple[str, ...] = ()  # channels whose values mean nothing while it holds
    matter: str = ""  # what it is about, where more than one rule may tell the same
    speaks_for: tuple[str, ...] = ()  # matters that are told with it: one cause, one voice


class AlarmState(StrEnum):
    """States of IEC 62682 / ISA-18.2 that an alarm can be in."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    # Kept back: it goes on beneath, and nobody is told.
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


Priority = Literal["high", "medium", "low"]
Cause = Literal[
    "raised",
    "worse",
    "chattering",
    "reminder",
    "burst",
    "returned",
    "acknowledged",
    "reset",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "out-of-service",
    "in-service",
]


@dataclass(frozen=True, slots=True)
class Silence:
    """Why an alarm is kept back: by whom (of a suppression: by which alarm), why, and until when."""

    by: str
    why: str
    since_ms: int
    until_ms: int = 0  # 0: for as long as what suppresses it stands
    once: bool = False  # a shelf that also ends when the condition clears
    covers: Priority = "high"  # a shelf ends for an alarm of a higher priority than this


@dataclass(frozen=True, slots=True)
class Transition:
    """An alarm went from one state to another, and why."""

    condition: str
    occurrence: int  # counts the times this condition became an alarm, from 1
    step: int  # counts the transitions of one occurrence, from 1
    cause: Cause
    state: AlarmState
    time_ms: int
    since_ms: int
    priority: Priority
    rule_kind: str
    subject: str
    confidence: float
    evidence: Evidence
    by: str = ""
    comment: str = ""
    beneath: AlarmState | None = None  # while it is kept back: what it would be if it were not
    silence: Silence | None = None  # while it is kept back: why

    @property
    def key(self) -> str:
        """Unique for ever: `condition#occurrence.step`."""
        return f"{self.condition}#{self.occurrence}.{self.step}"


@dataclass(frozen=True, slots=True)
class Notice:
    """A person is owed word of one transition, or a report, by one of their ways of delivery."""

    transition: str  # Transition.key, or Report.key
    person: str
    way: int  # index into that person's ways of delivery


@dataclass(frozen=True, slots=True)
class Count:
    """Something was refused, flagged or set aside: shown by `goodwater status`."""

    what: str  # a short slug: `late`, `duplicate`, `conflict`, `unknown-topic`, `not-a-number` ...
    subject: str  # channel, topic or port
    time_ms: int
    detail: str = ""
    n: int = 1


@dataclass(frozen=True, slots=True)
class Wording:
    """What a rule kind says of its evidence: sentences for a person, made when a message is delivered."""

    first_line: str  # readable on a lock screen: what, where, how bad
    facts: tuple[tuple[str, str], ...]  # label, value with unit
    meaning: str
    steps: tuple[str, ...]  # in the order a technician would take them
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Owed:
    """A row of the outbox that is due: a notice with the transition it tells of."""

    id: int
    message_id: str  # stable: the same row always carries the same Message-ID
    notice: Notice
    transition: Transition
    attempts: int  # made so far
    owed_ms: int  # when the row was written; how long it has been owed decides when to give up

    @property
    def key(self) -> str:
        """What it is about: the transition's own key."""
        return self.transition.key


@dataclass(frozen=True, slots=True)
class Report:
    """A report that people asked for, as figures; text and pictures are made when it is delivered."""

    kind: Literal["digest"]
    period: str  # an ISO week, `2031-W07`
    time_ms: int  # when it was made
    body: Evidence

    @property
    def key(self) -> str:
        """Unique for ever: one report of a kind a period. No transition's key, which holds a `#`."""
        return f"{self.kind}/{self.period}"


@dataclass(frozen=True, slots=True)
class OwedReport:
    """A row of the outbox that is due: a notice of a report. As `Owed` otherwise."""

    id: int
    message_id: str
    notice: Notice  # its `transition` is the report's key
    report: Report
    attempts: int
    owed_ms: int

    @property
    def key(self) -> str:
        """What it is about: the report's own key."""
        return self.report.key


@dataclass(frozen=True, slots=True)
class MadeReport:
    """A report that was just made, and who is owed it."""

    report: Report
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class DeliveryResult:
    """What became of one attempt; the writer puts it into the outbox."""

    owed_id: int
    time_ms: int
    outcome: Literal["delivered", "failed", "given-up"]
    detail: str = ""
    retry_ms: int = 0  # when to try again, for "failed"
