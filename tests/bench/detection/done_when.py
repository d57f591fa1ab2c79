"""The figures that are wanted, each beside what was reached."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tests.bench.detection.summary import rows_of, share

Line = tuple[str, str, str]
# Fewer cases than these say nothing of a median.
FEW = 10


def reached(figures: Mapping[str, Any]) -> list[Line]:
    """What is wanted, what was reached, and whether that is enough: `yes`, `no`, `open` (the interval holds
    both), or `not measured`."""
    return [
        *_false(figures),
        *_bed(figures),
        *_of(figures, "creep", "A:", "membrane, class A, +10 %: 90 % within 3 weeks of reaching it", 0.9),
        *_of(figures, "creep", "B:", "membrane, class B, +30 %: 90 % within 4 weeks of reaching it", 0.9),
        _forecast(figures, "time_off", "time left to the membrane's limit within 25 % at half the way", 25.0),
        *_leaks(figures),
        *_of(
            figures,
            "burst",
            "",
            "burst of 1 L/min: within 5 minutes, pump state known and steady",
            0.95,
            "steady",
        ),
        _times_best(figures),
        *_instruments(figures),
        (
            "softener stopped: at the next hardness test; by salt and flow within 2 periods in 90 %",
            "apart: [softener](reference/rules/softener.md)",
            "not measured here",
        ),
        *_open_data(figures),
    ]


def _open_data(figures: Mapping[str, Any]) -> list[Line]:
    """Events of all open series together, ours beside the baselines that look for the same ones."""
    words = "open data, {}: as many as the best baseline, at fewer false alarms"
    if "open" not in figures:
        return [(words.format("events"), "", "not measured")]
    lines = []
    for what, ours, others in (
        ("steps and dropouts", ("limit", "flags"), ("fixed band", "z-score")),
        ("stuck values", ("stuck",), ("five equal values",)),
    ):
        found = {name: _total(figures["open"]["rows"], name) for name in (*ours, *others)}
        text = ", ".join(
            f"{name} {hits} of {of}, {false:.2g} false a week" for name, (hits, of, false) in found.items()
        )
        best = max((found[name] for name in others), key=lambda one: one[0])
        good = any(found[name][0] >= best[0] and found[name][2] < best[2] for name in ours)
        lines.append((words.format(what), text, "yes" if good else "no"))
    return lines


def _total(rows: Sequence[Mapping[str, Any]], detector: str) -> tuple[int, int, float]:
    mine = [row for row in rows if row["detector"] == detector]
    false = sum(row["false_a_week"] for row in mine) / max(len(mine), 1)
    return sum(row["found"] for row in mine), sum(row["events"] for row in mine), false


def _verdict(found: Mapping[str, float], least: float) -> str:
    if found["low"] >= least:
        return "yes"
    if found["high"] < least:
        return "no"
    return "open, above" if found["share"] >= least else "open, below"


def _false(figures: Mapping[str, Any]) -> list[Line]:
    lines = []
    healthy = figures["healthy"]
    for sort, most, words in (
        ("wakes someone", 0.5, "false alarms that would wake someone: at most 0.5 a shop-year"),
        ("advisory", 6.0, "false advisories: at most 6 a shop-year"),
        ("remark", 104.0, "remarks in the digest: at most 2 a week"),
        ("reminder", 365.0, "reminders: at most a line a day"),
    ):
        found = healthy["false"][sort]
        if not healthy["shop_years"]:
            lines.append((words, "", "not measured"))
            continue
        enough = "yes" if found["high"] <= most else "no" if found["low"] > most else "open, "
        if enough == "open, ":
            enough += "below" if found["rate"] <= most else "above"
        text = f"{found['rate']:g} a year [{found['low']:.2g}, {found['high']:.2g}]"
        lines.append((words, text, enough))
    return lines


def _pooled(rows: Sequence[Mapping[str, Any]], key: str = "as_wanted") -> Mapping[str, float] | None:
    found = [row[key] for row in rows if key in row]
    of = int(sum(f["of"] for f in found))
    return share(int(sum(f["hits"] for f in found)), of) if of else None


def _line(words: str, found: Mapping[str, float] | None, least: float) -> Line:
    if found is None:
        return words, "", "not measured"
    text = f"{found['hits']:g} of {found['of']:g} [{100 * found['low']:.0f}, {100 * found['high']:.0f} %]"
    return words, text, _verdict(found, least)


def _of(
    figures: Mapping[str, Any], family: str, klass: str, words: str, least: float, cell: str = ""
) -> list[Line]:
    rows = [r for r in rows_of(figures, family) if r["class"].startswith(klass) and r["cell"].endswith(cell)]
    return [_line(words, _pooled(rows), least)]


def _bed(figures: Mapping[str, Any]) -> list[Line]:
    life, resin = rows_of(figures, "bed life"), rows_of(figures, "resin")
    plain = [r for r in resin if r["cell"].startswith("discharge") and "one meter" not in r["class"]]
    one = [r for r in resin if "one meter" in r["class"]]
    channel = [r for r in resin if r["cell"] == "front, channelled" and "one meter" not in r["class"]]
    lines = [
        _line("resin: exhaustion announced 2 to 14 days ahead in 95 %", _pooled(life), 0.95),
        _forecast(
            figures, "volume_off: end of bed, first bed", "volume of the first bed off by at most 30 %", 30.0
        ),
        _forecast(
            figures,
            "volume_off: end of bed, bed after",
            "of a bed after one seen to its end at most 15 %",
            15.0,
        ),
        _line("channelled bed caught by the front", _pooled(channel, "caught"), 0.95),
    ]
    litres = [r["lost_l"]["median"] for r in plain if r.get("lost_l", {}).get("median") is not None]
    words = "discharge within 30 L of gated flow, also with a dead flow meter, also over range"
    text = ", ".join(
        f"{r['cell'].removeprefix('discharge, ')} {_or_missed(r.get('lost_l', {}).get('median'))}"
        for r in plain
    )
    worst = [r.get("lost_l", {}).get("p95") for r in plain]
    told = all(w is not None and w <= 30 for w in worst)
    lines.append(
        (
            words,
            f"medians: {text}" if litres else "",
            "not measured" if not plain else _of_few(told, plain),
        )
    )
    lines.append(_line("one-meter shop: front or discharge told", _pooled(one, "caught"), 0.95))
    return lines


def _or_missed(value: float | None) -> str:
    return "missed" if value is None else f"{value:.0f} L"


def _forecast(figures: Mapping[str, Any], key: str, words: str, most: float) -> Line:
    found = [f for name, f in figures["forecasts"].items() if name.startswith(key)]
    if not found:
        return words, "", "not measured"
    off = sum(f["median_off_pct"] * f["of"] for f in found) / sum(f["of"] for f in found)
    cases = int(sum(f["of"] for f in found))
    verdict = f"open, {cases} cases" if cases < FEW else "yes" if off <= most else "no"
    return words, f"median {off:.0f} % of {cases}", verdict


def _leaks(figures: Mapping[str, Any]) -> list[Line]:
    half = [r for r in rows_of(figures, "leak") if "50 %" in r["cell"]]
    quarter = [r for r in rows_of(figures, "leak") if "25 %" in r["cell"]]
    lines = [
        _line(
            f"leak of 50 %, {what}: 90 % within {days} days",
            _pooled([r for r in half if klass in r["class"]]),
            0.9,
        )
        for klass, what, days in (("pressure", "1 mm sensor", 5), ("ultrasonic", "ultrasonic", 10))
    ]
    words = "leak of 25 %: within 1.5 times the best detector's delay"
    if not quarter:
        return [*lines, (words, "", "not measured")]
    text = ", ".join(f"{r['class']} {_times(r)}" for r in quarter)
    kept = all(r["times_best"] is not None and r["times_best"] <= 1.5 for r in quarter)
    return [*lines, (words, text, _of_few(kept, quarter))]


def _times(row: Mapping[str, Any]) -> str:
    return "missed" if row["times_best"] is None else f"{row['times_best']:.1f} times"


def _of_few(kept: bool, rows: Sequence[Mapping[str, Any]]) -> str:
    """The verdict on medians, which a few cases do not carry."""
    cases = int(sum(row["caught"]["of"] for row in rows))
    if cases < FEW:
        return f"open, {cases} cases"
    return "yes" if kept else "no"


def _times_best(figures: Mapping[str, Any]) -> Line:
    rows = [r for r in figures["rows"] if "best_h" in r]
    words = "median delay at most 2 times the best detector's, where a fault has a shape"
    if not rows:
        return words, "", "not measured"
    kept = sum(r["times_best"] is not None and r["times_best"] <= 2.0 for r in rows)
    return words, f"{kept} of {len(rows)} rows", _of_few(kept == len(rows), rows)


def _instruments(figures: Mapping[str, Any]) -> list[Line]:
    found = _pooled(rows_of(figures, "instruments"), "caught")
    lines = [_line("instrument faults caught in 95 %", found, 0.95)]
    windows = [figures["windows"][name] for name in ("instruments", "spikes") if name in figures["windows"]]
    words = "none of them reported as a process alarm"
    if windows:
        process = {
            c: n for w in windows for c, n in w["conditions"].items() if not c.startswith(_ABOUT_INSTRUMENTS)
        }
        text = ", ".join(f"`{c}` {n}" for c, n in process.items()) or "none"
        lines.append((words, text, "no" if process else "yes"))
    else:
        lines.append((words, "", "not measured"))
    return lines


_ABOUT_INSTRUMENTS = ("silent", "stuck", "instruments", "not-judged", "difference", "rate")
