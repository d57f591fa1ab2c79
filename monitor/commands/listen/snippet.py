"""The tables to paste into a site file for what was heard. What is guessed says so; `?` waits."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from monitor.commands.listen.guess_line import Form, pattern_of
from monitor.commands.listen.shown import plain, toml, toml_text
from monitor.commands.listen.sources import Seen, Source
from monitor.intake.mqtt_settings import Broker
from monitor.intake.serial_port import stable_links
from monitor.intake.serial_settings import Port
from monitor.plant.fields import shown_duration
from monitor.plant.quantities import QUANTITIES

_SHEET = "from its sheet"


def of_topic(source: Source, broker: str, taken: set[str]) -> str:
    """An instrument for a topic of a broker; `taken` are ids that are used already, and those made here."""
    guess = source.guess
    name = _id(source.name, taken)
    channels = _channel_ids(name, source.seen.values(), taken)
    payload: dict[str, object] = {"kind": guess.kind, **guess.keys}
    if guess.kind != "number":
        payload["values"] = dict(
            zip(channels, (seen.part.where for seen in source.seen.values()), strict=True)
        )
    said = f"{plain(source.name)}: {_messages(source)}, read as {guess.kind}"
    wire = [
        "[instrument.wire]",
        'kind = "mqtt"',
        f'broker = "{broker}"',
        f"topic = {toml_text(source.name)}",
        *_table("instrument.wire.payload", payload),
    ]
    return "\n".join([*_instrument(name, said, source), *wire, *_channels(channels, source)])


def of_lines(source: Source, line: str, form: Form, port: str, taken: set[str]) -> str:
    """An instrument for lines of one shape, of which this is one, on a port."""
    pattern, keys = pattern_of(line, form)
    name = _id(f"{port}-meter", taken)
    channels = _channel_ids(name, source.seen.values(), taken)
    values = dict(zip(channels, (seen.part.where for seen in source.seen.values()), strict=True))
    said = f"{plain(line)}   ({_messages(source)})"
    wire = [
        "[instrument.wire]",
        'kind = "serial-line"',
        f'port = "{port}"',
        f"pattern = {toml_text(pattern)}",
        f"values = {toml(values)}",
        *(f"{key} = {toml(value)}" for key, value in keys.items()),
    ]
    return "\n".join([*_instrument(name, said, source), *wire, *_channels(channels, source)])


def _messages(source: Source) -> str:
    return "1 message" if source.count == 1 else f"{source.count} messages"


def _instrument(name: str, said: str, source: Source) -> list[str]:
    interval = source.interval_s
    remark = "as it spoke here" if interval else "it spoke but once: how often it does"
    return [
        f"# {said}",
        "[[instrument]]",
        f'id = "{name}"',
        '# point = "..."   # where it measures: the id of a [[point]]; or sump = "..." for a sump',
        f'expected_interval = "{shown_duration((interval or 60) * 1000)}"   # {remark}',
        "",
    ]


def _table(name: str, keys: dict[str, object]) -> list[str]:
    """A short table on one line, a long one by itself."""
    short = f"payload = {toml(keys)}"
    if len(short) < 100:
        return [short]
    return ["", f"[{name}]", *(f"{key} = {toml(value)}" for key, value in keys.items())]


def _channels(ids: Iterable[str], source: Source) -> list[str]:
    lines: list[str] = []
    for channel, seen in zip(ids, source.seen.values(), strict=True):
        lines += ["", "[[instrument.channel]]", f'id = "{channel}"', *_channel(seen)]
    return lines


def _channel(seen: Seen) -> list[str]:
    known = seen.likely
    if not known.quantity:
        return [
            f'quantity = "?"   # one of: {", ".join(QUANTITIES)}',
            f"unit = {toml_text(seen.part.unit or '?')}   # as it is sent",
            f"range = {_range(seen)}   # {_SHEET}",
            f"resolution = {seen.resolution:g}   # {_SHEET}",
        ]
    if known.quantity == "contact":
        return [
            'quantity = "contact"',
            'unit = "1"',
            "range = [0, 1]",
            "resolution = 1",
            '# normally = "closed"   # where it opens when the thing is so',
        ]
    lines = [
        f'quantity = "{known.quantity}"   # guessed by its name or unit',
        f'unit = "{known.unit}"{"" if seen.part.unit else "   # guessed"}',
        f"range = {_range(seen)}   # {_SHEET}",
        f"resolution = {seen.resolution:g}   # {_SHEET}",
    ]
    if known.quantity == "conductivity":
        lines.append("# compensated = true   # whether the meter itself refers its value to 25 °C")
    if known.quantity == "tds":
        lines.append('tds_scale = "?"   # what its maker assumes: nacl, kcl, natural, or own with tds_factor')
    return lines


def _range(seen: Seen) -> str:
    low, high = seen.range
    return f"[{low:.12g}, {high:.12g}]"


def _channel_ids(name: str, seen: Iterable[Seen], taken: set[str]) -> list[str]:
    return [_id(f"{name}.{_last(one.part.name) or 'value'}", taken) for one in seen]


def _last(name: str) -> str:
    """The end of a long name, which says what it is: of `urn:dev:mac:0024befffe804ff1:ec` the `ec`."""
    return re.split(r"[:/]", name)[-1] or name


def _id(text: str, taken: set[str]) -> str:
    """An id of its own, made from a text."""
    base = re.sub(r"[^a-z0-9._]+", "-", text.lower()).strip("-._")[:56] or "source"
    found, number = base, 2
    while found in taken:
        found, number = f"{base}-{number}", number + 1
    taken.add(found)
    return found


def broker_table(broker: Broker) -> str:
    """The broker's own table, where no site file has it."""
    keys = broker.model_dump(exclude_unset=True, exclude_none=True)
    return "\n".join(["[[broker]]", *(f"{key} = {toml(value)}" for key, value in keys.items())])


def port_table(port: Port, delimiter: str, *, not_ascii: bool) -> str:
    """The port's own table, where no site file has it."""
    device, remark = stable_name(port.device)
    keys: dict[str, object] = {"id": port.id, "device": device, "baud": port.baud}
    usual = Port(id=port.id, device=device)
    for key in ("bytesize", "parity", "stopbits"):
        if getattr(port, key) != getattr(usual, key):
            keys[key] = getattr(port, key)
    keys |= {"encoding": "latin-1"} if not_ascii else {}
    keys |= {"delimiter": delimiter} if delimiter != "lf" else {}
    lines = [f"{key} = {toml(value)}{remark if key == 'device' else ''}" for key, value in keys.items()]
    return "\n".join(["[[serial_port]]", *lines])


def stable_name(device: str) -> tuple[str, str]:
    """A port by the name that stays when plugs are changed, where it has one, and a remark."""
    links = stable_links()
    same = [link for link in links if Path(link).resolve() == Path(device).resolve()]
    if device in links or not same:
        return device, "" if device in links else "   # no stable name in /dev/serial/by-id was found for it"
    return same[0], f"   # {plain(device)} now; this name stays when plugs are changed"
