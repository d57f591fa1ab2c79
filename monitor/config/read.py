"""Reads a site file: all of it, or all that is wrong with it."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from monitor.acknowledging.settings import PageSettings
from monitor.alive.settings import AllWell, Heartbeat, StatusTopic
from monitor.condition.derive import build as build_derived
from monitor.config.agree import Document, disagreements, misnamed, refers_amiss
from monitor.config.kinds import RULES, site_tables
from monitor.config.mistakes import ConfigMistakes, Mistake, apart, in_words, nearest
from monitor.config.places import Places
from monitor.config.tables import Found, at
from monitor.intake.logger_settings import Logger
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.mqtt_settings import Broker
from monitor.intake.serial_settings import Port
from monitor.mirror.settings import Mirror
from monitor.notify.mail_server import MailServer
from monitor.notify.settings import DeliverySettings
from monitor.plant.model import Instrument, Plant, Site
from monitor.rules.rule import Rule
from monitor.store.settings import BatchSettings, RetentionSettings

_TOML_PLACE = re.compile(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", re.DOTALL)
_MOST_BYTES = 4_000_000


@dataclass(frozen=True)
class SiteFile:
    """A site file that is right, and what it says."""

    path: Path
    plant: Plant
    rules: tuple[Rule[Any], ...]
    brokers: tuple[Broker, ...]
    serial_ports: tuple[Port, ...]
    modbus_servers: tuple[Server, ...]
    loggers: tuple[Logger, ...]
    mail_servers: tuple[MailServer, ...]
    mirrors: tuple[Mirror, ...]
    delivery: DeliverySettings
    retention: RetentionSettings
    batch: BatchSettings
    heartbeat: Heartbeat
    status_topic: StatusTopic
    page: PageSettings
    all_well: AllWell
    data_dir: Path

    @cached_property
    def places(self) -> Places:
        """Where its tables stand. The file is read again: only who talks about the file itself asks."""
        text = _text(self.path)
        return Places(Document(_toml(self.path, text), text, site_tables()))


def load(path: str | Path) -> SiteFile:
    """The site file at a path.

    Raises: ConfigMistakes with everything that is wrong in it; nothing else for whatever the file holds.
    """
    path = Path(path)
    text = _text(path)
    document = Document(_toml(path, text), text, site_tables())
    try:
        tables: Any = _validated(document.model, document.raw)
    except ValidationError as error:
        mistakes = list(_own_mistakes(document, error))
    else:
        mistakes = []
    mistakes += disagreements(document)
    plant = _sound_part(document) if mistakes else _plant(tables)
    _, unfit = _built(document, plant, "derived", build_derived)
    rules, refused = _built(document, plant, "rule", _build_rule)
    mistakes += [*_wire_mistakes(document, plant), *unfit, *refused]
    if mistakes:
        raise ConfigMistakes(str(path), mistakes)
    return SiteFile(
        path=path,
        plant=plant,
        rules=tuple(rules),
        brokers=tables.broker,
        serial_ports=tables.serial_port,
        modbus_servers=tables.modbus_server,
        loggers=tables.logger,
        mail_servers=tables.mail_server,
        mirrors=tables.mirror,
        delivery=tables.delivery,
        retention=tables.retention,
        batch=tables.batch,
        heartbeat=tables.heartbeat,
        status_topic=tables.status_topic,
        page=tables.page,
        all_well=tables.all_well,
        data_dir=(path.parent / plant.site.data).resolve(),
    )


def tables_of(path: Path, model: type[BaseModel]) -> Any:
    """The tables of another file than a site's, as a model of its own describes them.

    Raises: ConfigMistakes with everything that is wrong in it.
    """
    text = _text(path)
    document = Document(_toml(path, text), text, model)
    tables, mistakes = None, list[Mistake]()
    try:
        tables = _validated(model, document.raw)
    except ValidationError as error:
        mistakes += _own_mistakes(document, error)
    mistakes += misnamed(document)
    if mistakes:
        raise ConfigMistakes(str(path), mistakes)
    return tables


def _text(path: Path) -> str:
    """The file's text; a byte order mark, which some editors write, is no part of it."""
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        found = (error.strerror or str(error)).lower()
        raise _refused(path, 0, f"it cannot be read: {found}", "a site file that may be read") from error
    except ValueError as error:  # a zero byte in the path
        raise _refused(path, 0, f"it cannot be read: {error}", "a site file that may be read") from error
    if len(content) > _MOST_BYTES:
        raise _refused(path, 0, f"more than {_MOST_BYTES} bytes", "a site file of usual size")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        found = f"byte 0x{content[error.start]:02x}, which is not UTF-8"
        raise _refused(path, line, found, "text saved as UTF-8") from error


def _toml(path: Path, text: str) -> dict[str, Any]:
    allowed = "TOML (https://toml.io); the rest of the file is read once this is right"
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise _refused(path, 0, "brackets nested too deeply", allowed) from error
    except ValueError as error:  # TOMLDecodeError, and what numbers and dates out of range raise
        placed = _TOML_PLACE.fullmatch(str(error))
        if placed is None:
            raise _refused(path, 0, str(error), allowed) from error
        line = int(placed[2]) if placed[2] else text.count("\n") + 1
        column = f", column {placed[3]}" if placed[3] else ", at the end of the file"
        raise _refused(path, line, f"{placed[1]}{column}", allowed) from error


def _refused(path: Path, line: int, found: str, allowed: str) -> ConfigMistakes:
    return ConfigMistakes(str(path), [Mistake(line, "the file as a whole", found, allowed)])


def _validated(model: Any, raw: Any) -> Any:
    """`raw` as the model. By way of JSON, where strict means: an array is a tuple, but "5" is no number."""
    return TypeAdapter(model).validate_json(json.dumps(raw, default=str), strict=True)


def _own_mistakes(document: Document, error: ValidationError) -> Iterator[Mistake]:
    """What is wrong in single tables, by pydantic's findings."""
    misspelt: set[tuple[Any, ...]] = set()
    findings = sorted(error.errors(include_url=False), key=lambda finding: finding["type"] == "missing")
    for finding in findings:
        path = document.path_in(finding["loc"])
        found = at(document.raw, path)
        fields = document.fields_around(path)
        if finding["type"] == "extra_forbidden":
            misspelt.add((*path[:-1], nearest(fields, path[-1])))
        # a key that is missing because it is misspelt is one mistake, and elements that are wrong are not few
        few = finding["type"] == "too_short" and isinstance(found, list)
        if (finding["type"] == "missing" and path in misspelt) or (few and len(found) > 0):
            continue
        where, stands, allowed = in_words(finding, path, found, fields)
        yield document.mistake(where, stands, allowed)


def _plant(tables: Any) -> Plant:
    return Plant.model_construct(**{name: getattr(tables, name) for name in Plant.model_fields})


def _sound_part(document: Document) -> Plant:
    """The plant as far as it can be read: what rests on sound tables is still checked."""
    site = _sound(document, Site, document.raw.get("site"))
    names = ("stage", "point", "sump", "instrument", "derived", "person")
    parts: dict[str, list[Any]] = {name: [] for name in names}
    for table in document.tables:
        if len(table.path) == 2 and table.path[0] in parts:
            value = _sound(document, table.model, table.raw)
            if value is None and table.name == "instrument":
                value = _sound_instrument(document, table)
            if value is not None:
                parts[str(table.path[0])].append(value)
    somewhere = Site(id="site", name="site", timezone="UTC", data="data")
    tables: dict[str, Any] = {name: tuple(sound) for name, sound in parts.items()}
    return Plant.model_construct(site=site or somewhere, **tables)


def _sound(document: Document, model: type[BaseModel], raw: Any) -> Any:
    try:
        return _validated(model, raw)
    except ValidationError:
        return None


def _sound_instrument(document: Document, table: Found) -> Instrument | None:
    """An instrument with a mistake somewhere, with those of its channels that are right."""
    inside = [t for t in document.tables if t.name == "channel" and t.path[:2] == table.path]
    channels = tuple(c for t in inside if (c := _sound(document, t.model, t.raw)) is not None)
    if not channels or not isinstance(table.raw.get("id"), str):
        return None
    kind = at(table.raw, ("wire", "kind"))
    return Instrument.model_construct(
        id=table.raw["id"],
        name="",
        point=table.raw.get("point"),
        sump=table.raw.get("sump"),
        wire=SimpleNamespace(kind=str(kind)),
        expected_interval=60_000,
        channel=channels,
    )


def _built(
    document: Document, plant: Plant, name: str, build: Callable[[Any, Plant], Any]
) -> tuple[list[Any], list[Mistake]]:
    """What is built of the tables of one name on the plant, and what it refuses."""
    built: list[Any] = []
    refused: list[Mistake] = []
    unsound = _ids(document) - _sound_ids(plant)
    for table in (t for t in document.tables if t.name == name):
        settings = _sound(document, table.model, table.raw)
        # one that names a table with a mistake of its own is judged once that is right
        named = {text for key, value in table.raw.items() if key != "id" for text in _texts_in(value)}
        if settings is None or unsound & named or refers_amiss(document, table):
            continue
        try:
            built.append(build(settings, plant))
        except ValueError as error:
            refused.append(_refusal(document, table, str(error)))
        except LookupError:
            # What it looks at names something that is not sound: judged once that is right.
            if not unsound and not any(disagreements(document)):
                raise
    return built, refused


def _build_rule(settings: Any, plant: Plant) -> Rule[Any]:
    rule: Rule[Any] = RULES[settings.kind].build(settings, plant)
    return rule


def _refusal(document: Document, table: Found, text: str) -> Mistake:
    """A refusal of a rule or a derived channel; they begin theirs with the key it is about."""
    named = re.match(r"(\w+)(?: = |: )", text)
    if named is None or named[1] not in table.raw:
        called = "derived channel" if table.name == "derived" else table.name
        return document.mistake(table.path, f'a {called} of kind "{table.raw.get("kind")}"', text)
    value = json.dumps(table.raw[named[1]], ensure_ascii=False, default=str)
    return document.mistake((*table.path, named[1]), *apart(value, text.removeprefix(f"{named[1]}: ")))


_OF_THE_PLANT = ("stage", "point", "sump", "instrument", "channel", "person")


def _ids(document: Document) -> set[str]:
    return {name for kind in _OF_THE_PLANT for name in document.named(kind)}


def _sound_ids(plant: Plant) -> set[str]:
    tables: tuple[Any, ...] = (*plant.stage, *plant.point, *plant.sump, *plant.instrument, *plant.person)
    return {table.id for table in tables} | set(plant.channels)


def _texts_in(raw: Any) -> set[str]:
    if isinstance(raw, str):
        return {raw}
    items = raw.values() if isinstance(raw, dict) else raw if isinstance(raw, list) else ()
    return {text for item in items for text in _texts_in(item)}


def _wire_mistakes(document: Document, plant: Plant) -> Iterator[Mistake]:
    """What a wire finds wrong with its instrument, and values that two channels would share."""
    taken: dict[str, str] = {}
    tables = document.named("instrument")
    for instrument in plant.instrument:
        if isinstance(instrument.wire, SimpleNamespace) or instrument.id not in tables:  # `id = 2026-01-01`
            continue
        path = (*tables[instrument.id].path, "wire")
        channels = [channel.id for channel in instrument.channel]
        if amiss := instrument.wire.mistakes(channels):
            allowed = "in the wire a value for each channel of the instrument, and for no other"
            yield document.mistake(path, "; ".join(amiss), allowed)
        for channel, source in instrument.wire.sources(channels).items():
            other = taken.setdefault(source, channel)
            if other != channel:
                yield document.mistake(
                    path,
                    f'{source} for channel "{channel}"',
                    f'each value for one channel; "{other}" already takes this one',
                )
