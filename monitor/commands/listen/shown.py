"""What came from outside, as text that is safe on a terminal and in a site file."""

from __future__ import annotations

_MOST = 60


def plain(text: str, most: int = _MOST) -> str:
    """A text with nothing in it that moves a cursor, changes a colour or turns letters round."""
    shown = "".join(letter if letter.isprintable() else _escaped(letter) for letter in text[:most])
    return shown + "…" if len(text) > most else shown


def plain_bytes(raw: bytes, most: int = _MOST) -> str:
    """Bytes as text where they are UTF-8, else as Python writes bytes."""
    try:
        return plain(raw.decode("utf-8"), most)
    except UnicodeDecodeError:
        return plain(repr(raw[:most]), most)


def _escaped(letter: str) -> str:
    return repr(letter)[1:-1]


def toml_text(text: str) -> str:
    """A text as a TOML string: a literal one where that is easier to read, as for patterns."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return '"' + "".join(map(_in_toml, text)) + '"'


def _in_toml(letter: str) -> str:
    if letter in '"\\':
        return f"\\{letter}"
    if letter.isprintable():
        return letter
    code = ord(letter)
    if 0xD800 <= code <= 0xDFFF:  # half of a pair: no text can hold it
        return "?"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def toml_key(text: str) -> str:
    """A text as a key within a table."""
    return '"' + "".join(map(_in_toml, text)) + '"'


def toml(value: object) -> str:
    """A value within a line: texts, numbers, lists and tables of them."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{_key(key)} = {toml(item)}" for key, item in value.items())
        return "{ " + pairs + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return toml_text(value) if isinstance(value, str) else repr(value)


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").isalnum()
    return key if bare else toml_key(key)
