"""What a part of the rule `instrument` says of one instrument or channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.readings import Evidence

Watched = Literal["flow-meter", "clock", "compensation", "fault"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """A fault that is there, or is not."""

    part: Watched
    subject: str  # a channel, or of a clock the instrument
    holds: bool
    at_ms: int
    since_ms: int
    confidence: float
    evidence: Evidence
