"""Derived channels in a site file: channels like any other, computed in the order of the file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from monitor.config.mistakes import Mistake
from monitor.config.tables import Found, references

if TYPE_CHECKING:
    from monitor.config.agree import Document


def quantity_of(document: Document, table: Found) -> str:
    """The quantity of a channel's or derived channel's table; empty where it is not known."""
    if table.name != "derived":
        return str(table.raw.get("quantity", ""))
    measures: str = getattr(table.model, "measures", "")
    if measures:
        return measures
    first = next((name for _, name, mark in references(table) if mark.table == "channel"), "")
    other = document.named("channel").get(first)
    return "" if other is None or not _stands_above(other, table) else quantity_of(document, other)


def looks_down(document: Document, table: Found) -> Iterator[Mistake]:
    """A derived channel looks only at what is computed before it: instruments' channels, and those above."""
    for path, name, mark in references(table):
        other = document.named("channel").get(name) if mark.table == "channel" else None
        if other is not None and not _stands_above(other, table):
            itself = other.path == table.path
            yield document.mistake(
                path,
                f'"{name}", which {"is this channel itself" if itself else "is computed further down"}',
                "a channel of an instrument, or a derived one above: they are computed in the order of the "
                "file",
            )


def _stands_above(other: Found, table: Found) -> bool:
    return other.name != "derived" or other.path[1:] < table.path[1:]
