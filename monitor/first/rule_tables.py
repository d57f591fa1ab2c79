"""The rules that what is there can carry. No statistic is set: each rule learns its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.first.meters import IONS, shows, shows_resistivity, shows_tds
from monitor.first.shop import Shop
from monitor.first.stages import USUAL_LIMIT
from monitor.first.tables import Assumed, Unset, table
from monitor.plant.fields import Measure
from monitor.water.dissolved import TdsScale, ec25_from_tds_us_cm, tds_mg_l

# A membrane that passes more of the tap's salt is past use (common practice, no source).
_WORST_PASSAGE = 0.10


def rules(shop: Shop) -> Iterator[str]:
    yield from _limits(shop)
    yield from _softener(shop)
    yield from _membrane(shop)
    yield from _bed(shop)
    yield from _tank(shop)
    yield from _sumps(shop)
    yield from _strengths(shop)
    yield "# A value that repeats itself for longer than the instrument's own unrest explains.\n" + table(
        "rule", {"kind": "stuck", "id": "stuck", "priority": "medium"}
    )
    yield "# An instrument that says nothing any more: three times its expected interval.\n" + table(
        "rule", {"kind": "silent", "id": "silent", "priority": "medium"}
    )
    yield (
        "# Faults of the instruments themselves: a dead flow meter, a wrong clock, a broken wire.\n"
        + table("rule", {"kind": "instrument", "id": "faults", "priority": "medium"})
    )
    if shop.running is not None and any(shop.wired(key) for key in IONS):
        yield "# A probe that nothing was judged of although water was made.\n" + table(
            "rule", {"kind": "not-judged", "id": "not-judged", "priority": "medium"}
        )


# ---------------------------------------------------------------- the water


def _limits(shop: Shop) -> Iterator[str]:
    last = "di" if "di" in shop.stages else "ro"
    treated = shop.value("treated.limit")
    assumed = "" if treated else "taken: ask the coolant's supplier"
    if "di" in shop.meters:
        yield _limit(shop, "di", _us_cm(treated or USUAL_LIMIT[last]), "high", assumed)
    if "permeate" in shop.meters:
        if last == "ro":
            yield _limit(shop, "permeate", _us_cm(treated or USUAL_LIMIT[last]), "high", assumed)
        else:
            tap = shop.value("tap.dissolved")
            us_cm = _WORST_PASSAGE * _us_cm(tap) if tap else _us_cm(USUAL_LIMIT["ro"])
            yield _limit(shop, "permeate", us_cm, "medium", "a tenth of the tap's" if tap else "taken")
    if "tap" in shop.meters and not {"di", "permeate"} & set(shop.meters):
        tap = shop.value("tap.dissolved")
        if tap:
            yield _limit(shop, "tap", 1.3 * _us_cm(tap), "low", "a third above what was entered")


def _softener(shop: Shop) -> Iterator[str]:
    """Softened water has less than a grain (common practice, no source)."""
    if "hardness" not in shop.meters:
        return
    unit = shows(shop.answers, shop.meters["hardness"])[0]
    limit = "20 ppm" if unit in ("ppm", "mg/L") else f"{2 if unit == 'fH' else 1} {unit}"
    yield "# The one thing no probe tells: hard water behind the softener, by its test.\n" + table(
        "rule",
        {
            "kind": "softener",
            "id": "softener",
            "stage": "softener",
            "hardness": shop.channel("hardness"),
            "limit": Assumed(limit, "usual for softened water"),
            "priority": "medium",
        },
    )


def _us_cm(text: str) -> float:
    """A conductivity or a TDS as conductivity at 25 °C; a TDS is taken for one of the salt scale."""
    amount, unit = text.split(" ", 1)
    if unit in ("ppm", "g/L"):
        return ec25_from_tds_us_cm(float(amount) * (1000 if unit == "g/L" else 1), "nacl")
    return Measure(float(amount), unit).canonical("conductivity")


def _limit(shop: Shop, key: str, us_cm: float, priority: str, why: str) -> str:
    meter = shop.meters[key]
    side, value, unit = "above", us_cm, "uS/cm"
    if shows_tds(shop.answers, meter):
        scale = shop.value(f"meter.{key}.scale_of") or "nacl"
        value, unit = _tds(us_cm, scale), "ppm"
    elif shows_resistivity(shop.answers, meter):
        side, value, unit = "below", 1.0 / us_cm, "Mohm*cm"
    limit = f"{float(f'{value:.3g}'):g} {unit}"
    worse = 2.0 * value if side == "above" else 0.5 * value  # twice as bad is told again
    return table(
        "rule",
        {
            "kind": "limit",
            "id": f"{key}-{'high' if side == 'above' else 'low'}",
            "channel": _named(shop, key),
            side: Assumed(limit, why) if why else limit,
            "deadband": f"{float(f'{0.1 * value:.2g}'):g} {unit}",
            "worse": f"{float(f'{worse:.3g}'):g} {unit}",
            "on_delay": "2 min",
            "priority": priority,
        },
    )


def _tds(us_cm: float, scale: str) -> float:
    """On a scale by its name, or by its factor."""
    known: TdsScale = "kcl" if scale == "kcl" else "natural" if scale == "natural" else "nacl"
    return tds_mg_l(us_cm, known) if scale.isalpha() else tds_mg_l(us_cm, "own", float(scale))


def _named(shop: Shop, key: str) -> str:
    return str(shop.channel(key))


def _trend(shop: Shop, *keys: str) -> str | None:
    """The first of the meters whose weeks can be compared."""
    return next((shop.channel(key) for key in keys if shop.trend(key)), None)


def _membrane(shop: Shop) -> Iterator[str]:
    if "permeate" not in shop.meters or shows_resistivity(shop.answers, shop.meters["permeate"]):
        return
    if not shop.trend("permeate"):
        yield (
            "# Rule creep is left out: the permeate's value does not stand at 25 °C, so a cold\n"
            "# week would look like good water. Set compensated = true where the meter does it, or name a\n"
            "# thermometer."
        )
        return
    yield (
        "# A membrane that slowly lets more salt through. After a new one: membrane_since = 2026-03-02\n"
        + table(
            "rule",
            {
                "kind": "creep",
                "id": "membrane",
                "permeate": shop.channel("permeate"),
                "feed": _trend(shop, "feed", "tap"),
                "temperature": shop.channel("temperature"),
                "permeate_flow": shop.channel("flow"),
                "priority": "medium",
            },
        )
    )


def _bed(shop: Shop) -> Iterator[str]:
    if "di" not in shop.meters or shows_resistivity(shop.answers, shop.meters["di"]):
        return
    if shop.value("di.resin") is None:
        yield f"# Rule breakthrough is left out. {shop.or_unset('di.resin').why}"
        return
    inlet = shop.channel("permeate") or (shop.channel("tap") if "ro" not in shop.stages else None)
    tap = shop.channel("tap") if shop.channel("tap") != inlet else None
    treated = shop.value("treated.limit") or USUAL_LIMIT["di"]
    flow, running = shop.channel("flow"), shop.channel("run")
    rated = shop.value("ro.rated") if running and not flow else None
    common: dict[str, Any] = {
        "outlet": shop.channel("di"),
        "inlet": inlet,
        "tap": tap,
        "flow": flow,
        "running": running,
        "rated_flow": rated,
        "limit": f"{_us_cm(treated):.4g} uS/cm",
    }
    since = shop.or_unset("di.since")
    yield (
        "# The resin bed: when it will be spent, and the first small rise. Enter every change of resin.\n"
        + table(
            "rule",
            {
                "kind": "breakthrough",
                "id": "bed",
                **common,
                "installed": since if isinstance(since, Unset) else [since],
                "watch_for": ["forecast", "front"],
                "priority": "medium",
            },
        )
    )
    if inlet:
        yield "# A spent bed that gives off what it held.\n" + table(
            "rule",
            {
                "kind": "breakthrough",
                "id": "discharge",
                **common,
                "watch_for": ["discharge"],
                "priority": "high",
            },
        )


# ---------------------------------------------------------------- levels


def _tank(shop: Shop) -> Iterator[str]:
    if "tank" in shop.meters and shop.value("meter.tank.low"):
        yield _low("tank-low", "tank.level", shop.value("meter.tank.low"), "10 min", "high")


def _low(known: str, channel: str, level: str, delay: str, priority: str) -> str:
    amount, unit = level.split(" ", 1)
    return table(
        "rule",
        {
            "kind": "limit",
            "id": known,
            "channel": channel,
            "below": level,
            "deadband": f"{float(f'{0.15 * float(amount):.2g}'):g} {unit}",
            "on_delay": delay,
            "priority": priority,
        },
    )


def _strengths(shop: Shop) -> Iterator[str]:
    """The coolant's band as the refractometer shows it."""
    factor, band = shop.value("coolant.factor"), shop.value("coolant.band")
    if "brix" not in shop.meters or factor is None or band is None:
        return
    for word, side, share in zip(("thin", "rich"), ("below", "above"), band, strict=True):
        limit = Assumed(f"{float(share.split()[0]) / factor:.1f} brix", f"{share}, factor {factor:g}")
        for sump in shop.sumps:
            yield table(
                "rule",
                {
                    "kind": "limit",
                    "id": f"{sump.id}-{word}",
                    "channel": f"{sump.id}.brix",
                    side: limit,
                    "priority": "low",
                },
            )


def _sumps(shop: Shop) -> Iterator[str]:
    if "level" not in shop.meters:
        return
    if any(not isinstance(sump.surface, Unset) for sump in shop.sumps):
        yield (
            "# A sump that loses more than it used to and its neighbours do, and a level that falls fast.\n"
            + table("rule", {"kind": "loss", "id": "loss", "watch_for": "slow", "priority": "medium"})
        )
        yield table("rule", {"kind": "loss", "id": "burst", "watch_for": "fast", "priority": "high"})
    low = shop.value("meter.level.low")
    if low:
        for sump in shop.sumps:
            yield _low(f"{sump.id}-low", f"{sump.id}.level", low, "30 min", "low")
