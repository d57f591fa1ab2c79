"""A drawing as PNG, for mail: most mail programs show no SVG. Only a process of its own imports this."""

from __future__ import annotations

import io
from functools import cache
from typing import Any

from PIL import Image, ImageDraw, ImageFont

from monitor.reports.drawing import Box, Drawing, Ink, Path, Shape

# Twice the size it is shown at, for sharp screens and for print.
SCALE = 2
_INKS: dict[Ink, tuple[int, int, int]] = {
    "ink": (34, 34, 34),
    "soft": (150, 150, 150),
    "faint": (215, 215, 215),
    "half": (95, 95, 95),
    "need": (140, 20, 12),
}
# The font that comes with Pillow has none of these.
_WRITTEN = str.maketrans({"µ": "u", "²": "2", "³": "3", "–": "-", "Ω": "Ohm", "≥": ">="})
_UNKNOWN = "?"


def png(drawing: Drawing) -> bytes:
    """The file. Text is in the font that comes with Pillow: what that cannot write is written plainly."""
    image = Image.new("RGB", (round(drawing.width * SCALE), round(drawing.height * SCALE)), "white")
    pen = ImageDraw.Draw(image)
    for shape in drawing.shapes:
        _draw(pen, shape)
    out = io.BytesIO()
    image.quantize(32).save(out, "PNG", optimize=True)
    return out.getvalue()


def _draw(pen: ImageDraw.ImageDraw, shape: Shape) -> None:
    ink = _INKS[shape.ink]
    if isinstance(shape, Box):
        x, y = shape.x * SCALE, shape.y * SCALE
        right = max(x, x + shape.width * SCALE - 1)
        pen.rectangle((x, y, right, max(y, y + shape.height * SCALE - 1)), fill=ink)
    elif isinstance(shape, Path):
        points = [(x * SCALE, y * SCALE) for x, y in shape.points]
        if shape.filled:
            pen.polygon(points, fill=ink)
        else:
            pen.line(points, fill=ink, width=SCALE, joint="curve")
    else:
        anchor = "rs" if shape.anchor == "end" else "ls"
        text = written(shape.plain or shape.text)
        pen.text((shape.x * SCALE, shape.y * SCALE), text, fill=ink, font=_font(shape.size), anchor=anchor)


def written(text: str) -> str:
    """A text in letters that the font has."""
    return "".join(
        c if c.isascii() or c in "°×·" else _UNKNOWN for c in text.translate(_WRITTEN) if c.isprintable()
    )


@cache
def _font(size: float) -> Any:
    return ImageFont.load_default(size * SCALE)
