"""What an instrument holds out at a moment, and how its value is written as text."""

from __future__ import annotations

from simulator.instruments import FAILED, OVER, UNDER, Sample, model_of
from simulator.shop import Instrument
from simulator.year import Run

# An instrument that has not reported for this many of its intervals is taken as not there.
LOST_AFTER = 2.5


def present(run: Run, instrument: Instrument, shop_ms: float) -> Sample | None:
    """The value an instrument shows at a shop time, None when it is lost or has not begun."""
    sample = run.latest(instrument.name, int(shop_ms))
    if sample is None or shop_ms - sample.sent_ms > LOST_AFTER * 1000.0 * instrument.interval_s:
        return None
    return sample


def decimals(instrument: Instrument) -> int:
    """Digits after the point that the instrument's resolution shows."""
    text = f"{model_of(instrument).resolution:.6f}".rstrip("0")
    return len(text.partition(".")[2])


def text_of(sample: Sample, digits: int) -> str:
    """A value as a display or a logger writes it; off its scale with > or <, failed as --."""
    if sample.status == FAILED:
        return "--"
    mark = {OVER: ">", UNDER: "<"}.get(sample.status, "")
    return mark + number_of(sample.value, digits)


def number_of(value: float, digits: int) -> str:
    """A number as displays write it: nothing is never "-0"."""
    return f"{value + 0.0:.{digits}f}"


def unit_of(instrument: Instrument) -> str:
    """Unit in the instrument's own words."""
    kind = model_of(instrument).kind
    if kind in ("ec25", "ppm"):
        return {"ec25": "uS/cm", "ppm": "ppm"}[kind]
    units = {
        "ec": "uS/cm", "temp": "C", "flow": "L/min", "total": "L", "topoff": "L", "pressure": "bar",
        "level": "mm", "run": "", "humidity": "%",
    }  # fmt: skip
    return units.get(instrument.measures.partition(":")[0], "")
