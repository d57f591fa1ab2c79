"""Why a rule spoke at a moment, or did not: what a rule may add to what anybody can see of it.

A rule without `explain` is explained by the facts of its last Findings. One that has it gives, for each of
its conditions, its figures beside its thresholds, in words a maintenance lead understands.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol, runtime_checkable
from zoneinfo import ZoneInfo

from monitor.plant.units import shown
from monitor.readings import Evidence, Finding, Reading
from monitor.rules.rule import span

# Sentences by condition; those under the rule's own id stand for all it says.
Figures = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class Moment:
    """What there was to go by at the time that is asked about."""

    at_ms: int
    zone: ZoneInfo
    findings: Mapping[str, Finding] = field(default_factory=dict)  # the last of each condition
    readings: Mapping[str, Sequence[Reading]] = field(default_factory=dict)  # the last of each channel

    def clock(self, time_ms: int) -> str:
        """A time as the shop's clock shows it; the date only where it is another day."""
        moment, now = (datetime.fromtimestamp(ms / 1000, self.zone) for ms in (time_ms, self.at_ms))
        return f"{moment:%H:%M:%S}" if moment.date() == now.date() else f"{moment:%Y-%m-%d %H:%M}"

    def ago(self, time_ms: int) -> str:
        """A time with how long before the moment it was."""
        return f"{self.clock(time_ms)} ({span(max(self.at_ms - time_ms, 0))} before)"

    def evidence(self, condition: str) -> Evidence:
        """Of the last Finding on a condition; empty before the first."""
        found = self.findings.get(condition)
        return {} if found is None else found.evidence

    def of_rule(self, rule: str) -> Iterator[Finding]:
        """The last Findings of all conditions of a rule."""
        for condition, found in self.findings.items():
            if condition == rule or condition.startswith(f"{rule}/"):
                yield found


@runtime_checkable
class Explains(Protocol):
    """A rule that says more of itself than its Findings do."""

    def explain(self, state: Any, now: Moment) -> Figures:
        """Its figures beside its thresholds at a moment, by condition."""


def value(evidence: Evidence, key: str) -> float | None:
    """A number of the evidence; None where there is none."""
    found = evidence.get(key)
    return None if isinstance(found, bool) or not isinstance(found, int | float) else float(found)


def measured(evidence: Evidence, key: str, quantity: str) -> str:
    """A number of the evidence with its unit; "not known" where there is none."""
    found = value(evidence, key)
    return "not known" if found is None else shown(found, quantity)
