"""Level to litres and back."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.water import tank
from monitor.water.errors import OutOfRange

metres = st.floats(0.2, 5.0)
share = st.floats(0.0, 1.0)
ENDS = ("flat", "conical", "ellipsoidal", "spherical", "torispherical")


def depth_of(kind: str, diameter: float, part: float) -> float:
    return 0.0 if kind in ("flat", "torispherical") else diameter * (0.05 + 0.4 * part)


@pytest.mark.parametrize("ends", ENDS)
@given(diameter=metres, length=metres, part=share, filled=share)
def test_level_and_volume_of_a_lying_tank_are_inverse(
    ends: Any, diameter: float, length: float, part: float, filled: float
) -> None:
    depth = depth_of(ends, diameter, part)
    volume = tank.horizontal_cylinder_volume_l(diameter, length, diameter * filled, ends, depth)
    level = tank.horizontal_cylinder_level_m(diameter, length, volume, ends, depth)
    again = tank.horizontal_cylinder_volume_l(diameter, length, level, ends, depth)
    assert again == pytest.approx(volume, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("bottom", ENDS)
@given(diameter=metres, part=share, level=st.floats(0.001, 8.0))
def test_level_and_volume_of_an_upright_tank_are_inverse(
    bottom: Any, diameter: float, part: float, level: float
) -> None:
    depth = depth_of(bottom, diameter, part)
    volume = tank.vertical_cylinder_volume_l(diameter, level, bottom, depth)
    assert tank.vertical_cylinder_level_m(diameter, volume, bottom, depth) == pytest.approx(level, rel=1e-7)


@given(length=metres, width=metres, level=st.floats(0.0, 5.0))
def test_level_and_volume_of_a_rectangle_are_inverse(length: float, width: float, level: float) -> None:
    volume = tank.rectangular_volume_l(length, width, level)
    assert tank.rectangular_level_m(length, width, volume) == pytest.approx(level, abs=1e-12)


@pytest.mark.parametrize("ends", ENDS)
@given(diameter=metres, length=metres, part=share)
def test_a_lying_tank_filled_to_the_axis_is_half_full(
    ends: Any, diameter: float, length: float, part: float
) -> None:
    depth = depth_of(ends, diameter, part)
    half = tank.horizontal_cylinder_volume_l(diameter, length, diameter / 2.0, ends, depth)
    full = tank.horizontal_cylinder_volume_l(diameter, length, diameter, ends, depth)
    assert half == pytest.approx(full / 2.0, rel=1e-9)


@given(diameter=metres, length=metres, level=st.floats(0.05, 0.95))
def test_litres_per_millimetre_are_the_slope_of_the_volume(
    diameter: float, length: float, level: float
) -> None:
    height = diameter * level
    ends = [tank.horizontal_cylinder_volume_l(diameter, length, height + d) for d in (-1e-6, 1e-6)]
    slope = tank.horizontal_cylinder_volume_l_mm(diameter, length, height)
    assert slope == pytest.approx((ends[1] - ends[0]) / 2e-3, rel=1e-5)


def test_a_full_tank_with_spherical_ends_of_the_radius_is_a_cylinder_and_a_ball() -> None:
    full = tank.horizontal_cylinder_volume_l(2.0, 3.0, 2.0, "spherical", 1.0)
    assert full == pytest.approx((math.pi * 3.0 + 4.0 / 3.0 * math.pi) * 1000.0, rel=1e-12)


tables = st.lists(st.tuples(st.floats(1.0, 80.0), st.floats(0.1, 60.0)), min_size=1, max_size=12).map(
    lambda steps: tuple(np.cumsum([(0.0, 0.0), *steps], axis=0).T.tolist())
)


@given(table=tables, one=share, two=share)
def test_a_strapping_table_never_falls(
    table: tuple[list[float], list[float]], one: float, two: float
) -> None:
    levels, volumes = table
    low, high = sorted((one, two))
    at = [tank.strapping_volume_l(levels, volumes, part * levels[-1]) for part in (low, high)]
    assert at[0] <= at[1]


@given(table=tables, part=share)
def test_a_strapping_table_reads_both_ways(table: tuple[list[float], list[float]], part: float) -> None:
    levels, volumes = table
    volume = tank.strapping_volume_l(levels, volumes, part * levels[-1])
    back = tank.strapping_level_mm(levels, volumes, volume)
    assert back == pytest.approx(part * levels[-1], abs=1e-6)


@pytest.mark.parametrize("level", [-0.1, 320.1, math.nan])
def test_a_level_outside_the_strapping_table_is_refused_with_the_table_s_ends(level: float) -> None:
    with pytest.raises(OutOfRange, match=r"level_mm = .* is out of range: 0 to 320 mm"):
        tank.strapping_volume_l([0, 100, 320], [0, 47.5, 199.4], level)


@pytest.mark.parametrize(
    ("levels", "volumes", "told"),
    [
        ([0, 100, 100], [0, 1, 2], "rising from point to point"),
        ([0, 50, 100], [0, 2, 1], "never falling"),
        ([0], [0], "two or more levels"),
        ([0, 50, 100], [0, 1], "as many volumes"),
    ],
)
def test_a_broken_strapping_table_is_refused_in_words(
    levels: list[float], volumes: list[float], told: str
) -> None:
    with pytest.raises(OutOfRange, match=told):
        tank.strapping_volume_l(levels, volumes, 0.0)


def test_a_flat_stretch_of_a_table_cannot_be_read_backwards() -> None:
    with pytest.raises(OutOfRange, match="to be read backwards"):
        tank.strapping_level_mm([0, 50, 100], [0, 10, 10], 5.0)


def test_a_level_above_a_lying_tank_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"level_m = 1\.01 is out of range: 0 to 1 m"):
        tank.horizontal_cylinder_volume_l(1.0, 2.0, 1.01)


def test_more_than_the_full_tank_is_refused() -> None:
    with pytest.raises(OutOfRange, match="the full tank"):
        tank.horizontal_cylinder_level_m(1.0, 2.0, 1600.0)


def test_a_depth_given_to_a_flat_end_is_refused() -> None:
    with pytest.raises(OutOfRange, match="0 when flat"):
        tank.horizontal_cylinder_volume_l(1.0, 2.0, 0.5, "flat", 0.1)


def test_an_unknown_end_is_refused_with_the_known_ones() -> None:
    with pytest.raises(OutOfRange, match="one of flat, conical, ellipsoidal, spherical, torispherical"):
        tank.horizontal_cylinder_volume_l(1.0, 2.0, 0.5, "round", 0.1)  # type: ignore[arg-type]  # that is the test
