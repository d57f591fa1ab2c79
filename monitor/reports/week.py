"""Weeks of the shop: ISO 8601 weeks, Monday to Sunday, by the shop's own clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

# When the digest of the week before is made, on Monday: before the early shift has begun.
DIGEST_TIME = time(6, 0)
_WRITTEN = re.compile(r"(\d{4})-?W(\d{2})")


@dataclass(frozen=True, slots=True)
class Week:
    """One ISO week in a time zone. It has 167 or 169 hours when the clock is changed in it."""

    monday: date
    zone: str

    @classmethod
    def parse(cls, text: str, zone: str) -> Week:
        """Of `2031-W07`.

        Raises: ValueError saying what would be right.

        >>> Week.parse("2031-W07", "Europe/Vienna").monday.isoformat()
        '2031-02-10'
        """
        found = _WRITTEN.fullmatch(text.strip())
        try:
            if found is None:
                raise ValueError
            return cls(date.fromisocalendar(int(found[1]), int(found[2]), 1), zone)
        except ValueError:
            raise ValueError(f'"{text}" is no week: write 2031-W07 (ISO 8601)') from None

    @classmethod
    def of(cls, time_ms: int, zone: str) -> Week:
        """The week a moment lies in."""
        day = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone)).date()
        return cls(day - timedelta(days=day.weekday()), zone)

    @property
    def label(self) -> str:
        year, number, _ = self.monday.isocalendar()
        return f"{year}-W{number:02}"

    def earlier(self, weeks: int = 1) -> Week:
        return Week(self.monday - timedelta(weeks=weeks), self.zone)

    @property
    def from_ms(self) -> int:
        return _ms(self.monday, time(), self.zone)

    @property
    def to_ms(self) -> int:
        """The first moment after it."""
        return _ms(self.monday + timedelta(days=7), time(), self.zone)

    @property
    def due_ms(self) -> int:
        """When its digest is made: on the Monday after it."""
        return _ms(self.monday + timedelta(days=7), DIGEST_TIME, self.zone)

    def days(self) -> list[tuple[date, int]]:
        """Its days, each with the moment it begins."""
        days = [self.monday + timedelta(days=n) for n in range(7)]
        return [(day, _ms(day, time(), self.zone)) for day in days]


def _ms(day: date, at: time, zone: str) -> int:
    # A time that the clock jumps over counts with the offset before; of one that comes twice the first.
    return round(datetime.combine(day, at, ZoneInfo(zone)).timestamp()) * 1000


def due_by(now_ms: int, zone: str) -> Week:
    """The latest week whose digest is due by now. It says nothing of whether it was made.

    >>> due_by(Week.parse("2031-W07", "Europe/Vienna").due_ms, "Europe/Vienna").label
    '2031-W07'
    >>> due_by(Week.parse("2031-W07", "Europe/Vienna").due_ms - 1, "Europe/Vienna").label
    '2031-W06'
    """
    last = Week.of(now_ms, zone).earlier()
    return last if last.due_ms <= now_ms else last.earlier()
