"""A small right site file, and the wrong ones made from it."""

from __future__ import annotations

from pathlib import Path

SITE = """\
[site]
id = "shop"
name = "Example Shop"
timezone = "UTC"
data = "data"

[[broker]]
id = "hall"
host = "127.0.0.1"

[[serial_port]]
id = "cabinet"
device = "/dev/ttyUSB0"

[[mail_server]]
id = "office"
host = "127.0.0.1"
security = "none"
sender = "goodwater@shop.example"

[[stage]]
id = "tap"
kind = "tap"

[[stage]]
id = "ro"
kind = "ro"

[[point]]
id = "tap-out"
after = "tap"

[[point]]
id = "permeate"
after = "ro"

[[sump]]
id = "m1"
volume = "200 L"
surface = "0.8 m2"

[[instrument]]
id = "ro-node"
point = "permeate"
expected_interval = "30 s"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "water/ro"
payload = { kind = "json", time = "/t", values = { "ro.ec" = "/ec", "ro.t" = "/c", "ro.flow" = "/flow" } }

[[instrument.channel]]
id = "ro.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
accuracy = { of_reading = "2 %" }
compensation = "linear"
temperature = "ro.t"
gate = { flow = "ro.flow", minutes = "5 min" }

[[instrument.channel]]
id = "ro.t"
quantity = "temperature"
unit = "degC"
range = [0.0, 60.0]
resolution = 0.1

[[instrument.channel]]
id = "ro.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 20.0]
resolution = 0.1

[[instrument]]
id = "tap-meter"
point = "tap-out"
expected_interval = "1 min"
wire = { kind = "serial-line", port = "cabinet", pattern = 'TDS (?P<v>[0-9]+)', values = { "tap.tds" = "v" } }

[[instrument.channel]]
id = "tap.tds"
quantity = "tds"
unit = "ppm"
range = [0.0, 1999.0]
resolution = 1.0
tds_scale = "nacl"

[[rule]]
kind = "limit"
id = "ro-high"
channel = "ro.ec"
above = "20 uS/cm"
priority = "high"

[[rule]]
kind = "silent"
id = "silent"

[[person]]
id = "lead"
name = "Maintenance lead"
priorities = ["high", "medium"]
way = [{ kind = "email", to = "lead@shop.example", via = "office" }]
"""


def changed(*changes: tuple[str, str]) -> str:
    """SITE with texts replaced; each must stand there exactly once, so that no test changes nothing."""
    text = SITE
    for old, new in changes:
        if text.count(old) != 1:
            raise ValueError(f"{old!r} stands {text.count(old)} times in the site file")
        text = text.replace(old, new)
    return text


def written(folder: Path, text: str) -> Path:
    """The text as a site file."""
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path
