"""The tables `[retention]` and `[batch]`: how long what is stored is kept, and how often it is written."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from monitor.plant.fields import DurationMs, Table, Wrong, shown_duration

_DAY_MS = 86_400_000


def _at_least(days: int) -> AfterValidator:
    def check(found: int) -> int:
        if found < days * _DAY_MS:
            raise Wrong(f"{days} days or more")
        return found

    return AfterValidator(check)


# State of another version is rebuilt from readings: of channels and of the quick rules these must be there.
_RawDuration = Annotated[DurationMs, _at_least(14)]
_Duration = Annotated[DurationMs, _at_least(30)]

# (key, what is kept at least as long): what is thinned out goes from fine to coarse
_LONGER = (
    ("fast_raw", "raw"),
    ("fast_raw", "minute"),
    ("raw", "hour"),
    ("minute", "hour"),
    ("hour", "day"),
    ("records", "alarms"),
)


class RetentionSettings(Table):
    """Ages are those of the readings' own times; what is too old is deleted once a day, in small steps."""

    fast_raw: Annotated[
        _RawDuration, Field(description="readings of instruments that speak more often than every 30 s")
    ] = 90 * _DAY_MS
    raw: Annotated[_RawDuration, Field(description="readings of all others")] = 730 * _DAY_MS
    minute: Annotated[
        _RawDuration, Field(description="sums of minutes; made where the interval is below 30 s")
    ] = 730 * _DAY_MS
    hour: Annotated[_Duration, Field(description="sums of hours, of every channel")] = 3650 * _DAY_MS
    day: Annotated[
        _Duration | None, Field(description="sums of days, of every channel; for ever where left out")
    ] = None
    alarms: Annotated[
        _Duration,
        Field(
            description="what happened to alarms and what was done to the plant; the last word on each alarm "
            "is always kept"
        ),
    ] = 3650 * _DAY_MS
    records: Annotated[
        _Duration,
        Field(
            description="what was sent to whom, what people typed, counts of what was refused; what is older "
            "no longer says by whom"
        ),
    ] = 365 * _DAY_MS

    @model_validator(mode="after")
    def _coarser_is_longer(self) -> RetentionSettings:
        for finer, coarser in _LONGER:
            least, found = getattr(self, finer), getattr(self, coarser)
            if found is not None and found < least:
                raise Wrong(f"as long as {finer} ({shown_duration(least)}) or longer", key=coarser)
        return self


def _span_of_a_batch(found: int) -> int:
    if not 100 <= found <= 60_000:
        raise Wrong('from "0.1 s" to "60 s"')
    return found


class BatchSettings(Table):
    """The `[batch]` table: what is gathered before it is written to the disk, and only then acknowledged."""

    longest: Annotated[
        DurationMs,
        AfterValidator(_span_of_a_batch),
        Field(description="how long readings are gathered; an alarm that changes is written at once"),
    ] = 1_000
