"""The site file of the show: a copy of config/demo-shop.toml with ports, devices and addresses filled in.

There are two of them on one data folder: `history.toml`, in which every instrument is read from the
logger's files, and `site.toml`, in which each is on its own wire.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulator.shop import Shop
from simulator.wires.logger import column_of

SITE = Path(__file__).parents[2] / "config" / "demo-shop.toml"
SECRET_FILE = "webhook-secret"
# On a clock that runs thousands of times as fast a tenth of a second, which any machine may take for
# something else, is minutes of the shop. So a value is waited for, and trusted, longer than in a real shop.
PATIENCE = "1 h"


@dataclass(frozen=True)
class Places:
    """Where the show's broker, mailbox and chat are."""

    broker_port: int
    mail_port: int
    chat_port: int
    mqtt_5: bool = True


def write_sites(folder: Path, places: Places, shop: Shop, *, rules: bool = True) -> tuple[Path, Path]:
    """Write both files; gives (history, live)."""
    table = tomllib.loads(SITE.read_text(encoding="utf-8"))
    for broker in table["broker"]:
        broker |= {"port": places.broker_port, "version": "5" if places.mqtt_5 else "3.1.1"}
    for port in table["serial_port"]:
        port["device"] = str(folder / port["device"])
    for server in table["mail_server"]:
        server["port"] = places.mail_port
    for person in table["person"]:
        for way in person["way"]:
            if way["kind"] == "webhook":
                way |= {"url": f"http://127.0.0.1:{places.chat_port}/goodwater", "secret_file": SECRET_FILE}
    if not rules:
        del table["rule"]
    live, history = folder / "site.toml", folder / "history.toml"
    history.write_text(toml(_from_files(table, shop)), encoding="utf-8")
    for instrument in table["instrument"]:
        instrument["expected_interval"] = PATIENCE
    live.write_text(toml(table), encoding="utf-8")
    return history, live


def _from_files(table: Mapping[str, Any], shop: Shop) -> dict[str, Any]:
    """The same site with every instrument read from files of the logger `history`."""
    columns = {item.name.lower().replace("_", "."): column_of(item) for item in shop.instruments}
    instruments = []
    for instrument in table["instrument"]:
        values = {channel["id"]: columns[channel["id"]] for channel in instrument["channel"]}
        wire = {"kind": "logger-file", "logger": "history", "values": values}
        instruments.append({**instrument, "wire": wire})
    logger = {"id": "history", "files": ["history/*.csv"], "time": ["time"]}
    return {**table, "logger": [logger], "instrument": instruments}


def toml(table: Mapping[str, Any]) -> str:
    """A document of tables and arrays of tables; what is inside them is written in line."""
    lines: list[str] = []
    for name, value in table.items():
        many = value if isinstance(value, list) else [value]
        for one in many:
            lines.append(f"[[{name}]]" if isinstance(value, list) else f"[{name}]")
            lines += [f"{_key(key)} = {_inline(inner)}" for key, inner in one.items()]
            lines.append("")
    return "\n".join(lines)


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() else json.dumps(name)


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return repr(value)
