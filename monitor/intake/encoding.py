"""Names of encodings that a site file may give for text that comes in lines."""

from __future__ import annotations

from monitor.plant.fields import Wrong


def line_encoding(name: str) -> str:
    """The name, if it is one of text whose line ends are found byte by byte.

    Raises: Wrong.
    """
    try:
        one_byte = "\n".encode(name) == b"\n" and b"1".decode(name) == "1"
    except (LookupError, ValueError):
        raise Wrong("an encoding: ascii, utf-8, latin-1, cp1252 or another that is known") from None
    if not one_byte:
        raise Wrong("an encoding whose line end is one byte: ascii, utf-8, latin-1, cp1252")
    return name
