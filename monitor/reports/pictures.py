"""The pictures of a digest: a strip an instrument, and small courses side by side on scales of their own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.notify.words import one_line
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import shown
from monitor.reports.drawing import Box, Drawing, Ink, Path, Shape, Words
from monitor.reports.figures import (
    HOUR_BAD,
    HOUR_GOOD,
    HOUR_NOTHING,
    HOUR_UNCERTAIN,
    ChannelWeek,
    Digest,
)
from monitor.reports.paper import hours_in_words
from monitor.reports.week import Week

STRIP_HEIGHT = 14.0
SHEET_WIDTH = 400.0
MOST_COURSES = 12
_COURSE = (192.0, 78.0)
# A value that hardly moves is not drawn as if it did: the scale spans this share of it at least.
_LEAST_ROOM = 0.2
# Share of the strip's height, and ink.
_LOOKS: dict[str, tuple[float, Ink]] = {
    HOUR_GOOD: (0.3, "soft"),
    HOUR_UNCERTAIN: (0.6, "half"),
    HOUR_BAD: (1.0, "need"),
}


def strip(hours: str, width: float = 504.0) -> Drawing:
    """A week's quality, hour by hour."""
    each = width / max(len(hours), 1)
    shapes: list[Shape] = [Box(0.0, STRIP_HEIGHT - 0.5, width, 0.5, "faint")]
    for mark, begin, end in _runs(hours):
        if mark != HOUR_NOTHING:
            share, ink = _LOOKS[mark]
            tall = STRIP_HEIGHT * share
            shapes.append(Box(begin * each, STRIP_HEIGHT - tall, (end - begin) * each, tall, ink))
    return Drawing(width, STRIP_HEIGHT, tuple(shapes), f"Quality hour by hour: {hours_in_words(hours)}")


def _runs(hours: str) -> Iterator[tuple[str, int, int]]:
    begin = 0
    for at in range(1, len(hours) + 1):
        if at == len(hours) or hours[at] != hours[begin]:
            yield hours[begin], begin, at
            begin = at


def strips(digest: Digest) -> Drawing:
    """All instruments' strips on one sheet, numbered as in the list, days marked on top."""
    week = Week.parse(digest.week, digest.zone)
    row, top = 33.0, 22.0
    shapes: list[Shape] = []
    span_ms = digest.to_ms - digest.from_ms
    for day, begin_ms in week.days():
        x = (begin_ms - digest.from_ms) / span_ms * SHEET_WIDTH
        shapes.append(
            Words(x + 3, 11, f"{('Mo', 'Tu', 'We', 'Th', 'Fr', 'Sa', 'Su')[day.weekday()]} {day.day}", 11)
        )
        shapes.append(Box(x, 2, 0.5, top + row * len(digest.instruments), "faint"))
    for n, one in enumerate(digest.instruments):
        y = top + n * row
        needs = one.verdict != "fine"
        shapes.append(
            Words(3, y + 11, f"{n + 1}. {one_line(one.name)}: {one.verdict}", 11, "need" if needs else "ink",
                  plain=f"{n + 1}. {one.id}: {one.verdict}")
        )  # fmt: skip
        shapes += strip(one.hours, SHEET_WIDTH).at(0, y + 14)
    told = "; ".join(
        f"{n}. {one_line(one.name)}: {one.verdict}, {hours_in_words(one.hours)}"
        for n, one in enumerate(digest.instruments, start=1)
    )
    return Drawing(SHEET_WIDTH, top + row * len(digest.instruments), tuple(shapes), told)


def courses(digest: Digest) -> list[tuple[str, ChannelWeek]]:
    """Whose course is shown, each with its instrument: the water at each point, then what needs a look."""
    known = {channel.id: (one.name, channel) for one in digest.instruments for channel in one.channels}
    wanted = [point.quality for point in digest.points if point.quality]
    wanted += [channel.id for one in digest.needing for channel in one.channels]
    found = [known[name] for name in dict.fromkeys(wanted) if name in known and _is_drawn(known[name][1])]
    return found[:MOST_COURSES]


def _is_drawn(channel: ChannelWeek) -> bool:
    """A count only rises and a contact only switches: neither has a course."""
    return bool(channel.course.starts_ms) and channel.quantity not in ("volume", "contact", "count")


def called(instrument: str, channel: ChannelWeek) -> str:
    """A channel of an instrument, in one harmless line."""
    return one_line(f"{instrument}: {channel.name}")


def course(instrument: str, channel: ChannelWeek, from_ms: int, to_ms: int) -> Drawing:
    """One channel's week: its mean as a line, its extremes as an area; where it was silent there is none."""
    width, height = _COURSE
    top, bottom = 16.0, 8.0
    drawn = channel.course
    name = called(instrument, channel)
    low, high = min(drawn.low), max(drawn.high)
    room = max(high - low, _LEAST_ROOM * max(abs(high), abs(low)), 1e-9)
    low -= (room - (high - low)) / 2

    def x(time_ms: float) -> float:
        return (time_ms - from_ms) / (to_ms - from_ms) * width

    def y(value: float) -> float:
        return height - bottom - (value - low) / room * (height - top - bottom)

    shapes: list[Shape] = [
        Box(n / 7 * (width - 0.5), top, 0.5, height - top - bottom, "faint") for n in range(8)
    ]
    step_ms = (to_ms - from_ms) / 84
    for run in _unbroken(drawn.starts_ms, step_ms):
        middles = [x(drawn.starts_ms[n] + step_ms / 2) for n in run]
        upper = [(at, y(drawn.high[n])) for at, n in zip(middles, run, strict=True)]
        lower = [(at, y(drawn.low[n])) for at, n in zip(middles, run, strict=True)]
        if len(run) > 1:
            shapes.append(Path((*upper, *reversed(lower)), "faint", filled=True))
            line = tuple((at, y(drawn.mean[n])) for at, n in zip(middles, run, strict=True))
            shapes.append(Path(line, "ink"))
        else:
            tall = lower[0][1] - upper[0][1]
            shapes.append(Box(middles[0] - 1.2, upper[0][1] - 1.2, 2.4, tall + 2.4, "ink"))
    ends = ends_of(channel)
    shapes.append(Words(0, 11, name, 11, plain=f"{channel.id}  {ends}"))
    words = (
        f"{name}: lowest {shown(min(drawn.low), channel.quantity)}, highest "
        f"{shown(max(drawn.high), channel.quantity)}, {_way(drawn.mean, channel.quantity)}"
    )
    return Drawing(width, height, tuple(shapes), words)


def plot_only(drawing: Drawing) -> Drawing:
    """Without its words: they stand beside it in the page, as text that grows with the reader's."""
    kept = tuple(shape for shape in drawing.shapes if not isinstance(shape, Words))
    return Drawing(drawing.width, drawing.height, kept, drawing.words)


def sheet(digest: Digest) -> Drawing | None:
    """The courses on one sheet, two in a row; None where there is nothing to show."""
    shown_ = courses(digest)
    if not shown_:
        return None
    width, height = _COURSE
    gap = SHEET_WIDTH - 2 * width
    made = [course(*one, digest.from_ms, digest.to_ms) for one in shown_]
    shapes = [
        shape
        for n, one in enumerate(made)
        for shape in one.at((n % 2) * (width + gap), (n // 2) * (height + 8))
    ]
    rows = -(-len(made) // 2)
    return Drawing(SHEET_WIDTH, rows * (height + 8), tuple(shapes), "; ".join(one.words for one in made))


def _unbroken(starts_ms: Sequence[int], step_ms: float) -> Iterator[list[int]]:
    run: list[int] = []
    for n, start_ms in enumerate(starts_ms):
        if run and start_ms - starts_ms[run[-1]] > 1.5 * step_ms:
            yield run
            run = []
        run.append(n)
    if run:
        yield run


def _way(means: Sequence[float], quantity: str) -> str:
    return f"began at {shown(means[0], quantity)}, ended at {shown(means[-1], quantity)}"


def ends_of(channel: ChannelWeek) -> str:
    """The span of a channel's course, in words."""
    low, high = min(channel.course.low), max(channel.course.high)
    return f"{low:,.{QUANTITIES[channel.quantity].decimals}f} to {shown(high, channel.quantity)}"
