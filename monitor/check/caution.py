"""One thing that is allowed but will disappoint."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """What stands where, what it means, and what would be right; `line` 0 is the file as a whole."""

    line: int
    text: str

    def __str__(self) -> str:
        return f"line {self.line}, {self.text}" if self.line else self.text
