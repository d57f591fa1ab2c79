"""Tables of a site file as text, with a comment where something was taken for granted."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

_COMMENT_AT = 32  # column of the comments behind values


@dataclass(frozen=True)
class Assumed:
    """A value that nobody gave, with the words that say so."""

    value: Any
    why: str


class Unset:
    """Stands for a key that is left out, with the words that say what that costs."""

    def __init__(self, why: str) -> None:
        self.why = why


def table(name: str, keys: Mapping[str, Any]) -> str:
    """`[[name]]` with its keys; None is left out, Unset leaves a comment, a Mapping is an inline table."""
    lines = [f"[[{name}]]" if not name.startswith("[") else name]
    for key, value in keys.items():
        if value is None:
            continue
        if isinstance(value, Unset):
            lines.append(f"# {key}: not known. {value.why}")
        elif isinstance(value, Assumed):
            lines.append(f"{f'{key} = {written(value.value)}':<{_COMMENT_AT - 1}} # {value.why}")
        else:
            lines.append(f"{key} = {written(value)}")
    return "\n".join(lines)


def written(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, Literal):
        return f"'{value}'"
    if isinstance(value, str):
        # JSON's text in quotes is TOML's, but for DEL
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {written(item)}" for key, item in value.items() if item is not None)
        return f"{{ {inner} }}" if inner else "{}"
    return f"[{', '.join(map(written, value))}]"


class Literal(str):
    """Text in single quotes, in which a backslash is itself: a pattern."""


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)
