"""A day as a message writes it."""

from __future__ import annotations

from datetime import date

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def day_in_words(iso: str) -> str:
    """`3 June` of `2026-06-03`.

    Raises: ValueError when it is no ISO date.
    """
    day = date.fromisoformat(iso)
    return f"{day.day} {_MONTHS[day.month - 1]}"
