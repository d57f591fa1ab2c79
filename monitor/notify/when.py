"""Moments as a person at the site reads them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # strftime's would follow the machine's language


def local_time(time_ms: int, zone: str) -> str:
    """A moment in the site's own time with its distance from UTC, which tells the two 02:30 of autumn apart.

    >>> local_time(1_920_000_000_000, "Europe/Vienna")
    'Mon 2030-11-04 06:20 (UTC+01:00)'
    """
    local = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone))
    offset = local.strftime("%z")
    return f"{DAYS[local.weekday()]} {local:%Y-%m-%d %H:%M} (UTC{offset[:3]}:{offset[3:5]})"


def utc_time(time_ms: int) -> str:
    """A moment by RFC 3339 in UTC, to the millisecond.

    >>> utc_time(1_920_000_000_005)
    '2030-11-04T05:20:00.005Z'
    """
    whole = datetime.fromtimestamp(time_ms // 1000, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{time_ms % 1000:03d}Z"
