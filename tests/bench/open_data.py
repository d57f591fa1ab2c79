"""Rules that fit, judged on open third-party series: events found, delay, false alarms, time spent in alarm.

    python -m tests.bench.open_data [--json FILE]

The folder is GOODWATER_DATASETS, or ../shared/reference/datasets beside the project; its README says where
each series comes from and which labels are noise. Nothing of it is copied here. Dates are shifted by whole
weeks to after the gateway's clock is trusted. Beside the rules: a fixed band, the rolling 4-sigma z-score of
`detection/baselines.py`, and five equal values (QARTOD's flat line by the count of its manual).
"""

from __future__ import annotations

import argparse
import csv
import gzip
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.readings import CLOCK_TRUSTED_FROM_MS, Reason, Sample
from monitor.replay.stream import steps, with_ticks
from monitor.watch import Watch
from tests.bench.detection import cache
from tests.bench.detection.baselines import SIGMAS, deviations
from tests.bench.detection.cache import REPOSITORY
from tests.bench.detection.intervals import binomial, poisson
from tests.bench.detection.watching import Site, site_of_text

Floats = NDArray[np.float64]
Spans = list[tuple[int, int]]
MINUTE_MS, DAY_MS = 60_000, 86_400_000
WEEK_MS = 7 * DAY_MS
# An alarm so long after an event's end still tells of it.
SLACK_MS = 6 * 3_600_000
RAMPS = (3.0, 6.0, 12.0)


class NoData(Exception):
    """The folder of open data is not there."""


def folder() -> Path:
    """The folder of the open series.

    Raises: NoData saying where it was looked for and what to set.
    """
    named = os.environ.get("GOODWATER_DATASETS")
    path = Path(named) if named else REPOSITORY.parent / "shared" / "reference" / "datasets"
    if not (path / "README.md").is_file():
        raise NoData(
            f"the open data is not in {path}: set GOODWATER_DATASETS to the folder that holds README.md and "
            "gecco2018_part1.csv.gz; docs/detection.md says what it is"
        )
    return path


@dataclass(frozen=True)
class Open:
    """One series: times (ms, shifted), values (NaN where there is none), and events by kind."""

    name: str
    step_min: float
    resolution: float
    times: NDArray[np.int64]
    values: Floats
    events: dict[str, Spans]

    @property
    def weeks(self) -> float:
        return float(self.times[-1] - self.times[0]) / WEEK_MS


def _ms(text: str) -> int:
    return int(np.datetime64(text.rstrip("Z").replace(" ", "T"), "ms").astype(np.int64))


def _labels(path: Path, shift_ms: int, kind: str | None = None) -> dict[str, Spans]:
    found: dict[str, Spans] = {}
    with path.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            name = kind or row["kind"]
            found.setdefault(name, []).append((_ms(row["start"]) + shift_ms, _ms(row["end"]) + shift_ms))
    return found


def read(where: Path, file: str, column: str, labels: str = "", kind: str | None = None) -> Open:
    """One column of one file, with the events of a label file."""
    times, values = [], []
    with gzip.open(where / f"{file}.csv.gz", "rt", encoding="utf-8") as text:
        for row in csv.DictReader(text):
            times.append(_ms(row["time"]))
            values.append(float(row[column]) if row[column] not in ("", "NA", "-9999") else np.nan)
    at = np.array(times, dtype=np.int64)
    shift_ms = -((at[0] - CLOCK_TRUSTED_FROM_MS - 5 * DAY_MS) // WEEK_MS) * WEEK_MS
    events = _labels(where / f"{labels}.csv", int(shift_ms), kind) if labels else {}
    value = np.array(values)
    gaps = np.diff(np.unique(value[np.isfinite(value)]))
    step = float(np.median(np.diff(at))) / MINUTE_MS
    return Open(f"{file} {column}", step, float(f"{gaps.min():.1g}"), at + shift_ms, value, events)


def every(series: Open, minutes: float) -> Open:
    """The same at most once in so many minutes."""
    slot = series.times // round(minutes * MINUTE_MS)
    keep = np.concatenate([[True], np.diff(slot) > 0])
    return replace(series, times=series.times[keep], values=series.values[keep], step_min=minutes)


def all_series(where: Path) -> list[Open]:
    """The series that the rules fit."""
    found = [
        read(where, "gecco2018_part1", "cond_us_cm", "gecco2018_part1_labels_cond", "event"),
        read(where, "usgs_01581752_2016h2", "spcond_us_cm"),
    ]
    for site in ("franklinbasin2014", "mainstreet2019", "mendon2019", "tonygrove2014"):
        found.append(read(where, f"lro_{site}", "spcond_us_cm", f"lro_{site}_cond_labels_clear"))
    return found


_SITE = """
[site]
id = "open"
name = "Open data"
timezone = "UTC"
data = "open-data"
[[broker]]
id = "shop"
host = "127.0.0.1"
[[mail_server]]
id = "office"
host = "127.0.0.1"
port = 1025
security = "none"
sender = "goodwater@shop.example"
[[stage]]
id = "di"
kind = "di"
name = "DI bed"
resin = "20 L"
[[point]]
id = "out"
after = "di"
name = "outlet"
[[instrument]]
id = "meter"
point = "out"
expected_interval = "{every:g} min"
wire = {{ kind = "mqtt", broker = "shop", topic = "out", payload = {{ kind = "number" }} }}
[[instrument.channel]]
id = "ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 5000.0]
resolution = {resolution:g}
accuracy = {{ of_reading = "2 %" }}
compensated = true
[[person]]
id = "lead"
name = "Lead"
way = [{{ kind = "email", to = "lead@shop.example", via = "office" }}]
"""


def band(series: Open) -> tuple[float, float]:
    """A fixed band as a shop sets it: a fifth to both sides of the median of the first fortnight."""
    first = series.values[series.times < series.times[0] + 14 * DAY_MS]
    usual = float(np.nanmedian(first))
    return 0.8 * usual, 1.2 * usual


def _band_rules(series: Open) -> str:
    low, high = band(series)
    return "".join(
        f'[[rule]]\nkind = "limit"\nid = "{name}"\nchannel = "ec"\n{side} = "{value:.1f} uS/cm"\n'
        f'deadband = "{0.02 * value:.1f} uS/cm"\non_delay = "{max(5.0, series.step_min):g} min"\n'
        for name, side, value in (("high", "above", high), ("low", "below", low))
    )


# Each rule that fits one channel, as a site file would hold it; a new kind is one line here.
RULES: dict[str, Callable[[Open], str]] = {
    "limit": _band_rules,
    "stuck": lambda _: '[[rule]]\nkind = "stuck"\nid = "stuck"\n',
    "creep": lambda _: '[[rule]]\nkind = "creep"\nid = "creep"\npermeate = "ec"\n',
    "front": lambda _: (
        '[[rule]]\nkind = "breakthrough"\nid = "front"\noutlet = "ec"\nwatch_for = ["front"]\n'
    ),
}


def site(series: Open, names: Sequence[str] = tuple(RULES)) -> Site:
    """A shop of one meter, watched by these rules."""
    text = _SITE.format(every=series.step_min, resolution=series.resolution)
    return site_of_text(text + "".join(RULES[name](series) for name in names))


def ours(series: Open, names: Sequence[str] = tuple(RULES)) -> dict[str, Spans]:
    """Stretches in alarm of each kind of rule; `flags`: readings that were marked as a jump."""
    made = site(series, names)
    good = np.isfinite(series.values)
    pairs = zip(series.times[good].tolist(), series.values[good].tolist(), strict=True)
    timed = ((at, Sample("ec", value, at, at)) for at, value in pairs)
    found: dict[str, Spans] = {name: [] for name in (*names, "flags")}
    open_since: dict[str, tuple[str, int]] = {}
    events = with_ticks(timed, int(series.times[0]), int(series.times[-1]))
    for _, done in steps(Watch(made.file.plant, list(made.file.rules)), events):
        for _, moved in done.transitions:
            kind = "front" if moved.rule_kind == "breakthrough" else moved.rule_kind
            if moved.cause == "raised":
                open_since[moved.condition] = (kind, moved.time_ms)
            elif moved.cause == "returned" and moved.condition in open_since:
                found[kind].append((open_since.pop(moved.condition)[1], moved.time_ms))
        for _, reading in done.readings:
            if reading.reasons & Reason.JUMP:
                found["flags"].append((reading.time_ms, reading.time_ms))
    for kind, since in open_since.values():
        found[kind].append((since, int(series.times[-1])))
    return {name: joined(spans) for name, spans in found.items()}


def joined(spans: Spans, apart_ms: int = 3_600_000) -> Spans:
    """Stretches less than an hour apart are one alarm."""
    found: Spans = []
    for begin, end in sorted(spans):
        if found and begin - found[-1][1] <= apart_ms:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found


def theirs(series: Open) -> dict[str, Spans]:
    """The same of what shops do today."""
    good = np.isfinite(series.values)
    times, values = series.times[good], series.values[good]
    low, high = band(series)
    equal = [values[4:] == values[k : len(values) - 4 + k] for k in range(4)]
    same = np.concatenate([[False] * 4, np.all(equal, axis=0)])
    wrong = {
        "fixed band": (values < low) | (values > high),
        "z-score": deviations(times, values, series.resolution) > SIGMAS,
        "five equal values": same,
    }
    return {name: joined([(int(at), int(at)) for at in times[found]]) for name, found in wrong.items()}


def judged(alarms: Spans, events: Spans, weeks: float) -> dict[str, Any]:
    """Events found and how late, alarms that belong to none, and the share of the time spent in alarm."""
    delays, used = [], set()
    for begin, end in events:
        mine = [k for k, (since, until) in enumerate(alarms) if since <= end + SLACK_MS and until >= begin]
        used |= set(mine)
        if mine:
            delays.append(max(alarms[mine[0]][0] - begin, 0) / 3.6e6)
    false = len(alarms) - len(used)
    low, high = poisson(false, weeks)
    recall = binomial(len(delays), len(events))
    return {
        "events": len(events),
        "found": len(delays),
        "recall_low": round(recall[0], 3),
        "recall_high": round(recall[1], 3),
        "delay_h_median": round(float(np.median(delays)), 2) if delays else None,
        "false": false,
        "false_a_week": round(false / weeks, 3),
        "false_low": round(low, 3),
        "false_high": round(high, 3),
        "in_alarm_pct": round(100.0 * sum(end - begin for begin, end in alarms) / (weeks * WEEK_MS), 2),
    }


# Which events each detector could find; of others a hit is chance.
FITS = {"stuck": ("stuck",), "five equal values": ("stuck",), "creep": (), "front": ()}
_OTHERS = ("event", "dropout", "shift")


def ramped(series: Open, pct_a_week: float, from_ms: int) -> Open:
    """The real series with a slow rise added from a moment on."""
    weeks = np.clip(series.times - from_ms, 0, None) / WEEK_MS
    return replace(series, values=series.values * (1.0 + 0.01 * pct_a_week * weeks))


def ramps(series: Open) -> list[dict[str, Any]]:
    """Slow rises of known size in the last 35 days of the series' first ten weeks: does creep, or the front,
    tell, and after how many days."""
    rows = []
    keep = series.times < series.times[0] + 70 * DAY_MS
    short = replace(series, times=series.times[keep], values=series.values[keep])
    short = every(short, max(series.step_min, 5.0))
    from_ms = int(short.times[0]) + 35 * DAY_MS
    for size in (0.0, *RAMPS):
        changed = ramped(short, size, from_ms)
        found = {**ours(changed, ("creep", "front")), **theirs(changed)}
        row: dict[str, Any] = {"series": series.name, "pct_a_week": size}
        for name in ("creep", "front", "fixed band", "z-score"):
            after = [begin for begin, _ in found[name] if begin >= from_ms]
            row[name] = {
                "days": round((after[0] - from_ms) / DAY_MS, 1) if after else None,
                "before": sum(begin < from_ms for begin, _ in found[name]),
            }
        rows.append(row)
    return rows


def measured() -> dict[str, Any]:
    """All figures. Raises: NoData."""
    rows, slow = [], []
    for series in all_series(folder()):
        found = {**ours(series, ("limit", "stuck")), **theirs(series)}
        for name, alarms in found.items():
            kinds = FITS.get(name, _OTHERS)
            events = [span for kind in kinds for span in series.events.get(kind, ())]
            others = [s for kind, spans in series.events.items() if kind not in kinds for s in spans]
            # what belongs to an event of another sort is neither found nor false
            clear = [a for a in alarms if not any(a[0] <= e + SLACK_MS and a[1] >= b for b, e in others)]
            rows.append({"series": series.name, "detector": name, **judged(clear, events, series.weeks)})
        slow += ramps(series)
    return {"rows": rows, "ramps": slow}


def kept() -> dict[str, Any]:
    """The same, read from the cache where the rules are as they were. Raises: NoData."""
    folder()
    name = cache.key([cache.version(cache.WATCH), cache.version(("tests/bench/open_data.py",))])
    today = datetime.fromtimestamp(time.time(), UTC).strftime("%Y-%m-%d")
    found: dict[str, Any] = cache.kept("open", f"{name}.pickle", lambda: {**measured(), "measured": today})
    return found


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.open_data", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--json", type=Path, help="file to write the figures to")
    asked = parser.parse_args()
    try:
        figures = measured()
    except NoData as error:
        print(error)
        return 2
    if asked.json:
        asked.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")
    for row in figures["rows"]:
        print(
            f"{row['series']:34} {row['detector']:18} {row['found']:3}/{row['events']:<3} "
            f"{row['delay_h_median'] if row['delay_h_median'] is not None else '':>6} h  "
            f"{row['false_a_week']:8.2f} false a week  {row['in_alarm_pct']:6.2f} % in alarm"
        )
    for row in figures["ramps"]:
        print(row)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
