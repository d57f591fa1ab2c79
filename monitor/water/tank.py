"""Level to litres and back, for the tanks a shop has.

Geometric shapes hold for an empty tank. Pumps, conveyors, chips and a sloped floor displace volume: for a
sump the strapping table, measured by filling through a meter, is the honest one (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.water.errors import OutOfRange, all_within, positive, within
from monitor.water.roots import where_zero

__all__ = [
    "horizontal_cylinder_level_m",
    "horizontal_cylinder_volume_l",
    "horizontal_cylinder_volume_l_mm",
    "rectangular_level_m",
    "rectangular_volume_l",
    "rectangular_volume_l_mm",
    "strapping_level_mm",
    "strapping_volume_l",
    "vertical_cylinder_level_m",
    "vertical_cylinder_volume_l",
]

Ends = Literal["flat", "conical", "ellipsoidal", "spherical", "torispherical"]
Floats = NDArray[np.float64]

LITRES_PER_M3 = 1000.0
LARGEST_M = 100.0  # a tank larger than this is a slip of the unit


def rectangular_volume_l(length_m: float, width_m: float, level_m: float) -> float:
    """Litres in a rectangular tank with a flat floor.

    Equation: V = L W h
    Range: length and width above 0 to 100 m, level 0 to 100 m
    Raises: OutOfRange
    Source: geometry
    Not for: a sump with pumps, chips or a sloped floor in it (use a strapping table)
    Example:
        >>> round(rectangular_volume_l(1.2, 0.6, 0.2), 3)
        144.0
    """
    area_m2 = positive("length_m", length_m, LARGEST_M, "m") * positive("width_m", width_m, LARGEST_M, "m")
    return area_m2 * within("level_m", level_m, 0.0, LARGEST_M, "m") * LITRES_PER_M3


def rectangular_level_m(length_m: float, width_m: float, volume_l: float) -> float:
    """Level in a rectangular tank with a flat floor that holds the given litres.

    Equation: h = V / (L W)
    Range: length and width above 0 to 100 m, volume from 0
    Raises: OutOfRange
    Source: geometry
    Not for: a sump with pumps, chips or a sloped floor in it
    Example:
        >>> round(rectangular_level_m(1.2, 0.6, 144.0), 6)
        0.2
    """
    area_m2 = positive("length_m", length_m, LARGEST_M, "m") * positive("width_m", width_m, LARGEST_M, "m")
    return within("volume_l", volume_l, 0.0, unit="L") / LITRES_PER_M3 / area_m2


def rectangular_volume_l_mm(length_m: float, width_m: float) -> float:
    """Litres that one millimetre of level is worth in a rectangular tank.

    Equation: dV/dh = L W; 1 mm on 1 m² is 1 L
    Range: length and width above 0 to 100 m
    Raises: OutOfRange
    Source: geometry
    Not for: a sump with pumps, chips or a sloped floor in it
    Example:
        >>> round(rectangular_volume_l_mm(1.2, 0.6), 6)
        0.72
    """
    return positive("length_m", length_m, LARGEST_M, "m") * positive("width_m", width_m, LARGEST_M, "m")


def vertical_cylinder_volume_l(
    diameter_m: float,
    level_m: float,
    bottom: Ends = "flat",
    bottom_depth_m: float = 0.0,
    dish_ratio: float = 1.0,
    knuckle_ratio: float = 0.06,
) -> float:
    """Litres in an upright round tank, its level measured from the lowest point of the bottom.

    Equation: V = integral of pi rho(z)² dz through the bottom, then pi D²/4 for each metre above it
    Range: diameter above 0 to 100 m, level 0 to 100 m; bottom depth above 0 unless flat or torispherical
    Raises: OutOfRange
    Source: geometry; checked against D. Jones, Calculating Tank Volume, and the library fluids
    Assumes: the wall goes on above the level; dish and knuckle radius are ratios of the diameter
    Not for: the closed top of a tank
    Example:
        >>> round(vertical_cylinder_volume_l(1.2, 0.5), 3)
        565.487
    """
    head = _head(bottom, positive("diameter_m", diameter_m, LARGEST_M, "m") / 2.0, bottom_depth_m,
                 dish_ratio, knuckle_ratio, "bottom")  # fmt: skip
    level = within("level_m", level_m, 0.0, LARGEST_M, "m")
    below = min(level, head.depth)
    above = level - below
    wall_m3 = math.pi * head.rim**2 * above
    return (wall_m3 + _integral(lambda z: math.pi * head.radius(z) ** 2,
                                _cuts(head, head.depth - below, head.depth))) * LITRES_PER_M3  # fmt: skip


def vertical_cylinder_level_m(
    diameter_m: float,
    volume_l: float,
    bottom: Ends = "flat",
    bottom_depth_m: float = 0.0,
    dish_ratio: float = 1.0,
    knuckle_ratio: float = 0.06,
) -> float:
    """Level, from the lowest point of the bottom, of an upright round tank that holds the given litres.

    Equation: `vertical_cylinder_volume_l` solved for the level
    Range: diameter above 0 to 100 m; a volume that fits below 100 m of level
    Raises: OutOfRange
    Source: geometry
    Not for: the closed top of a tank
    Example:
        >>> round(vertical_cylinder_level_m(1.2, 565.4866776), 6)
        0.5
    """

    def volume(level_m: float) -> float:
        return vertical_cylinder_volume_l(
            diameter_m, level_m, bottom, bottom_depth_m, dish_ratio, knuckle_ratio
        )

    return _level_of(volume, volume_l, LARGEST_M)


def horizontal_cylinder_volume_l(
    diameter_m: float,
    length_m: float,
    level_m: float,
    ends: Ends = "flat",
    end_depth_m: float = 0.0,
    dish_ratio: float = 1.0,
    knuckle_ratio: float = 0.06,
) -> float:
    """Litres in a round tank lying down, with two like ends.

    Equation: V = L [R² acos((R-h)/R) - (R-h) sqrt(2Rh - h²)] + twice the liquid in one end; an end is the
        integral of the same circular segment over its shrinking radius; two ellipsoidal ends of depth a
        add pi a h² (1 - h/(3R))
    Range: diameter above 0 to 100 m, length 0 to 100 m, level 0 to the diameter; end depth is that of one
        end, above 0 unless flat or torispherical, at most the radius for spherical ends
    Raises: OutOfRange
    Source: geometry; checked against D. Jones, Calculating Tank Volume, and the library fluids
    Assumes: level tank; dish and knuckle radius are ratios of the diameter
    Not for: a tank that leans along its length
    Example:
        >>> round(horizontal_cylinder_volume_l(1.0, 2.0, 0.3), 4)
        396.3367
    """
    radius = positive("diameter_m", diameter_m, LARGEST_M, "m") / 2.0
    length = within("length_m", length_m, 0.0, LARGEST_M, "m")
    level = within("level_m", level_m, 0.0, diameter_m, "m", "the tank's diameter")
    head = _head(ends, radius, end_depth_m, dish_ratio, knuckle_ratio, "ends")
    barrel_m3 = float(_segment_m2(np.array([radius]), radius - level)[0]) * length
    return (barrel_m3 + 2.0 * _lying_head_m3(head, radius - level)) * LITRES_PER_M3


def horizontal_cylinder_level_m(
    diameter_m: float,
    length_m: float,
    volume_l: float,
    ends: Ends = "flat",
    end_depth_m: float = 0.0,
    dish_ratio: float = 1.0,
    knuckle_ratio: float = 0.06,
) -> float:
    """Level in a round tank lying down that holds the given litres.

    Equation: `horizontal_cylinder_volume_l` solved for the level
    Range: as there; volume 0 to the full tank
    Raises: OutOfRange
    Source: geometry
    Not for: a tank that leans along its length
    Example:
        >>> round(horizontal_cylinder_level_m(1.0, 2.0, 500.0), 6)
        0.355253
    """

    def volume(level_m: float) -> float:
        return horizontal_cylinder_volume_l(
            diameter_m, length_m, level_m, ends, end_depth_m, dish_ratio, knuckle_ratio
        )

    return _level_of(volume, volume_l, diameter_m)


def horizontal_cylinder_volume_l_mm(diameter_m: float, length_m: float, level_m: float) -> float:
    """Litres that one millimetre is worth at this level of a round tank lying down, flat ends.

    Equation: dV/dh = 2 L sqrt(h (D - h))
    Range: diameter above 0 to 100 m, length 0 to 100 m, level 0 to the diameter
    Raises: OutOfRange
    Source: geometry
    Not for: tanks with domed ends
    Example:
        >>> round(horizontal_cylinder_volume_l_mm(1.0, 2.0, 0.3), 5)
        1.83303
    """
    diameter = positive("diameter_m", diameter_m, LARGEST_M, "m")
    level = within("level_m", level_m, 0.0, diameter, "m", "the tank's diameter")
    length = within("length_m", length_m, 0.0, LARGEST_M, "m")
    return 2.0 * length * math.sqrt(level * (diameter - level))


def strapping_volume_l(levels_mm: Sequence[float], volumes_l: Sequence[float], level_mm: float) -> float:
    """Litres at a level, from a strapping table, straight lines between its points.

    Equation: V = V_i + (V_{i+1} - V_i) (h - h_i) / (h_{i+1} - h_i)
    Range: a table of two or more points, levels rising, volumes never falling; a level inside the table.
        Outside it is refused: neither extended nor held at the last value
    Raises: OutOfRange
    Source: common practice, no source
    Assumes: points close enough together. Ten equal steps on a lying cylinder of 1 m by 2 m read 11.5 L too
        much at 0.05 m
    Not for: a level outside the table
    Example:
        >>> round(strapping_volume_l([0, 50, 100, 150], [0, 22.0, 47.5, 78.0], 75), 3)
        34.75
    """
    levels, volumes = _table(levels_mm, volumes_l)
    level = within("level_mm", level_mm, levels[0], levels[-1], "mm", "the ends of the strapping table")
    return float(np.interp(level, levels, volumes))


def strapping_level_mm(levels_mm: Sequence[float], volumes_l: Sequence[float], volume_l: float) -> float:
    """Level at which the strapping table holds the given litres.

    Equation: the straight lines of `strapping_volume_l`, read the other way
    Range: volumes must rise from point to point; a volume inside the table
    Raises: OutOfRange
    Source: common practice, no source
    Not for: a table with a flat stretch
    Example:
        >>> round(strapping_level_mm([0, 50, 100, 150], [0, 22.0, 47.5, 78.0], 34.75), 3)
        75.0
    """
    levels, volumes = _table(levels_mm, volumes_l)
    if np.any(np.diff(volumes) <= 0.0):
        raise OutOfRange("volumes_l", list(volumes_l), "rising from point to point, to be read backwards")
    volume = within("volume_l", volume_l, volumes[0], volumes[-1], "L", "the ends of the strapping table")
    return float(np.interp(volume, volumes, levels))


def _table(levels_mm: Sequence[float], volumes_l: Sequence[float]) -> tuple[Floats, Floats]:
    levels = all_within("levels_mm", levels_mm, unit="mm")
    volumes = all_within("volumes_l", volumes_l, 0.0, unit="L")
    if levels.shape != volumes.shape or levels.ndim != 1 or levels.size < 2:
        raise OutOfRange("levels_mm", list(levels_mm), "two or more levels, and as many volumes")
    if np.any(np.diff(levels) <= 0.0):
        raise OutOfRange("levels_mm", list(levels_mm), "rising from point to point")
    if np.any(np.diff(volumes) < 0.0):
        raise OutOfRange("volumes_l", list(volumes_l), "never falling from point to point")
    return levels, volumes


@dataclass(frozen=True)
class _Head:
    """A body of revolution that closes a cylinder: its radius at each distance from the rim."""

    rim: float
    depth: float
    radius: Callable[[Floats], Floats]
    bend: float = 0.0
    """Where the knuckle gives way to the dish, from the rim; 0 without a knuckle."""


def _head(
    kind: Ends, rim: float, depth_m: float, dish_ratio: float, knuckle_ratio: float, name: str
) -> _Head:
    within("dish_ratio", dish_ratio, 0.5, 100.0)
    within("knuckle_ratio", knuckle_ratio, 1e-6, 0.5 - 1e-6)
    if kind == "torispherical":
        if depth_m:
            raise OutOfRange(f"{name} depth", depth_m, "0 for torispherical: dish and knuckle give it")
        return _torispherical(rim, dish_ratio, knuckle_ratio)
    if kind == "flat":
        if depth_m:
            raise OutOfRange(f"{name} depth", depth_m, "0 when flat")
        return _Head(rim, 0.0, lambda z: np.full_like(z, rim))
    depth = positive(f"{name} depth", depth_m, rim if kind == "spherical" else LARGEST_M, "m")
    if kind == "conical":
        return _Head(rim, depth, lambda z: rim * (1.0 - z / depth))
    if kind == "ellipsoidal":
        return _Head(rim, depth, lambda z: rim * np.sqrt(np.maximum(1.0 - (z / depth) ** 2, 0.0)))
    if kind == "spherical":
        ball = (depth**2 + rim**2) / (2.0 * depth)
        return _Head(rim, depth, lambda z: np.sqrt(np.maximum(ball**2 - (z - depth + ball) ** 2, 0.0)))
    raise OutOfRange(name, kind, "one of flat, conical, ellipsoidal, spherical, torispherical")


def _torispherical(rim: float, dish_ratio: float, knuckle_ratio: float) -> _Head:
    """Dish of radius f D and knuckle of radius k D, meeting with one tangent (Jones' f, k and alpha)."""
    dish, knuckle = 2.0 * rim * dish_ratio, 2.0 * rim * knuckle_ratio
    alpha = math.asin(min(1.0, (1.0 - 2.0 * knuckle_ratio) / (2.0 * (dish_ratio - knuckle_ratio))))
    bend = knuckle * math.cos(alpha)
    depth = bend + dish * (1.0 - math.cos(alpha))

    def radius(z: Floats) -> Floats:
        # a radius rounded above the rim would put its root, 1e-8 of the rim, into the wetted segment
        ring = np.minimum(rim - knuckle + np.sqrt(np.maximum(knuckle**2 - z**2, 0.0)), rim)
        ball = np.sqrt(np.maximum(dish**2 - (z - depth + dish) ** 2, 0.0))
        return np.where(z < bend, ring, ball)

    return _Head(rim, depth, radius, bend)


def _segment_m2(radius: Floats, below_axis_m: float) -> Floats:
    """Wetted part of circles whose axis lies `below_axis_m` above the liquid (negative: below it)."""
    reach = np.maximum(radius, abs(below_axis_m))
    ratio = np.divide(below_axis_m, reach, out=np.zeros_like(reach), where=reach > 0.0)
    # as a product: a difference of squares one bit off would leave a root of 1e-8 of the radius when full
    half_chord = np.sqrt(np.maximum((radius - below_axis_m) * (radius + below_axis_m), 0.0))
    return np.maximum(radius**2 * np.arccos(ratio) - below_axis_m * half_chord, 0.0)


def _lying_head_m3(head: _Head, below_axis_m: float) -> float:
    """Liquid in one end of a lying tank, split where the surface leaves the wall: the area bends there."""
    if head.depth == 0.0:
        return 0.0
    leaves = where_zero(lambda z: abs(below_axis_m) - float(head.radius(np.array([z]))[0]), 0.0, head.depth)
    cuts = sorted({*_cuts(head, 0.0, head.depth), leaves})
    return _integral(lambda z: _segment_m2(head.radius(z), below_axis_m), cuts)


def _cuts(head: _Head, start: float, end: float) -> list[float]:
    return [start, head.bend, end] if start < head.bend < end else [start, end]


@lru_cache(maxsize=4)
def _nodes(count: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on 0 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1.0) / 2.0, weights / 2.0


def _integral(area: Callable[[Floats], Floats], cuts: Sequence[float]) -> float:
    """Integral over each piece in turn, its nodes crowded (t²) towards the end where a root may sit."""
    nodes, weights = _nodes(48)
    total = 0.0
    for start, end in pairwise(cuts):
        width = end - start
        total += float(np.sum(area(end - width * nodes**2) * 2.0 * width * nodes * weights))
    return total


def _level_of(volume: Callable[[float], float], volume_l: float, highest_m: float) -> float:
    full = volume(highest_m)
    # The full tank in litres is rounded when printed; a part in a million above it still means full.
    wanted = min(within("volume_l", volume_l, 0.0, full * (1.0 + 1e-6), "L", "the full tank"), full)
    return where_zero(lambda level: volume(level) - wanted, 0.0, highest_m)
