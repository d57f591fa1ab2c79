"""A drawing as SVG, to stand inside a page: it takes the page's own ink, so it is right in light and dark."""

from __future__ import annotations

from html import escape

from monitor.reports.drawing import Box, Drawing, Path, Shape

_OPACITY = {
    "ink": "",
    "soft": ' opacity=".45"',
    "faint": ' opacity=".2"',
    "half": ' opacity=".65"',
    "need": "",
}


def svg(drawing: Drawing, *, stretched: bool = False) -> str:
    """The element. `stretched`: it fills the width it is given, at its own height."""
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}"'
    if stretched:
        size += f' width="100%" height="{_n(drawing.height)}" preserveAspectRatio="none"'
    else:
        size += f' width="{_n(drawing.width)}" height="{_n(drawing.height)}"'
    shapes = "".join(map(_shape, drawing.shapes))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" '
        f'aria-label="{escape(drawing.words)}">{shapes}</svg>'
    )


def _shape(shape: Shape) -> str:
    look = f'class="{shape.ink}"{_OPACITY[shape.ink]}'
    if isinstance(shape, Box):
        place = f'x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}"'
        return f'<rect {place} fill="currentColor" {look}/>'
    if isinstance(shape, Path):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
        if shape.filled:
            return f'<polygon points="{points}" fill="currentColor" {look}/>'
        return f'<polyline points="{points}" fill="none" stroke="currentColor" stroke-width="1.2" {look}/>'
    anchor = ' text-anchor="end"' if shape.anchor == "end" else ""
    place = f'x="{_n(shape.x)}" y="{_n(shape.y)}" font-size="{_n(shape.size)}"{anchor}'
    return f'<text {place} fill="currentColor" {look}>{escape(shape.text)}</text>'


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")
