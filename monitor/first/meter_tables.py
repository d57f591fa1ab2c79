"""The instruments as tables of the site file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.first import samples
from monitor.first.meters import Meter, every_of, shows, shows_tds, wire_of
from monitor.first.plant_tables import point_of, serial_ports
from monitor.first.sent import message_of
from monitor.first.shop import Shop
from monitor.first.tables import Assumed, Literal, Unset, table

_QUANTITY = {
    "flow": "flow",
    "temperature": "temperature",
    "tank": "level",
    "level": "level",
    "topoff": "volume",
    "hardness": "hardness",
    "brix": "concentration",
    "run": "contact",
    "pump": "contact",
}
_NAMES = {
    "tap": "tap meter",
    "feed": "RO feed meter",
    "permeate": "permeate meter",
    "di": "DI meter",
    "flow": "flow meter",
    "run": "run contact",
    "temperature": "thermometer",
    "tank": "tank level",
    "level": "level of",
    "pump": "pump contact of",
    "topoff": "top-off counter of",
    "hardness": "hardness test",
    "brix": "refractometer at",
}
_TABLE = {
    "holding": "holding-registers",
    "input": "input-registers",
    "discrete": "discrete-inputs",
    "coils": "coils",
}
# Standing still is usual for these; for the others two days.
_FLAT_AFTER = {"flow": "30 days", "run": "30 days", "pump": "30 days"}


def instruments(shop: Shop) -> Iterator[str]:
    """Each with its channel, the sumps' one sump after the other."""
    for meter in shop.meters.values():
        if not meter.of_sumps:
            channel = shop.channel(meter.key)
            yield _instrument(
                shop,
                meter,
                f"{meter.key}-meter",
                _NAMES[meter.key],
                str(channel),
                {"point": point_of(shop, meter.key)},
                0,
            )
    for number, sump in enumerate(shop.sumps):
        for meter in (m for m in shop.meters.values() if m.of_sumps):
            name = f"{_NAMES[meter.key]} {sump.name}"
            yield _instrument(
                shop,
                meter,
                f"{sump.id}-{meter.key}",
                name,
                f"{sump.id}.{meter.key}",
                {"sump": sump.id},
                number,
            )


def _instrument(
    shop: Shop, meter: Meter, known: str, name: str, channel: str, place: dict[str, str], number: int
) -> str:
    head = table(
        "instrument",
        {
            "id": known,
            "name": name,
            **place,
            "expected_interval": every_of(shop.answers, meter),
            "wire": _wire(shop, meter, channel, number),
        },
    )
    return "\n\n".join([head, table("instrument.channel", _channel(shop, meter, channel))])


# ---------------------------------------------------------------- wires


def _wire(shop: Shop, meter: Meter, channel: str, number: int) -> dict[str, Any]:
    at, wire = f"meter.{meter.key}", wire_of(shop.answers, meter)
    if wire == "eye":
        return {"kind": "hand"}
    if wire == "mqtt":
        topic = shop.value(f"{at}.topic")
        if meter.of_sumps:
            topic = topic.replace("{sump}", shop.sumps[number].id).replace("{n}", str(number + 1))
        return {"kind": "mqtt", "broker": "shop", "topic": topic, "payload": _payload(shop, meter, channel)}
    if wire == "line":
        port = serial_ports(shop)[shop.value(f"{at}.port")][0]
        place = int(shop.value(f"{at}.value") or 1)
        pattern = samples.line_pattern(shop.value(f"{at}.line"), place, "v")
        return {"kind": "serial-line", "port": port, "pattern": Literal(pattern), "values": {channel: "v"}}
    if wire == "logger":
        return {"kind": "logger-file", "logger": "log", "values": {channel: _column(shop, at, number)}}
    where = (
        {"kind": "modbus-rtu", "port": "bus"}
        if wire == "modbus"
        else {"kind": "modbus-tcp", "server": "device"}
    )
    return where | {
        "unit": shop.value(f"{at}.unit") + number,
        "function": _TABLE[shop.value(f"{at}.table")],
        "every": every_of(shop.answers, meter),
        "value": [_register(shop, meter, channel)],
    }


def _payload(shop: Shop, meter: Meter, channel: str) -> dict[str, Any]:
    found = message_of(shop.answers, meter)
    if found is None:  # every question is answered before a file is made
        raise ValueError(f"{meter.key}: no message was answered")
    if found.kind == "number":
        comma = found.decimal if found.decimal == "comma" else None
        return {
            "kind": "number",
            "decimal": comma,
            "unit_text": [found.unit_text] if found.unit_text else None,
        }
    many = len(found.values) > 1
    pointer = shop.value(f"meter.{meter.key}.value") if many else found.values[0].where
    timed = {"time": found.time, "time_unit": found.time_unit} if found.time else {}
    return {"kind": "json", **timed, "values": {channel: pointer}}


def _column(shop: Shop, at: str, number: int) -> str:
    """The column, and for the next sumps those that follow it."""
    columns = shop.value("logger.row").columns
    first = columns.index(shop.value(f"{at}.column"))
    return str(columns[min(first + number, len(columns) - 1)])


def _register(shop: Shop, meter: Meter, channel: str) -> dict[str, Any]:
    at = f"meter.{meter.key}"
    value = {"channel": channel, "address": shop.value(f"{at}.register")}
    if meter.contact:
        bits = shop.value(f"{at}.table") in ("discrete", "coils")
        return value if bits else value | {"type": "uint16"}
    scale = shop.value(f"{at}.scale")
    return value | {"type": shop.value(f"{at}.type"), "scale": None if scale == 1 else scale}


# ---------------------------------------------------------------- channels


def _channel(shop: Shop, meter: Meter, channel: str) -> dict[str, Any]:
    at = f"meter.{meter.key}"
    if meter.contact:
        closed = shop.value(f"{at}.closed")
        return {
            "id": channel,
            "quantity": "contact",
            "unit": "1",
            "range": [0, 1],
            "resolution": 1,
            "normally": None if closed else "closed",
            "flat_after": _FLAT_AFTER[meter.key],
        }
    unit, top, digit = shows(shop.answers, meter)
    quantity = _QUANTITY.get(meter.key) or _ions_quantity(unit)
    return {
        "id": channel,
        "quantity": quantity,
        "unit": unit,
        "range": [_lowest(meter), top],
        "resolution": digit,
        "accuracy": _accuracy(shop, at),
        **(_compensation(shop, meter) if meter.ions else {}),
        "gate": _gate(shop) if meter.ions and shop.wired(meter.key) else None,
        "flat_after": _FLAT_AFTER.get(meter.key),
    }


def _ions_quantity(unit: str) -> str:
    if unit == "Mohm*cm":
        return "resistivity"
    return "tds" if unit in ("ppm", "g/L") else "conductivity"


def _lowest(meter: Meter) -> float:
    return -20.0 if meter.key == "temperature" else 0.0


def _accuracy(shop: Shop, at: str) -> Any:
    found = shop.or_unset(f"{at}.accuracy")
    return found if isinstance(found, Unset) else {found[0]: found[1]}


def _compensation(shop: Shop, meter: Meter) -> dict[str, Any]:
    if shows_tds(shop.answers, meter):
        scale = shop.value(f"meter.{meter.key}.scale_of")
        if scale is None:
            return {"tds_scale": Assumed("nacl", "taken: its sheet says what it is")}
        return {"tds_scale": scale} if scale.isalpha() else {"tds_scale": "own", "tds_factor": float(scale)}
    if shows(shop.answers, meter)[0] == "Mohm*cm":
        return {}
    compensated = shop.or_unset(f"meter.{meter.key}.compensated")
    if compensated is False and "temperature" in shop.meters:
        return {
            "compensated": False,
            "compensation": "natural-water",
            "temperature": shop.channel("temperature"),
        }
    return {"compensated": compensated}


def _gate(shop: Shop) -> Any:
    """Judged while treated water is made; a probe in standing water says nothing of it."""
    if shop.running is None:
        return None
    rated = shop.value("ro.rated")
    above = None
    if "flow" in shop.meters and rated is not None:
        amount, unit = rated.split(" ", 1)
        above = f"{float(f'{0.1 * float(amount):.2g}'):g} {unit}"
    metered = "flow" in shop.meters
    return {
        "flow": shop.running,
        "running": shop.channel("run") if metered else None,
        "tank": shop.channel("tank") if metered else None,
        "above": above,
        "minutes": "10 min",
    }
