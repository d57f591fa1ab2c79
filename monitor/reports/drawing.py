"""A drawing as a list of shapes, so that SVG and PNG show the same; it tells in black and white too.

Ink is named by what it means. Quality is told by height and darkness, not by colour alone: low and light is
good, half is uncertain, full and dark is bad.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

# `need` is for what a person should look at, `soft` for what is usual, `faint` for grids.
Ink = Literal["ink", "soft", "faint", "half", "need"]


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle."""

    x: float
    y: float
    width: float
    height: float
    ink: Ink


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points; filled where it bounds an area."""

    points: tuple[tuple[float, float], ...]
    ink: Ink
    filled: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; `plain` is what a font without its letters writes: ids are always of plain letters."""

    x: float
    y: float  # of the base line
    text: str
    size: float
    ink: Ink = "ink"
    anchor: Literal["start", "end"] = "start"
    plain: str = ""


Shape = Box | Path | Words


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes on a sheet, and what they show in words."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    words: str

    def at(self, x: float, y: float) -> tuple[Shape, ...]:
        """Its shapes, moved: to be part of another drawing."""
        return tuple(_moved(shape, x, y) for shape in self.shapes)


def _moved(shape: Shape, x: float, y: float) -> Shape:
    if isinstance(shape, Path):
        return replace(shape, points=tuple((a + x, b + y) for a, b in shape.points))
    return replace(shape, x=shape.x + x, y=shape.y + y)
