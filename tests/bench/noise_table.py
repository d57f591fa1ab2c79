"""Compare the simulator's noise with open sensor data, as the table in docs/simulator.md.

Run: GOODWATER_DATASETS=FOLDER python -m tests.bench.noise_table [--seed N] [--days N]
The folder holds the files named in `OPEN`; where each comes from is said in docs/simulator.md.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from simulator.year import Run, simulate

WINDOW = 31


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    step_min: float
    lag1: float
    equal: float
    missing: float
    longest_gap_min: float

    def line(self) -> str:
        return (
            f"| {self.what} | {self.step_min:g} | {self.lag1:.2f} | {100 * self.equal:.0f} % | "
            f"{100 * self.missing:.2f} % | {self.longest_gap_min:.0f} |"
        )


def lag1_of_residual(values: np.ndarray) -> float:
    """Lag-1 autocorrelation of what a centred moving mean of 31 samples leaves; whole stretches only.

    For white noise it is about -0.03; what it shows is the memory of the noise, not of the water.
    """
    pairs = []
    good = ~np.isnan(values)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        part = values[begin:end]
        if len(part) < 3 * WINDOW:
            continue
        mean = np.convolve(part, np.ones(WINDOW) / WINDOW, mode="valid")
        rest = part[WINDOW // 2 : WINDOW // 2 + len(mean)] - mean
        pairs.append(np.stack([rest[:-1], rest[1:]]))
    if not pairs:
        return float("nan")
    both = np.concatenate(pairs, axis=1)
    return float((both[0] * both[1]).mean() / (both**2).mean())


def measured(what: str, step_min: float, values: np.ndarray) -> Row:
    """A row from values on a regular grid, NaN where nothing was reported."""
    good = ~np.isnan(values)
    both = good[1:] & good[:-1]
    equal = float((np.diff(values)[both] == 0.0).mean())
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~good).astype(int), [0]])))
    longest = float((edges[1::2] - edges[::2]).max()) if len(edges) else 0.0
    return Row(what, step_min, lag1_of_residual(values), equal, float((~good).mean()), longest * step_min)


OPEN = (
    ("gecco2018_part1.csv.gz", "cond_us_cm", 1.0, "GECCO treated main, conductivity"),
    ("gecco2018_part1.csv.gz", "temp_c", 1.0, "GECCO treated main, temperature"),
    ("usgs_01581752_2016h2.csv.gz", "spcond_us_cm", 5.0, "USGS 01581752 stream, conductivity"),
    ("usgs_01581752_2016h2.csv.gz", "gage_height_ft", 5.0, "USGS 01581752 stream, level"),
    ("lro_mendon2019.csv.gz", "spcond_us_cm", 15.0, "LRO Mendon river, conductivity (raw)"),
    ("lro_mendon2019.csv.gz", "stage_cm", 15.0, "LRO Mendon river, level (raw)"),
    ("nab_machine_temp.csv.gz", "value", 5.0, "NAB machine, temperature"),
)

SIMULATED = (
    ("tap_ec", 1, "simulated tap, conductivity, 1 uS/cm, raw"),
    ("tap_ec", 5, "the same, every 5 min"),
    ("tap_ec", 15, "the same, every 15 min"),
    ("permeate_ec", 1, "simulated permeate while flowing, 0.01 uS/cm"),
    ("di_tds", 1, "simulated DI outlet while flowing, display meter, 1 ppm"),
    ("feed_temp", 1, "simulated RO feed, temperature, 0.1 C"),
    ("air_temp", 5, "simulated hall air, temperature, 0.1 C"),
    ("M01_level", 1, "simulated sump, pressure, 1 mm"),
    ("M01_level", 15, "the same, every 15 min"),
    ("M04_level", 1, "simulated sump, ultrasonic, 1 mm"),
    ("M07_level", 1, "simulated sump, float, 10 mm"),
    ("tank_level", 1, "simulated tank, 1 mm"),
)


def from_file(folder: Path, name: str, column: str, step_min: float, what: str) -> Row:
    """A row from one column of an open data file; -9999 and blanks are no data."""
    times, values = [], []
    with gzip.open(folder / name, "rt", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            text = row[column]
            times.append(np.datetime64(row["time"].replace("Z", "").replace(" ", "T"), "s").astype(np.int64))
            values.append(float(text) if text not in ("", "NA", "-9999") else np.nan)
    slot = np.round((np.array(times) - times[0]) / (60.0 * step_min)).astype(int)
    grid = np.full(slot.max() + 1, np.nan)
    grid[slot] = values
    return measured(what, step_min, grid)


def from_run(run: Run, name: str, every_min: int, what: str) -> Row:
    """A row from an instrument of a run; train probes only while the osmosis has run for 10 minutes."""
    said = run.reported[name]
    interval = next(item.interval_s for item in run.shop.instruments if item.name == name)
    own_min = interval / 60.0
    slot = ((said.time_ms - run.start_ms) / (60_000.0 * own_min)).astype(int)
    grid = np.full(int(run.days * 1440 / own_min), np.nan)
    grid[slot] = said.value
    grid = grid[:: max(1, round(every_min / own_min))]
    if "flowing" not in what:
        return measured(what, float(every_min), grid)
    running = run.series["run:ro"].values > 0.5
    settled = np.convolve(running, np.ones(11), mode="full")[: len(running)] >= 11
    missing = float(np.isnan(grid[settled]).mean())
    row = measured(what, float(every_min), np.where(settled, grid, np.nan))
    return Row(what, row.step_min, row.lag1, row.equal, missing, float("nan"))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=int, default=120)
    options = parser.parse_args()
    folder = os.environ.get("GOODWATER_DATASETS")
    if not folder:
        print("set GOODWATER_DATASETS to the folder with the open data", file=sys.stderr)
        return 2
    run = simulate("hall3", (), options.seed, "2025-02-03", options.days)
    print("| series | step min | lag-1 of residual | equal neighbours | missing | longest gap min |")
    print("|---|---|---|---|---|---|")
    for name, column, step_min, what in OPEN:
        print(from_file(Path(folder), name, column, step_min, what).line())
    for name, every_min, what in SIMULATED:
        print(from_run(run, name, every_min, what).line().replace("nan", "-"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
