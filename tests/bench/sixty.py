"""A shop of sixty channels for measurements: the demonstration's, with a thermometer in each sump.

Every channel is an instrument of its own on one MQTT broker, so that a message is a reading. All rules of the
demonstration judge it.
"""

from __future__ import annotations

import json
import random
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from monitor.config import SiteFile, load
from monitor.readings import Sample

_DEMO = Path(__file__).parents[2] / "config" / "demo-shop.toml"
_SUMP_RANGE = {"id": "", "quantity": "temperature", "unit": "degC", "range": [0.0, 80.0], "resolution": 0.1}
# How often they speak, as in a shop where nothing is sped up: the train twice a minute, sumps once.
_TRAIN_S, _SUMP_S = 30, 60
CHANNELS = 60


def text_of(broker_port: int, more: str = "") -> str:
    """The site file."""
    raw = tomllib.loads(_DEMO.read_text(encoding="utf-8"))
    for name in ("serial_port", "logger", "modbus_server", "derived"):
        raw.pop(name, None)
    raw["broker"] = [{"id": "hall", "host": "127.0.0.1", "port": broker_port}]
    raw["site"]["data"] = "data"
    raw["instrument"] = list(_instruments(raw))
    for rule in raw["rule"]:
        if rule["kind"] == "silent":
            del rule["after"]
    return "\n".join(_tables(raw)) + "\n" + more


def site_of(folder: Path, broker_port: int = 1883, more: str = "") -> SiteFile:
    """The shop, its site file in a folder."""
    path = folder / "site.toml"
    path.write_text(text_of(broker_port, more), encoding="utf-8")
    site = load(path)
    assert len(site.plant.channels) == CHANNELS, len(site.plant.channels)
    return site


def _instruments(raw: dict[str, Any]) -> Iterator[dict[str, Any]]:
    thermometers = [
        {"sump": sump["id"], "channel": [_SUMP_RANGE | {"id": f"{sump['id']}.temp"}]} for sump in raw["sump"]
    ]
    station = {"point": "permeate", "channel": [_SUMP_RANGE | {"id": "station.temp"}]}
    for instrument in (*raw["instrument"], *thermometers, station):
        for channel in instrument["channel"]:
            made = {key: value for key, value in instrument.items() if key in ("point", "sump")}
            made["id"] = channel["id"].replace(".", "-")
            made["expected_interval"] = f"{_SUMP_S if 'sump' in instrument else _TRAIN_S} s"
            payload = {"kind": "json", "time": "/t", "values": {channel["id"]: "/v"}}
            made["wire"] = {
                "kind": "mqtt",
                "broker": "hall",
                "topic": topic_of(channel["id"]),
                "payload": payload,
            }
            made["channel"] = [channel]
            yield made


def topic_of(channel: str) -> str:
    return "shop/" + channel.replace(".", "/")


def _tables(raw: dict[str, Any]) -> Iterator[str]:
    for name, value in raw.items():
        for table in value if isinstance(value, list) else [value]:
            yield f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            yield from (f"{json.dumps(key)} = {_written(item)}" for key, item in table.items())


def _written(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {_written(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_written, value)) + "]"
    if isinstance(value, str | bool):
        return json.dumps(value)
    return str(value)


class Values:
    """What the channels show: steady with their last digits moving, counters counting, contacts at times."""

    def __init__(self, site: SiteFile, seed: int) -> None:
        self._chance = random.Random(seed)
        self._channels = site.plant.channels
        self._usual: dict[str, float] = {}

    def of(self, name: str, at_ms: int) -> float:
        """The value of a channel at a time, as its display shows it."""
        channel = self._channels[name]
        low, high = channel.range
        if channel.quantity == "contact":
            return float(at_ms // 5_400_000 % 2)
        usual = self._usual.setdefault(
            name, 22.0 if channel.quantity == "temperature" else low + 0.1 * (high - low)
        )
        if channel.quantity == "volume":
            usual = self._usual[name] = usual + 2 * channel.resolution
        else:
            usual += self._chance.gauss(0.0, 1.2) * channel.resolution
        return round(round(usual / channel.resolution) * channel.resolution, 6)


def plan(site: SiteFile, seconds: int, seed: int) -> list[tuple[float, str]]:
    """When each channel speaks, in seconds from the start, by its interval from a random moment on."""
    chance = random.Random(seed)
    due: list[tuple[float, str]] = []
    for instrument in site.plant.instrument:
        interval_s = instrument.expected_interval / 1000
        at_s = chance.uniform(0, interval_s)
        while at_s < seconds:
            due += [(at_s, channel.id) for channel in instrument.channel]
            at_s += interval_s
    return sorted(due)


def samples(site: SiteFile, begin_ms: int, seconds: int, seed: int) -> Iterator[Sample]:
    """What arrives in so many seconds, as Samples that carry their time."""
    values = Values(site, seed)
    for at_s, name in plan(site, seconds, seed):
        at_ms = begin_ms + round(at_s * 1000)
        yield Sample(name, values.of(name, at_ms), at_ms + 150, at_ms)
