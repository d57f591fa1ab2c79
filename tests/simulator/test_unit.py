"""Deposits, oxidation and cleaning of the membrane; the tank's leak and its float."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.year import Run, simulate

DAYS = 11


def weeks(*faults: dict[str, object]) -> Run:
    return simulate("hall3", faults, seed=4, start="2026-03-02", days=DAYS)


@pytest.fixture(scope="module")
def sound() -> Run:
    return weeks()


def last_day(run: Run, name: str) -> float:
    """Mean of the last day with water made."""
    running, series = run.series["run:ro"].values > 0.5, run.series[name]
    at = np.flatnonzero(running)
    at = at[at >= at[-1] - 600]
    return float(series.at(at.astype(float)).mean())


def change(run: Run, sound: Run, name: str) -> float:
    return last_day(run, name) / last_day(sound, name) - 1.0


def test_deposits_cost_water_and_pressure_and_scale_lets_salt_through_too(sound: Run) -> None:
    fouled = weeks({"kind": "membrane_fouling", "start_day": 0, "size": 10.0})
    scaled = weeks({"kind": "membrane_scaling", "start_day": 0, "size": 10.0})
    for run in (fouled, scaled):
        less = 1.0 / (1.0 + 0.1 * DAYS / 7.0) - 1.0
        assert change(run, sound, "flow:permeate") == pytest.approx(less, abs=0.015)
        assert change(run, sound, "pressure:drop") > 0.12
    salt = [change(run, sound, "ec25:permeate") for run in (fouled, scaled)]
    assert salt[1] - salt[0] > 0.1


def test_an_oxidised_membrane_gives_more_water_and_more_salt(sound: Run) -> None:
    run = weeks({"kind": "membrane_oxidised", "start_day": 0, "size": 20.0})
    assert change(run, sound, "flow:permeate") == pytest.approx(0.08, abs=0.02)
    assert change(run, sound, "ec25:permeate") > 0.12
    assert abs(change(run, sound, "pressure:drop")) < 0.01


def test_a_cleaning_takes_deposits_off_and_is_noted(sound: Run) -> None:
    fouling = {"kind": "membrane_fouling", "start_day": 0, "end_day": 8, "size": 14.0}
    run = weeks(fouling, {"kind": "membrane_cleaned", "start_day": 8})
    assert change(run, sound, "flow:permeate") > -0.05
    assert [what for _, what, _ in run.events].count("cleaning") == 1


def test_a_leaking_tank_falls_at_night_and_is_filled_more_often(sound: Run) -> None:
    run = weeks({"kind": "tank_leak", "start_day": 0, "size": 5.0})
    quiet = slice(6 * 1440 + 60, 6 * 1440 + 360)  # a Sunday, from 1 to 6
    falls = [r.series["level:tank"].values[quiet] for r in (sound, run)]
    assert np.ptp(falls[0]) == 0.0
    if not run.series["run:ro"].values[quiet].any():
        assert np.ptp(falls[1]) == pytest.approx(5.0 * 5.0 * 1.25, rel=0.05)
    assert run.series["run:ro"].values.sum() > 1.2 * sound.series["run:ro"].values.sum()


def test_a_float_that_calls_for_ever_fills_the_tank_to_the_brim() -> None:
    run = weeks({"kind": "float_calling", "start_day": 4})
    assert run.series["level:tank"].values[8 * 1440 :].max() == pytest.approx(1250.0)
    assert run.series["float:high"].values[8 * 1440 :].any()


def test_a_float_that_chatters_starts_the_osmosis_many_times_a_day(sound: Run) -> None:
    run = weeks({"kind": "float_chatter", "start_day": 2, "size": 10.0})
    starts = [np.diff(r.series["run:ro"].values[2 * 1440 :]).clip(0).sum() for r in (sound, run)]
    assert starts[1] > 7 * starts[0]
