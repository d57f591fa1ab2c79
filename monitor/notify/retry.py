"""When to try again: a random delay that grows under a cap."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.notify.settings import DeliverySettings

_MOST_DOUBLINGS = 30


@dataclass(slots=True)
class Waiting:
    """Tries that failed in a row, and the time before which there is no other."""

    failures: int = 0
    tried_ms: int = 0
    until_ms: int = 0
    reason: str = ""

    def failed(
        self,
        now_ms: int,
        reason: str,
        settings: DeliverySettings,
        random: Callable[[], float],
        asked_ms: float = 0.0,
    ) -> None:
        """One more failure: wait between half and all of a span that doubles each time, or as asked.

        The random part keeps several waiters from coming back to a server at the same moment.
        """
        self.failures += 1
        self.tried_ms = now_ms
        self.reason = reason
        doubled = settings.first_retry * 2 ** min(self.failures - 1, _MOST_DOUBLINGS)
        span_ms = min(doubled, settings.longest_retry) * (0.5 + 0.5 * random())
        self.until_ms = now_ms + int(min(max(span_ms, asked_ms), settings.longest_retry))

    def over(self, now_ms: int, longest_ms: int) -> bool:
        """Whether the wait is over; a wait longer than any we set means that the clock was set back."""
        return now_ms >= self.until_ms or self.until_ms - now_ms > longest_ms
