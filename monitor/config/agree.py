"""Whether the tables of a site file agree with each other.

Everything here works on the raw tables, so that a table with a mistake of its own is still checked against
the others, and the others against it.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from monitor.config.derived import looks_down, quantity_of
from monitor.config.locate import Lines, Path
from monitor.config.mistakes import Mistake, one_of, quoted
from monitor.config.tables import Found, marked, path_in, place_words, references, walk
from monitor.plant.fields import RefersTo
from monitor.plant.quantities import QUANTITIES
from monitor.readings import Priority


@dataclass(frozen=True)
class Document:
    """One site file: its tables, their models, their lines."""

    raw: dict[str, Any]
    text: str
    model: type[BaseModel]

    @cached_property
    def lines(self) -> Lines:
        """Looked for only once something is wrong."""
        return Lines(self.text)

    @cached_property
    def tables(self) -> tuple[Found, ...]:
        return tuple(walk(self.model, self.raw))

    def fields_around(self, path: Path) -> Mapping[str, FieldInfo]:
        """The keys that the table around a key, or around an element of an array, may have."""
        around = path[:-1]
        while around and isinstance(path[len(around)], int):
            around = around[:-1]
        return next((t.model.model_fields for t in self.tables if t.path == around), {})

    def named(self, name: str) -> Mapping[str, Found]:
        """The tables of one name that have an id, by id; of two with the same, the first."""
        return self._named.get((name, ()), {})

    def own(self, name: str, path: Path) -> Mapping[str, Found]:
        """The same, of those alone that stand inside the top-level table a path leads into."""
        return self._named.get((name, path[:2]), {})

    @cached_property
    def _named(self) -> dict[tuple[str, Path], dict[str, Found]]:
        """By name, and by name and top-level table: worked out once, or a large file takes seconds."""
        found: dict[tuple[str, Path], dict[str, Found]] = {}
        for table in self.tables:
            known = table.raw.get("id")
            if isinstance(known, str):
                for place in ((), table.path[:2]):
                    found.setdefault((_family(table), place), {}).setdefault(known, table)
        return found

    def mistake(self, path: Path, found: str, allowed: str) -> Mistake:
        return Mistake(self.lines.of(path), place_words(self.raw, path), found, allowed)

    def path_in(self, location: tuple[str | int, ...]) -> Path:
        return path_in(self.raw, location)


def disagreements(document: Document) -> Iterator[Mistake]:
    """All that does not fit together, each with its line."""
    yield from misnamed(document)
    yield from _order_of_stages(document)
    yield from _one_use_a_port(document)
    yield from _lines_fit_their_port(document)
    yield from _columns_by_number(document)
    yield from _somebody_is_told(document)


def misnamed(document: Document) -> Iterator[Mistake]:
    """Names that stand twice, lead nowhere, or are left out where there is a choice; of any file."""
    yield from _ids_once(document)
    yield from _references(document)
    yield from _left_out(document)


def _ids_once(document: Document) -> Iterator[Mistake]:
    first: dict[tuple[str, str], Path] = {}
    for table in document.tables:
        known = table.raw.get("id")
        if not isinstance(known, str) or table.path == ("site",):
            continue
        before = first.setdefault((_family(table), known), table.path)
        if before != table.path:
            line = document.lines.of((*before, "id"))
            yield document.mistake(
                (*table.path, "id"),
                f'"{known}" a second time',
                f"an id of its own: the {_family(table)} of line {line} has this one",
            )


def _family(table: Found) -> str:
    """The tables it shares its ids with: a derived channel is a channel."""
    return "channel" if table.name == "derived" else table.name


def _references(document: Document) -> Iterator[Mistake]:
    for table in document.tables:
        yield from _references_of(document, table)


def _references_of(document: Document, table: Found) -> Iterator[Mistake]:
    for path, name, mark in references(table):
        known = _referable(document, table, mark)
        if name not in known:
            yield document.mistake(path, f'"{name}", which is no {_called(mark)}', one_of(known, name))
            continue
        quantity = quantity_of(document, known[name])
        if mark.quantities and quantity in QUANTITIES and quantity not in mark.quantities:
            fitting = [n for n, t in known.items() if quantity_of(document, t) in mark.quantities]
            allowed = f"a channel of {' or '.join(mark.quantities)}, {one_of(fitting, name)}"
            yield document.mistake(path, f'"{name}", which measures {quantity}', allowed)
    if table.name == "derived":
        yield from looks_down(document, table)


def _left_out(document: Document) -> Iterator[Mistake]:
    """References that may be left out only where there is no choice."""
    for table in document.tables:
        for key, mark in marked(table.model):
            known = document.named(mark.table)
            if mark.or_the_only and key not in table.raw and len(known) != 1:
                name = f"[[{mark.table}]]"
                allowed = (
                    f"the id of a {name}, {one_of(known, '')}" if known else f"a {name}, and its id here"
                )
                yield document.mistake((*table.path, key), "nothing", allowed)


def refers_amiss(document: Document, table: Found) -> bool:
    """Whether a table names another that is not there, or that is none for it."""
    return next(_references_of(document, table), None) is not None


def _referable(document: Document, table: Found, mark: RefersTo) -> Mapping[str, Found]:
    return document.own(mark.table, table.path) if mark.own else document.named(mark.table)


def _called(mark: RefersTo) -> str:
    return "channel of this instrument" if mark.own else f"{mark.table.replace('_', ' ')} of this site"


def _order_of_stages(document: Document) -> Iterator[Mistake]:
    """The tap is first and there is one; a stage is fed only by what stands before it in the file."""
    stages = [table for table in document.tables if table.name == "stage"]
    taps = [table for table in stages if table.raw.get("kind") == "tap"]
    for tap in taps[1:]:
        line = document.lines.of(taps[0].path)
        yield document.mistake(
            (*tap.path, "kind"), "a second tap", f"one tap; the stage of line {line} is the first"
        )
    if taps and taps[0] is not stages[0]:
        yield document.mistake(
            (*taps[0].path, "kind"),
            f"the tap after {_id_words(stages[0])}",
            "stages in the order the water takes, the tap first",
        )
    before: list[str] = []
    for stage in stages:
        for position, name in enumerate(_texts(stage.raw.get("after"))):
            if name in document.named("stage") and name not in before:
                yield document.mistake(
                    (*stage.path, "after", position),
                    f'"{name}", which does not come before this stage',
                    "stages in the order the water takes: each is fed by stages above it in the file",
                )
        before.append(str(stage.raw.get("id")))


def _id_words(table: Found) -> str:
    return f'{table.name} "{table.raw.get("id", "?")}"'


def _texts(value: object) -> list[str]:
    return [str(item) for item in value] if isinstance(value, list) else []


def _one_use_a_port(document: Document) -> Iterator[Mistake]:
    """A serial port carries lines of text or is a bus, never both; a bus carries bytes of 8 bits."""
    first: dict[str, Found] = {}
    for wire in (table for table in document.tables if table.name == "wire"):
        port, kind = wire.raw.get("port"), wire.raw.get("kind")
        known = document.named("serial_port").get(port) if isinstance(port, str) else None
        if known is None:
            continue
        before = first.setdefault(str(port), wire)
        if before.raw.get("kind") != kind:
            line = document.lines.of((*before.path, "kind"))
            yield document.mistake(
                (*wire.path, "kind"),
                f'"{kind}" on port "{port}", which carries "{before.raw.get("kind")}" (line {line})',
                "one kind of wire on one port; instruments of another kind need a port of their own",
            )
        elif kind == "modbus-rtu" and before is wire and known.raw.get("bytesize", 8) == 7:
            yield document.mistake((*known.path, "bytesize"), "7, on a Modbus bus", "8, as Modbus RTU needs")


def _lines_fit_their_port(document: Document) -> Iterator[Mistake]:
    """What is asked can be written in the port's encoding, and a checksum of bytes can be read in it."""
    for wire in (table for table in document.tables if table.name == "wire"):
        port = document.named("serial_port").get(str(wire.raw.get("port")))
        if port is None or wire.raw.get("kind") != "serial-line":
            continue
        encoding, ask = str(port.raw.get("encoding", "ascii")), wire.raw.get("ask")
        try:
            known, _ = codecs.lookup(encoding).name, str(ask).encode(encoding)
        except LookupError:  # a mistake of its own
            continue
        except ValueError:
            allowed = f'text that the encoding of port "{port.raw["id"]}", {encoding}, can write'
            yield document.mistake((*wire.path, "ask"), quoted(ask), allowed)
            continue
        if str(wire.raw.get("checksum_form")).startswith("bytes") and known != "iso8859-1":
            yield document.mistake(
                (*wire.path, "checksum_form"),
                f"{quoted(wire.raw['checksum_form'])}, and the port's encoding is {encoding}",
                "encoding latin-1 for the port: such a byte may be any",
            )


def _columns_by_number(document: Document) -> Iterator[Mistake]:
    """In files that do not name their columns, columns are given by number."""
    allowed = "a number from 1: the logger's files do not name their columns (names = false)"
    nameless = {name for name, t in document.named("logger").items() if t.raw.get("names") is False}
    for name in nameless:
        logger = document.named("logger")[name]
        time = logger.raw.get("time")
        for position, column in enumerate(time if isinstance(time, list) else ()):
            if isinstance(column, str):
                yield document.mistake((*logger.path, "time", position), quoted(column), allowed)
    for wire in (table for table in document.tables if table.name == "wire"):
        values = wire.raw.get("values")
        if str(wire.raw.get("logger")) in nameless and isinstance(values, dict):
            for channel, column in values.items():
                if isinstance(column, str):
                    yield document.mistake((*wire.path, "values", channel), quoted(column), allowed)


def _somebody_is_told(document: Document) -> Iterator[Mistake]:
    """An alarm that would reach nobody is refused."""
    known = get_args(Priority)
    told: set[str] = set()
    for person in (table for table in document.tables if table.name == "person"):
        named = person.raw.get("priorities", list(known))
        told.update(map(str, named) if isinstance(named, list) else known)
    if not told <= set(known):  # a mistake of its own: who is told is not yet known
        return
    for rule in (table for table in document.tables if table.name == "rule"):
        field = rule.model.model_fields.get("priority")
        priority = rule.raw.get("priority", field.default if field is not None else None)
        if told and priority in known and priority not in told:
            told_of = ", ".join(f'"{p}"' for p in known if p in told)
            yield document.mistake(
                (*rule.path, "priority"),
                f"{quoted(priority)}, and no person is told of that priority: the alarm would reach nobody",
                f"a priority somebody is told of ({told_of}), or {quoted(priority)} in a person's priorities",
            )
