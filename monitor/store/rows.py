"""Between the nouns that travel and the rows of the store."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict
from typing import Any, cast

from monitor.readings import (
    AlarmState,
    Bound,
    Cause,
    Priority,
    Reading,
    Reason,
    Sample,
    Silence,
    Standing,
    Status,
    Transition,
)

# `flags` of a reading: the first 16 reasons, then bound, standing, the first four bits of status, own time,
# the bits of status that came later, and the reasons that came later.
_BOUND, _STANDING, _STATUS, _OWN_TIME, _STATUS_MORE, _REASONS_MORE = 16, 18, 21, 25, 26, 32
_REASONS_LOW, _STATUS_LOW, _STATUS_MORE_MASK = 0xFFFF, 15, 63

_NONE, _OK = Reason.NONE, Status.OK


def flags_of(reading: Reading) -> int:
    """Everything about a reading that is not a number, in one integer."""
    if reading.reasons is _NONE and reading.status is _OK:  # nearly always: quickly
        return reading.bound << _BOUND | reading.standing << _STANDING | reading.own_time << _OWN_TIME
    return (
        _reason_bits(reading.reasons)
        | reading.bound << _BOUND
        | reading.standing << _STANDING
        | (int(reading.status) & _STATUS_LOW) << _STATUS
        | reading.own_time << _OWN_TIME
        | (int(reading.status) & ~_STATUS_LOW) >> 4 << _STATUS_MORE
    )


def _reason_bits(reasons: Reason) -> int:
    return int(reasons) & _REASONS_LOW | int(reasons) >> 16 << _REASONS_MORE


def with_standing(flags: int, standing: Standing, reason: Reason) -> int:
    """The same flags with another standing and one more reason."""
    return (flags & ~(7 << _STANDING)) | standing << _STANDING | _reason_bits(reason)


def reasons_of(flags: int) -> Reason:
    """Why the value of a row is less than good."""
    return Reason(flags & _REASONS_LOW | flags >> _REASONS_MORE << 16)


def standing_of(flags: int) -> Standing:
    """What the reading of a row may be used for."""
    return Standing(flags >> _STANDING & 7)


def standing_sql(standing: Standing) -> str:
    """The condition of SQL that a row of table `reading` has this standing."""
    return f"(flags >> {_STANDING} & 7) = {int(standing)}"


# Conditions of SQL on the flags of a row of table `reading`; what they mean is said in `sums`.
_NO_VALUE = int(Reason.IMPLAUSIBLE | Reason.CLOCK | Reason.DEVICE_FAULT | Reason.CONTRADICTED)
_BAD = _NO_VALUE | int(Reason.OVER_RANGE | Reason.UNDER_RANGE)
_NOT_COUNTED = int(Standing.GATED | Standing.BAD_TIME)  # bits that judged (0) and late (2) do not have
GOOD_SQL = f"(flags & {_REASONS_LOW | ~0 << _REASONS_MORE}) = 0"
BAD_SQL = f"(flags & {_BAD}) != 0"
TIMED_SQL = f"(flags >> {_STANDING} & 7) != {int(Standing.BAD_TIME)}"
COUNTS_SQL = f"(flags & {_NO_VALUE | _NOT_COUNTED << _STANDING}) = 0"
SHOWN_SQL = f"((flags & {_NO_VALUE}) = 0 and (flags >> {_STANDING} & 7) <= {int(Standing.LATE)})"
TRUSTED_SQL = f"((flags & {_BAD}) = 0 and (flags >> {_STANDING} & 7) <= {int(Standing.LATE)})"


IN_ORDER_SQL = f"(flags >> {_STANDING} & 7) <= {int(Standing.GATED)}"


def latest_in_order(connection: sqlite3.Connection, channel_id: int, until_ms: int = 2**62) -> int:
    """Time of a channel's latest reading in order, not later than a time; 0 when there is none."""
    row = connection.execute(
        f"select time_ms from reading where channel = ? and time_ms <= ? and {IN_ORDER_SQL} "
        "order by time_ms desc limit 1",
        (channel_id, until_ms),
    ).fetchone()
    return 0 if row is None else int(row[0])


# Conditions of SQL: the watch computed this one, so it is no Sample of the stored stream.
DERIVED_SQL = f"(flags >> {_STATUS_MORE} & {int(Status.DERIVED) >> 4}) != 0"


def reading_row(channel_id: int, seq: int, reading: Reading) -> tuple[Any, ...]:
    """A row of table `reading`."""
    value = None if reading.value == reading.raw else reading.value
    lag_ms = reading.arrival_ms - reading.time_ms
    return channel_id, reading.time_ms, reading.raw, value, flags_of(reading), seq, lag_ms


def reading_from(
    channel: str, time_ms: int, raw: float, value: float | None, flags: int, lag_ms: int
) -> Reading:
    """The Reading of a row."""
    return Reading(
        channel=channel,
        time_ms=time_ms,
        arrival_ms=time_ms + lag_ms,
        raw=raw,
        value=raw if value is None else value,
        reasons=reasons_of(flags),
        bound=Bound(flags >> _BOUND & 3),
        standing=standing_of(flags),
        status=Status(flags >> _STATUS & _STATUS_LOW | (flags >> _STATUS_MORE & _STATUS_MORE_MASK) << 4),
        own_time=bool(flags >> _OWN_TIME & 1),
    )


def sample_of(reading: Reading) -> Sample:
    """The Sample a stored Reading was made of."""
    time_ms = reading.time_ms if reading.own_time else None
    return Sample(reading.channel, reading.raw, reading.arrival_ms, time_ms, reading.status)


TRANSITION_COLUMNS = (
    "key, seq, condition, occurrence, step, cause, state, time_ms, since_ms, priority, rule_kind, subject, "
    "confidence, evidence, by, comment, beneath, silence"
)


def transition_row(seq: int, t: Transition) -> tuple[Any, ...]:
    """A row of table `transition`, in the order of TRANSITION_COLUMNS."""
    return (
        t.key,
        seq,
        t.condition,
        t.occurrence,
        t.step,
        t.cause,
        t.state.value,
        t.time_ms,
        t.since_ms,
        t.priority,
        t.rule_kind,
        t.subject,
        t.confidence,
        json.dumps(t.evidence, ensure_ascii=False, separators=(",", ":")),
        t.by,
        t.comment,
        "" if t.beneath is None else t.beneath.value,
        "" if t.silence is None else json.dumps(asdict(t.silence), ensure_ascii=False),
    )


def transition_from(row: sqlite3.Row) -> Transition:
    """The Transition of a row that has TRANSITION_COLUMNS."""
    return Transition(
        condition=row["condition"],
        occurrence=row["occurrence"],
        step=row["step"],
        cause=cast(Cause, row["cause"]),
        state=AlarmState(row["state"]),
        time_ms=row["time_ms"],
        since_ms=row["since_ms"],
        priority=cast(Priority, row["priority"]),
        rule_kind=row["rule_kind"],
        subject=row["subject"],
        confidence=row["confidence"],
        evidence=json.loads(row["evidence"]),
        by=row["by"],
        comment=row["comment"],
        beneath=AlarmState(row["beneath"]) if row["beneath"] else None,
        silence=Silence(**json.loads(row["silence"])) if row["silence"] else None,
    )
