"""The shop, its wires, stages, points, coolant, sumps and people as tables of the site file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from monitor.first.meters import wire_of
from monitor.first.people import EXAMPLE_MAIL
from monitor.first.shop import Shop
from monitor.first.tables import Assumed, Unset, table
from monitor.water.dissolved import ec25_from_tds_us_cm

STAGE_NAMES = {
    "tap": ("tap", "Tap"),
    "sediment-filter": ("filter", "Sediment filter"),
    "carbon": ("carbon", "Carbon filter"),
    "softener": ("softener", "Softener"),
    "booster": ("booster", "Booster pump"),
    "ro": ("ro", "RO"),
    "di": ("di", "DI bed"),
    "tank": ("tank", "Tank"),
}
# meter -> (point, its name); where it stands is told by `_after`
POINTS = {
    "tap": ("tap-out", "tap"),
    "feed": ("ro-feed", "RO feed"),
    "permeate": ("permeate", "RO permeate"),
    "di": ("di-out", "DI outlet"),
    "hardness": ("softened", "softener outlet"),
    "tank": ("in-tank", "tank"),
}
_AT = {"temperature": "permeate"}


def head(shop: Shop, kept: Mapping[str, str]) -> str:
    """`kept` are keys that a site file which is made anew has to keep, like the folder of its data."""
    told = {"id": shop.id, "name": shop.value("shop.name"), "timezone": shop.value("shop.timezone")}
    return table("[site]", {**told, **kept})


def point_of(shop: Shop, key: str) -> str:
    """The point a meter of the train measures at."""
    if key in ("flow", "run"):
        key = "permeate" if "ro" in shop.stages else "di"
    return POINTS[_AT.get(key, key)][0]


def _after(shop: Shop, point: str) -> str:
    """The stage whose outlet a point is."""
    kind = {
        "tap-out": "tap",
        "permeate": "ro",
        "di-out": "di",
        "in-tank": "tank",
        "softened": "softener",
    }.get(point)
    if kind is None:
        kind = shop.stages[shop.stages.index("ro") - 1]
    return STAGE_NAMES[kind][0]


def wires(shop: Shop) -> Iterator[str]:
    used = {wire_of(shop.answers, meter) for meter in shop.meters.values()}
    if "mqtt" in used:
        user = shop.value("broker.user") or None
        host, port = shop.value("broker.host")
        yield "# The broker that instruments or their gateway publish to.\n" + table(
            "broker",
            {
                "id": "shop",
                "host": host,
                "port": port,
                "tls": {} if port == 8883 else None,
                "username": user,
                "password_file": "broker-password" if user else None,
            },
        )
    for device, (name, baud) in serial_ports(shop).items():
        yield table("serial_port", {"id": name, "device": device, "baud": baud})
    if "modbus" in used:
        yield (
            "# Only a bus of its own; on one shared with drives or a controller this can trip machines.\n"
            + table(
                "serial_port",
                {
                    "id": "bus",
                    "device": shop.value("bus.port"),
                    "baud": shop.value("bus.baud"),
                    "parity": shop.value("bus.parity"),
                },
            )
        )
    if "tcp" in used:
        yield table("modbus_server", {"id": "device", "host": shop.value("server.host")})
    if "logger" in used:
        found = shop.value("logger.row")
        yield table(
            "logger",
            {
                "id": "log",
                "files": [shop.value("logger.files")],
                "delimiter": found.delimiter,
                "decimal": "comma" if found.comma else None,
                "time": list(found.time),
                "time_format": None if found.time_format == "iso" else found.time_format,
            },
        )


def serial_ports(shop: Shop) -> dict[str, tuple[str, int]]:
    """Ports with lines of text: device -> (id, baud)."""
    ports: dict[str, tuple[str, int]] = {}
    for meter in shop.meters.values():
        if wire_of(shop.answers, meter) == "line":
            device = shop.value(f"meter.{meter.key}.port")
            ports.setdefault(device, (f"line{len(ports) + 1}", shop.value(f"meter.{meter.key}.baud")))
    return ports


def train(shop: Shop) -> Iterator[str]:
    for kind in shop.stages:
        name, label = STAGE_NAMES[kind]
        yield table("stage", {"id": name, "kind": kind, "name": label, **_facts(shop, kind)})
    needed = {point_of(shop, key) for key, meter in shop.meters.items() if not meter.of_sumps}
    for point, label in POINTS.values():
        if point in needed:
            yield table("point", {"id": point, "after": _after(shop, point), "name": label})


def _facts(shop: Shop, kind: str) -> dict[str, Any]:
    if kind == "tap":
        return {key: shop.or_unset(f"tap.{key}") for key in ("hardness", "alkalinity", "ph")} | {
            "conductivity": _tap_conductivity(shop),
            "chlorine": shop.or_unset("tap.chlorine"),
        }
    if kind == "softener":
        return {
            "resin": shop.or_unset("softener.resin"),
            "salt": shop.or_unset("softener.salt"),
            "regeneration": shop.or_unset("softener.start"),
            "regenerates_every": shop.or_unset("softener.every"),
        }
    if kind == "ro":
        return {"rated_flow": shop.or_unset("ro.rated"), "recovery": shop.or_unset("ro.recovery")}
    if kind == "di":
        return {"resin": shop.or_unset("di.resin"), "service": shop.or_unset("di.service")}
    return {}


def _tap_conductivity(shop: Shop) -> Any:
    found = shop.or_unset("tap.dissolved")
    if isinstance(found, Unset) or found is None or not found.endswith(" ppm"):
        return found
    us_cm = ec25_from_tds_us_cm(float(found.split()[0]), "nacl")
    return Assumed(f"{us_cm:.0f} uS/cm", f"{found} on a hand meter, taken for one of the salt scale")


def sumps(shop: Shop) -> Iterator[str]:
    if not shop.sumps:
        return
    band = shop.or_unset("coolant.band")
    yield "# The coolant as its sheet describes it.\n" + table(
        "coolant",
        {
            "id": "coolant",
            "name": shop.value("coolant.name") or "coolant",
            "factor": shop.or_unset("coolant.factor"),
            "band": band if isinstance(band, Unset) else list(band),
            "mineral_limit": shop.or_unset("coolant.minerals"),
        },
    )
    for sump in shop.sumps:
        yield table(
            "sump",
            {
                "id": sump.id,
                "name": sump.name,
                "volume": sump.volume,
                "surface": sump.surface,
                "coolant": "coolant",
                "hours_a_week": shop.value("sump.hours"),
            },
        )


def people(shop: Shop) -> Iterator[str]:
    host, user, security = shop.value("mail.host"), shop.value("mail.user"), shop.value("mail.security")
    sender = shop.value("mail.sender") or (
        user if user and "@" in user else f"goodwater@{_domain(shop, host)}"
    )
    local = "no server was named: one on this machine is taken"
    yield "# Where mail is handed in.\n" + table(
        "mail_server",
        {
            "id": "mail",
            "host": host or Assumed("127.0.0.1", local),
            "port": shop.value("mail.port"),
            "security": security or "none",
            "username": user,
            "password_file": "mail-password" if user else None,
            "sender": sender,
        },
    )
    lead = shop.value("person.mail")
    to = lead or EXAMPLE_MAIL
    note = "" if lead else "# An example address, at which nothing arrives: put the real one.\n"
    digest = Assumed(True, "the weekly digest, on Monday morning")
    keys = {"id": "lead", "name": shop.value("person.name"), "digest": digest, "way": [_way(to)]}
    yield note + table("person", keys)
    if shop.value("person.second"):
        yield table(
            "person", {"id": "second", "name": "Second person", "way": [_way(shop.value("person.second"))]}
        )


def reminders() -> str:
    """When an alarm that nobody acknowledges is told again: about when its time to respond is over."""
    return "# What nobody acknowledges is told again after this, and then ever more rarely.\n" + table(
        "[alarms]", {"remind_high": "2 h", "remind_medium": "8 h", "remind_low": "7 days"}
    )


def _way(to: str) -> dict[str, str]:
    return {"kind": "email", "to": to, "via": "mail"}


def _domain(shop: Shop, host: str | None) -> str:
    """A name for the sender: the person's own, as a server's name is often no domain of mail."""
    mail = shop.value("person.mail") or shop.value("person.second")
    return mail.rpartition("@")[2] if mail else host or "shop.example"
