"""What a test kit last said, and how long ago: hardness behind a softener, chlorine behind carbon."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.readings import Evidence, Reading

DAY_MS = 86_400_000
# A weekly test done a few days late is no matter; after half as long again it is overdue.
_LATE = 1.5


@dataclass(frozen=True, slots=True)
class Tested:
    """The last test, the last that passed, and since when tests have failed (0: the last one passed)."""

    value: float | None = None
    time_ms: int = 0
    passed_ms: int = 0
    failed_ms: int = 0


def on_test(tested: Tested, reading: Reading, *, failed: bool) -> Tested:
    """The record after one more test; an earlier one, told late, changes nothing."""
    at_ms = reading.time_ms
    if at_ms < tested.time_ms:
        return tested
    if not failed:
        return Tested(reading.value, at_ms, at_ms)
    return Tested(reading.value, at_ms, tested.passed_ms, tested.failed_ms or at_ms)


def overdue_ms(tested: Tested, now_ms: int, every_ms: int, listening_ms: int) -> int | None:
    """How long the last test lies back (or the watch has waited for the first), if that is too long."""
    gone_ms = now_ms - (tested.time_ms or listening_ms)
    return gone_ms if gone_ms > _LATE * every_ms else None


def evidence_of(tested: Tested, now_ms: int) -> Evidence:
    """Days since the last test and since the last that passed; None where there was none."""
    return {
        "test_age_d": _days(now_ms, tested.time_ms),
        "passed_age_d": _days(now_ms, tested.passed_ms),
    }


def _days(now_ms: int, then_ms: int) -> float | None:
    return max(now_ms - then_ms, 0) / DAY_MS if then_ms else None
