"""A value read by hand against a band: told when it is surely out, and back when it is surely in again."""

from __future__ import annotations

from typing import Literal

Side = Literal["", "below", "above"]


def side(value: float, band: tuple[float, float]) -> Side:
    """On which side of its band a value is; empty when it is inside."""
    return "below" if value < band[0] else "above" if value > band[1] else ""


def judged(held: Side, value: float, before: float | None, band: tuple[float, float], error: float) -> Side:
    """What is held of it after a reading that may err by so much, and the one before.

    One reading is enough when it is beyond the band's end by more than its error; else two in a row.
    """
    now = side(value, band)
    twice = now == ("" if before is None else side(before, band))
    far_out = now != "" and side(value, (band[0] - error, band[1] + error)) == now
    well_in = band[0] + error <= value <= band[1] - error
    return now if twice or far_out or well_in else held
