"""What was told to people in the show: mails and chat messages as they arrive, each with its alarm."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from simulator.mailbox import Mail


@dataclass(frozen=True)
class Told:
    """One alarm that was raised, as the chat's message says it."""

    condition: str
    rule_kind: str
    subject: str
    time_ms: int
    evidence: Mapping[str, Any]
    key: str  # condition#occurrence
    first_line: str
    priority: str


class Tellings:
    """Gathers what mailbox and chat receive, from any thread, and announces each."""

    def __init__(self, announce: Callable[[str], None]) -> None:
        self._announce = announce
        self._lock = threading.Lock()
        self._raised: dict[tuple[str, int], Told] = {}
        self._mailed: set[str] = set()
        self._count = 0

    def on_chat(self, message: Mapping[str, Any]) -> None:
        alarm = message["alarm"]
        if alarm["cause"] == "raised":
            told = Told(
                condition=alarm["condition"],
                rule_kind=alarm["rule_kind"],
                subject=alarm["subject"],
                time_ms=round(datetime.fromisoformat(alarm["time"]).timestamp() * 1000),
                evidence=alarm["evidence"],
                key=f"{alarm['condition']}#{alarm['occurrence']}",
                first_line=message["first_line"],
                priority=alarm["priority"],
            )
            with self._lock:
                self._raised.setdefault((told.key, alarm["step"]), told)
        self._tell("chat", message["first_line"])

    def on_mail(self, mail: Mail) -> None:
        parsed = mail.parsed
        if parsed["X-Goodwater-Cause"] == "raised":
            with self._lock:
                self._mailed.add(str(parsed["X-Goodwater-Alarm"]))
        self._tell(f"mail to {', '.join(mail.to)}", str(parsed["Subject"]))

    def _tell(self, way: str, first_line: str) -> None:
        with self._lock:
            self._count += 1
        self._announce(f"{way}: {first_line}")

    @property
    def count(self) -> int:
        """Messages that have arrived."""
        with self._lock:
            return self._count

    @property
    def raised(self) -> list[Told]:
        """Alarms that were told by chat, in order of the time they were raised."""
        with self._lock:
            return sorted(self._raised.values(), key=lambda told: told.time_ms)

    def delivered_by(self, key: str) -> tuple[str, ...]:
        """By which ways an alarm's raising reached somebody."""
        with self._lock:
            by_chat = any(told.key == key for told in self._raised.values())
            ways = (("mail", key in self._mailed), ("chat", by_chat))
        return tuple(way for way, arrived in ways if arrived)

    @property
    def mailed_only(self) -> list[str]:
        """Alarms that reached the mailbox but not the chat."""
        with self._lock:
            return sorted(self._mailed - {told.key for told in self._raised.values()})
