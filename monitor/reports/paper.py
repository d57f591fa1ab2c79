"""What a person reads of a digest, before it is text or HTML: a summary of one page, then the particulars."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.notify.when import DAYS, local_time
from monitor.notify.words import one_line
from monitor.plant.events import shown_amount
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import shown
from monitor.reports.figures import (
    HOUR_BAD,
    HOUR_GOOD,
    HOUR_NOTHING,
    HOUR_UNCERTAIN,
    Against,
    AlarmLine,
    ChannelWeek,
    Digest,
    Extra,
    InstrumentWeek,
    LifeWeek,
    PointWeek,
    SumpWeek,
    TrendWeek,
)
from monitor.reports.verdict import counted

# So much fits on the first page; the rest stands behind it.
MOST_CHANGES, MOST_NEEDING, MOST_STANDING = 8, 6, 5
FOOT = (
    "Goodwater advises; it is no safety system. Before work on the plant follow the shop's own rules, local "
    "codes and the instructions of the makers."
)


@dataclass(frozen=True, slots=True)
class Need:
    """Somebody should look at this instrument."""

    name: str
    word: str
    why: str
    action: str


@dataclass(frozen=True, slots=True)
class Item:
    """One thing with what is said of it; `hours` where it has a strip."""

    title: str
    word: str
    lines: tuple[str, ...]
    hours: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """Things of one kind."""

    title: str
    items: tuple[Item, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Paper:
    """A digest in words."""

    title: str
    span: str
    first_line: str
    facts: tuple[tuple[str, str], ...]
    changes: tuple[tuple[bool, str], ...]
    changes_more: int
    needing: tuple[Need, ...]
    needing_more: int
    standing: tuple[str, ...]
    standing_more: int
    sections: tuple[Section, ...]
    foot: str = FOOT


def paper(digest: Digest) -> Paper:
    """The digest in words; every text is one harmless line."""
    needing = digest.needing
    return Paper(
        title=one_line(f"Week {digest.week} at {digest.site}"),
        span=f"{_day(digest.from_ms, digest.zone)} to {_day(digest.to_ms - 1, digest.zone)}",
        first_line=one_line(_first_line(digest)),
        facts=tuple((label, one_line(value)) for label, value in _facts(digest)),
        changes=tuple((c.need, one_line(c.text)) for c in digest.changes[:MOST_CHANGES]),
        changes_more=max(0, len(digest.changes) - MOST_CHANGES),
        needing=tuple(
            Need(one_line(f"{one.name}, {one.place}"), one.verdict, one_line(one.why), one_line(one.action))
            for one in needing[:MOST_NEEDING]
        ),
        needing_more=max(0, len(needing) - MOST_NEEDING),
        standing=tuple(
            one_line(f"{line.first_line} ({_since(line, digest.zone)}, {line.state})")
            for line in digest.alarms.standing[:MOST_STANDING]
        ),
        standing_more=max(0, len(digest.alarms.standing) - MOST_STANDING),
        sections=tuple(_harmless(section) for section in _sections(digest) if section.items),
    )


def _harmless(section: Section) -> Section:
    items = tuple(
        Item(one_line(item.title), item.word, tuple(map(one_line, item.lines)), item.hours)
        for item in section.items
    )
    return Section(section.title, items, section.note)


def _first_line(digest: Digest) -> str:
    needing = len(digest.needing)
    need = sum(change.need for change in digest.changes)
    if not needing and not need:
        return "All instruments are fine, and nothing got worse."
    parts = []
    if needing:
        parts.append(f"{needing} of {len(digest.instruments)} instruments need a look")
    if need:
        parts.append(f"{need} {'thing' if need == 1 else 'things'} got worse")
    return f"{'; '.join(parts)}."


def _facts(digest: Digest) -> Iterator[tuple[str, str]]:
    metered, made = digest.metered, digest.made
    if metered is not None:
        yield "Water made", _litres(metered)
    if made is not None and made.mean is not None:
        yield "Its quality", f"{_quality(made)}, at {made.name}"
    for one in digest.lives:
        yield f"{one.stage} has left", _left(one)
    lost = [sump.lost for sump in digest.sumps if sump.lost is not None]
    if lost:
        yield "Lost by the sumps", f"{sum(lost):,.0f} L ({len(lost)} of {len(digest.sumps)} accounted for)"
    if digest.checks_due:
        yield "Checks by hand", f"{digest.checks_done} done of {digest.checks_due} due"
    yield "Alarms", _alarms(digest)
    away = sum(span.hours for span in digest.not_watched)
    if away:
        yield "No watch was kept", f"{_long(away)} in {counted(len(digest.not_watched), 'span')}"


def _alarms(digest: Digest) -> str:
    alarms = digest.alarms
    n, before = sum(alarms.raised.values()), sum(alarms.raised_before.values())
    parts = [
        f"{count} {priority}"
        for priority in ("high", "medium", "low")
        if (count := alarms.raised.get(priority))
    ]
    text = f"{n} raised ({', '.join(parts)})" if n else "none raised"
    text += f", {before} the week before"
    if alarms.minutes_to_acknowledge is not None and alarms.longest_to_acknowledge is not None:
        text += (
            f"; acknowledged after {_minutes(alarms.minutes_to_acknowledge)} in the middle, "
            f"{_minutes(alarms.longest_to_acknowledge)} at the longest"
        )
    if alarms.never_acknowledged:
        text += f"; {alarms.never_acknowledged} never acknowledged"
    return text


def _sections(digest: Digest) -> Iterator[Section]:
    zone = digest.zone
    if len(digest.changes) > MOST_CHANGES:
        more = digest.changes[MOST_CHANGES:]
        yield Section("More that changed", tuple(Item(change.text, "", ()) for change in more))
    yield Section(
        "Instruments",
        tuple(_instrument(n, one, digest) for n, one in enumerate(digest.instruments, start=1)),
        "Heard: share of the week in which it spoke as often as it should. Strips: one mark an hour; low is "
        "good, half uncertain, full and dark bad, none nothing heard.",
    )
    yield Section(
        "Water",
        tuple(_point(one, zone) for one in digest.points)
        + tuple(_trend(one) for one in digest.trends)
        + tuple(Item(one.stage, "", (f"{one.name}: {_left(one)}",)) for one in digest.lives),
    )
    yield Section("Sumps", tuple(_sump(one, zone) for one in digest.sumps))
    yield Section("Alarms", tuple(_alarm_items(digest)))


def _instrument(n: int, one: InstrumentWeek, digest: Digest) -> Item:
    lines = [_availability(one)] if one.channels else []
    for channel in one.channels:
        lines += _channel(channel, digest.zone, named=len(one.channels) > 1)
    lines += [f"{e.name} {_extra(e)}" for e in one.extras]
    if one.calibrated_ms is not None:
        age = (digest.to_ms - one.calibrated_ms) // 86_400_000
        due = "" if one.calibration_due_ms is None else f", due {_date(one.calibration_due_ms, digest.zone)}"
        lines.append(f"calibrated {_date(one.calibrated_ms, digest.zone)}, {counted(age, 'day')} ago{due}")
    if one.verdict != "fine":
        lines += [f"Why: {one.why}.", f"Next: {one.action}"]
    return Item(f"{n}. {one.name}, {one.place}", one.verdict, tuple(lines), one.hours)


def _availability(one: InstrumentWeek) -> str:
    good, uncertain, bad = (one.share(level) for level in ("good", "uncertain", "bad"))
    text = f"heard {one.availability:.1%}"
    if good is None:
        rest = [c.good for c in one.channels if c.good is not None]
        return f"{text}; good {min(rest):.1%}, readings no longer kept" if rest else text
    text += f"; good {good:.1%}, uncertain {uncertain:.1%}, bad {bad:.1%}"
    reasons = dict.fromkeys(
        f"{word} {share:.1%}" for channel in one.channels for word, share in channel.reasons[:2]
    )
    gaps = sum(channel.gap_count for channel in one.channels)
    text += f" ({', '.join(reasons)})" if reasons else ""
    return text + (f"; {counted(gaps, 'gap')}, the longest {_longest(one)}" if gaps else "")


def _longest(one: InstrumentWeek) -> str:
    return _long(max(gap.hours for channel in one.channels for gap in channel.gaps))


def _channel(channel: ChannelWeek, zone: str, *, named: bool) -> Iterator[str]:
    quantity = channel.quantity
    parts = []
    if quantity == "contact" and channel.mean is not None:
        parts.append(f"on in {channel.mean:.0%} of its readings")
    elif (
        quantity != "volume"
        and channel.low is not None
        and channel.mean is not None
        and channel.high is not None
    ):
        parts.append(
            f"{_number(channel.low, quantity)} to {shown(channel.high, quantity)}, "
            f"mean {_number(channel.mean, quantity)}"
        )
    if channel.noise is not None:
        usual = "" if channel.noise_usual is None else f" (usual {_fine(channel.noise_usual)})"
        parts.append(f"noise {_fine(channel.noise)}{usual}")
    if channel.stuck:
        parts.append(f"unchanged for {_long(channel.stuck_h)} from {_moment(channel.stuck[0].from_ms, zone)}")
    if channel.spiky:
        parts.append(
            f"jumps or swings in {counted(len(channel.spiky), 'span')}, {_long(channel.spiky_h)} in all"
        )
    if parts:
        yield (f"{channel.name}: " if named else "") + "; ".join(parts)
    for other in (channel.partner, channel.hand):
        if other is not None:
            yield (f"{channel.name}: " if named else "") + _against(other, quantity, zone)


def _against(other: Against, quantity: str, zone: str) -> str:
    side = "above" if other.difference >= 0 else "below"
    text = f"{shown(abs(other.difference), quantity)} {side} {other.what}"
    text += "" if other.at_ms is None else f" on {_moment(other.at_ms, zone)}"
    if other.before is not None:
        usual = "above" if other.before >= 0 else "below"
        text += f", before {_number(abs(other.before), quantity)} {usual}"
    return text + ("" if other.tolerance is None else f"; both together may be {_fine(other.tolerance)} off")


def _extra(extra: Extra) -> str:
    lowest = _number(extra.lowest, extra.quantity)
    return f"{shown(extra.last, extra.quantity)} at the end, {lowest} at the lowest"


def _point(one: PointWeek, zone: str) -> Item:
    lines = []
    if one.litres_by:
        lines.append(f"{_litres(one)}, by {one.litres_by}")
    if one.quality and one.mean is None:
        lines.append("its quality could not be judged")
    elif one.quality:
        lines.append(f"{_quality(one)}, weighted by {one.weighted_by}")
        if one.worst is not None and one.worst_ms is not None:
            lines.append(f"worst hour {shown(one.worst, one.quantity)}, {_moment(one.worst_ms, zone)}")
    return Item(one.name, "made here" if one.made else "", tuple(lines))


def _litres(one: PointWeek) -> str:
    if one.litres is None:
        return "litres not known"
    before = "" if one.litres_before is None else f", {one.litres_before:,.0f} L the week before"
    return f"{one.litres:,.0f} L{before}"


def _quality(one: PointWeek) -> str:
    if one.mean is None:
        return "not known"
    before = "" if one.mean_before is None else f", {_number(one.mean_before, one.quantity)} the week before"
    return f"{shown(one.mean, one.quantity)}{before}"


def _trend(one: TrendWeek) -> Item:
    now = "not judged this week" if one.now is None else shown(one.now, one.quantity)
    before = "" if one.before is None else f", {_number(one.before, one.quantity)} the week before"
    month = "" if one.month_ago is None else f", {_number(one.month_ago, one.quantity)} four weeks before"
    return Item(one.name, "", (f"{now}{before}{month}",))


def _left(one: LifeWeek) -> str:
    used = f"{shown(one.used, one.quantity)} since the last {one.since}"
    if one.left is None:
        return f"not known yet: {used}; it is learned from the next {one.since} that is logged"
    text = f"{shown(one.left, one.quantity)} of the usual {_number(one.usual or 0.0, one.quantity)}"
    weeks = one.weeks_left
    text += "" if weeks is None else f", about {weeks:.1f} weeks at this week's use"
    return f"{text} ({used}; {one.lives} earlier {'life' if one.lives == 1 else 'lives'})"


def _sump(one: SumpWeek, zone: str) -> Item:
    lines = []
    if one.make_up is not None:
        lines.append(f"make-up {one.make_up:,.0f} L, {' and '.join(one.make_up_by)}")
    if one.lost is not None:
        before = "" if one.lost_before is None else f", {one.lost_before:,.0f} L the week before"
        lines.append(f"lost {one.lost:,.0f} L in {_long(one.accounted_h)} accounted for{before}")
    if one.drawn_off:
        lines.append(f"drawn off {one.drawn_off:,.0f} L")
    for last in one.minerals:
        before = "" if last.before is None else f", before {_number(last.before, last.quantity)}"
        lines.append(f"{last.name} {shown(last.value, last.quantity)} on {_moment(last.at_ms, zone)}{before}")
    if one.mineral_limit is not None and any(last.quantity == "hardness" for last in one.minerals):
        lines.append(f"its coolant's sheet allows {shown(one.mineral_limit, 'hardness')} of hardness")
    lines += [
        f"{event.replace('-', ' ')}: {shown_amount(event, grade)} of 3 at the worst"
        for event, grade in one.noticed
    ]
    if one.checks_due:
        lines.append(f"checks: {one.checks_done} done of {one.checks_due} due")
    return Item(one.name, "", tuple(lines or ["nothing is measured or was logged"]))


def _alarm_items(digest: Digest) -> Iterator[Item]:
    alarms, zone = digest.alarms, digest.zone
    for condition, first_line, n in alarms.chattering:
        yield Item(first_line, "chattering", (f"raised {counted(n, 'time')} ({condition})",))
    for word, lines in (("standing", alarms.standing), ("kept back", alarms.shelved)):
        for line in lines:
            since = f"{_since(line, zone)}, {line.state} ({line.name})"
            yield Item(line.first_line, word, (since,))


def _since(line: AlarmLine, zone: str) -> str:
    return f"{line.priority}, since {_moment(line.since_ms, zone)}"


def hours_in_words(hours: str) -> str:
    """A strip as a sentence: what a picture's alternative text says.

    >>> hours_in_words("ggub.")
    'good 2 h, uncertain 1 h, bad 1 h, nothing heard 1 h'
    """
    kinds = (
        (HOUR_GOOD, "good"),
        (HOUR_UNCERTAIN, "uncertain"),
        (HOUR_BAD, "bad"),
        (HOUR_NOTHING, "nothing heard"),
    )
    return ", ".join(f"{word} {n} h" for mark, word in kinds if (n := hours.count(mark)))


def _number(value: float, quantity: str) -> str:
    return f"{value:,.{QUANTITIES[quantity].decimals}f}"


def _fine(value: float) -> str:
    return f"{value:.2g}"


def _long(hours: float) -> str:
    if hours < 2:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.1f} days"


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def _moment(time_ms: int, zone: str) -> str:
    return local_time(time_ms, zone).partition(" (")[0]


def _day(time_ms: int, zone: str) -> str:
    local = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone))
    return f"{DAYS[local.weekday()]} {local:%Y-%m-%d}"


def _date(time_ms: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone)):%Y-%m-%d}"
