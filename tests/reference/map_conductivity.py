"""Which of our functions answers which quantity of the conductivity cases."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

QUANTITIES: dict[str, Callable[[dict[str, Any]], Any]] = {}
