"""The tables of docs/detection.md, written between their marks from the figures of a run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.detection.baselines import NAMES
from tests.bench.detection.done_when import reached
from tests.bench.detection.families import FAMILIES
from tests.bench.detection.summary import SORTS, rows_of
from tests.long import result

PAGE = result.REPOSITORY / "docs" / "detection.md"
_BEGIN, _END = "<!-- figures: written by tests/bench/detection/page.py -->", "<!-- end of figures -->"

Row = Mapping[str, Any]


def tables(figures: Mapping[str, Any], *, date: str, commit: str) -> str:
    """All tables, as the page shows them."""
    healthy = figures["healthy"]
    windows = sum(found["windows"] for found in figures["windows"].values())
    parts = [
        f"Measured {date} at commit `{commit}`, seeds from {figures['seed']}, {healthy['shop_years']:g} "
        f"healthy shop-years, {windows} windows with faults. Square "
        "brackets hold 95 % intervals (Poisson for rates, binomial for shares).",
        *_not_measured(figures),
        "### What was wanted, and what was reached",
        _table(("wanted", "reached", ""), reached(figures)),
        "### False alarms in healthy years",
        _false(healthy),
        "### What fooled the naive rules",
        _causes(healthy),
        *(part for family in FAMILIES for part in _family(figures, family.name, family.what)),
        *_curve(figures["trade_off"]),
        "### Alarms nothing explains while a fault stood",
        _windows(figures["windows"]),
    ]
    if figures.get("open"):
        parts += [
            "### Open data",
            *([f"Measured {when}."] if (when := figures["open"].get("measured")) else []),
            _open(figures["open"]),
            "Slow rises added to quiet real stretches:",
            _ramps(figures["open"]),
        ]
    return "\n\n".join(parts)


def _not_measured(figures: Mapping[str, Any]) -> list[str]:
    said = []
    if figures["broken"]:
        said.append(f"**Rules that broke while they watched: {'; '.join(figures['broken'])}**")
    if figures["failed"]:
        said.append(f"**Jobs that failed: {'; '.join(figures['failed'])}**")
    if figures["left_out"]:
        said.append(f"{figures['left_out']} of the planned jobs did not fit into the time.")
    return said


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [f"| {' | '.join(head)} |", f"| {' | '.join(['---'] * len(head))} |"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in rows)])


def _rate(found: Row) -> str:
    return f"{found['rate']:g} [{found['low']:.2g}, {found['high']:.2g}]"


def _share(found: Row) -> str:
    return f"{found['hits']:g} of {found['of']:g} [{100 * found['low']:.0f}, {100 * found['high']:.0f} %]"


def _hours(value: float | None, minutes: bool = False) -> str:
    if value is None:
        return "missed"
    if minutes or abs(value) < 1:
        return f"{60 * value:.0f} min"
    return f"{value:.1f} h" if abs(value) < 48 else f"{value / 24:.1f} d"


def _litres(value: float | None) -> str:
    return "" if value is None else f"{value:,.0f} L"


def _false(healthy: Row) -> str:
    rows = [(f"Goodwater, {sort}", _rate(healthy["false"][sort])) for sort in SORTS]
    rows += [(name, _rate(healthy["naive"][name])) for name in NAMES]
    text = _table(("who", "false alarms a shop-year"), rows)
    if healthy["conditions"]:
        text += "\n\nBy condition: " + ", ".join(f"`{c}` {n}" for c, n in healthy["conditions"].items()) + "."
    return text


def _causes(healthy: Row) -> str:
    by = healthy["naive_by_cause"]
    causes = sorted(
        {c for name in NAMES for c in by[name]}, key=lambda c: -sum(by[n].get(c, 0) for n in NAMES)
    )
    rows = [(c, *(str(by[name].get(c, 0)) for name in NAMES)) for c in causes]
    return _table(("cause of a false alarm", *NAMES), rows)


def _family(figures: Mapping[str, Any], name: str, what: str) -> list[str]:
    rows = rows_of(figures, name)
    if not rows:
        return []
    head = [
        "fault",
        "instruments",
        "told",
        "in the time wanted",
        "delay: median",
        "p95",
        "cost: median",
        "best there can be",
    ]
    head += [f"{n}: told, median since the start" for n in ("limit", "z-score")]
    early = any("early_d" in row for row in rows)
    if early:
        head[4:6] = ["days ahead: median", "p95"]
    forecasts = [
        (key, f"{f['median_off_pct']:g} %", f"{f['of']:g}", f"{f['median_pct']:+g} %")
        for key, f in figures["forecasts"].items()
        if any(key.endswith(": " + row["cell"]) for row in rows)
    ]
    text = _table(head, (_cells(row, early) for row in rows))
    if forecasts:
        text += "\n\nForecasts when half the way was gone:\n\n"
        text += _table(("forecast", "off by (median)", "of", "median with its sign"), forecasts)
    return [f"### {name[0].upper()}{name[1:]}: {what}", text]


def _cells(row: Row, early: bool) -> Sequence[str]:
    wanted = ""
    if "as_wanted" in row:
        within = row.get("within_h")
        wanted = f"{_share(row['as_wanted'])} within {_hours(within)}" if within else _share(row["as_wanted"])
    ahead = row.get("early_d", {})
    delay = (
        [f"{v:.1f} d" if (v := ahead.get(k)) is not None else "missed" for k in ("median", "p95")]
        if early
        else [_hours(row["delay_h"][k], row["in_minutes"]) for k in ("median", "p95")]
    )
    best = ""
    if "best_h" in row:
        times = "" if row["times_best"] is None else f": {row['times_best']:.1f} times that"
        best = (
            f"{_hours(row['best_h'])} since the start, ours {_hours(row['since_start_h']['median'])}{times}"
        )
    naive = [
        f"{n['caught']['hits']:g} of {n['caught']['of']:g}, {_hours(n['since_start_h']['median'])}"
        for n in (row["naive"]["limit"], row["naive"]["z-score"])
    ]
    cost = _litres(row["lost_l"]["median"]) if "lost_l" in row else ""
    return (row["cell"], row["class"], _share(row["caught"]), wanted, *delay, cost, best, *naive)


def _windows(windows: Mapping[str, Any]) -> str:
    rows = []
    for name, found in windows.items():
        by = "; ".join(f"{sort} {_rate(f)}" for sort, f in found["false"].items()) or "none"
        said = ", ".join(f"`{c}` {n}" for c, n in found["conditions"].items())
        rows.append((name, f"{found['windows']}, {found['years']:g}", by, said))
    return _table(("family", "windows, years", "a year", "by condition"), rows)


def _curve(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return []
    lengths = list(rows[0]["days"])
    words = {
        "M01": "leak, pressure 1 mm",
        "M05": "leak, ultrasonic",
        "M07": "leak, float 10 mm",
        "B": "creep, class B",
    }
    cells = []
    for row in rows:
        size = (
            f"{row['size']:g} %/week" if row["of"] == "B" else f"{100 * row['size']:.0f} % of the usual loss"
        )
        cells.append((f"{words[row['of']]}, {size}", *(f"{row['days'][n]:.1f} d" for n in lengths)))
    head = (
        "best detector's median delay",
        *(f"a false alarm in {float(n) / 365:.2g} years" for n in lengths),
    )
    return ["### What quiet costs: the best detector's trade-off", _table(head, cells)]


def _open(found: Mapping[str, Any]) -> str:
    rows = []
    for row in found["rows"]:
        events = f"{row['found']} of {row['events']}" if row["events"] else "none to find"
        delay = _hours(row["delay_h_median"]) if row["found"] else ""
        false = f"{row['false_a_week']:g} [{row['false_low']:.2g}, {row['false_high']:.2g}]"
        rows.append((row["series"], row["detector"], events, delay, false, f"{row['in_alarm_pct']:g} %"))
    return _table(
        ("series", "detector", "events found", "delay, median", "false a week", "time in alarm"), rows
    )


def _ramps(found: Mapping[str, Any]) -> str:
    names = ("creep", "front", "fixed band", "z-score")
    rows = [
        (row["series"], f"{row['pct_a_week']:g} %/week", *(_ramp(row[name]) for name in names))
        for row in found["ramps"]
    ]
    return _table(("series", "rise added", *(f"{n}: told after (false before)" for n in names)), rows)


def _ramp(found: Row) -> str:
    after = "never" if found["days"] is None else f"{found['days']:g} d"
    return f"{after} ({found['before']})"


def write_page(text: str, page: Path = PAGE) -> None:
    """Put the tables between their marks.

    Raises: ValueError when the page has no such marks.
    """
    before, begin, rest = page.read_text(encoding="utf-8").partition(_BEGIN)
    _, end, after = rest.partition(_END)
    if not (begin and end):
        raise ValueError(f"{page} has not the marks {_BEGIN} and {_END}")
    page.write_text(f"{before}{begin}\n\n{text}\n\n{end}{after}", encoding="utf-8")
