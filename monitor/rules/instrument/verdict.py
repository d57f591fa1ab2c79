"""What a part of the rule `instrument` says of one instrument or channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, Protocol

from monitor.readings import Evidence, Reading
from monitor.rules.explaining import Figures, Moment

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


class Part(Protocol):
    """One kind of fault that is watched for."""

    channels: frozenset[str]

    def subject(self, channel: str) -> str:
        """What a verdict on this channel is about: itself, or its instrument."""

    def figures(self, seen: Any, now: Moment) -> Figures:
        """What each subject has shown, beside what it takes to be told."""

    def on_reading(self, seen: Any, reading: Reading, *, told: bool) -> tuple[Any, Verdict | None]:
        """After a reading in order; `told` asks for a verdict also when all is well."""
