"""One page of a sump's history and the water it is filled with, for a call to the coolant's supplier."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from monitor.notify.when import local_time
from monitor.notify.words import one_line
from monitor.plant.events import shown_amount
from monitor.plant.model import Coolant, Plant, Sump
from monitor.plant.stage import Stage
from monitor.plant.units import shown
from monitor.reports import water
from monitor.reports.alarms import FirstLine
from monitor.reports.channels import Hours
from monitor.reports.figures import SumpWeek
from monitor.reports.sumps import Accounts, sumps
from monitor.reports.week import Week
from monitor.store.weekly import alarms_within, told

WEEKS = 12
MOST_EVENTS, MOST_ALARMS = 12, 6
TO_SAY = (
    "concentrate: product and batch on the drum",
    "last full change, and with what the machine was cleaned",
    "metals machined, and since when",
    "what was added besides concentrate and water, by whom",
    "what is seen: foam, residue, rust, smell, skin trouble",
)
CAUTION = (
    "Biocides and additives only by their label, by trained people, never by this page. Smell, slime, mist "
    "or skin trouble: ventilate, and tell whoever answers for safety at work. Spent coolant is waste of its "
    "own kind."
)


@dataclass(frozen=True, slots=True)
class SupplierPage:
    """The page in words: facts, a table of weeks, what was logged, alarms, what to have at hand."""

    title: str
    span: str
    facts: tuple[tuple[str, str], ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    logged: tuple[str, ...]
    alarms: tuple[str, ...]
    to_say: tuple[str, ...] = TO_SAY
    caution: str = CAUTION


def supplier_page(
    connection: sqlite3.Connection,
    plant: Plant,
    sump: Sump,
    last: Week,
    *,
    accounts: Accounts,
    first_line: FirstLine,
) -> SupplierPage:
    """The last weeks up to and with `last`, of one sump."""
    weeks = [last.earlier(n) for n in range(WEEKS)]
    begin_ms, end_ms = weeks[-1].from_ms, weeks[0].to_ms
    events = [one for one in told(connection, 0, end_ms) if one.target == sump.id]
    hours = _hours(connection, plant, sump, last)
    only = plant.model_copy(update={"sump": (sump,)})
    found = [
        sumps(connection, only, week, known, events, accounts)[0]
        for week, known in zip(weeks, hours, strict=True)
    ]
    said = [_says(one) or bool(_made(plant, known)) for one, known in zip(found, hours, strict=True)]
    told_weeks = 1 + max((n for n, one in enumerate(said) if one), default=0)
    weeks, found, hours = weeks[:told_weeks], found[:told_weeks], hours[:told_weeks]
    names = list(dict.fromkeys(latest.name for one in found for latest in one.minerals))
    coolant = next((one for one in plant.coolant if one.id == sump.coolant), None)
    channels = {c.id for i in plant.instrument if i.sump == sump.id for c in i.channel}
    alarms = [
        one_line(f"{_when(t.time_ms, last)}  {first_line(t)}")
        for t in alarms_within(connection, begin_ms, end_ms)
        if t.cause == "raised" and (t.subject == sump.id or t.subject in channels)
    ]
    return SupplierPage(
        title=one_line(f"{sump.label} at {plant.site.name}: coolant and water"),
        span=f"{weeks[-1].label} to {weeks[0].label}",
        facts=tuple((label, one_line(value)) for label, value in _facts(plant, sump, coolant)),
        columns=("Week", "Make-up, L", "Lost, L", "Make-up water", *map(one_line, names)),
        rows=tuple(
            _row(week, one, _made(plant, known), names)
            for week, one, known in zip(weeks, found, hours, strict=True)
        ),
        logged=tuple(
            one_line(
                f"{_when(t.time_ms, last)}  {t.event.replace('-', ' ')} {shown_amount(t.event, t.value)}"
            )
            for t in reversed([t for t in events if t.time_ms >= begin_ms and t.event != "top-off"])
        )[:MOST_EVENTS],
        alarms=tuple(reversed(alarms))[:MOST_ALARMS],
    )


def _hours(connection: sqlite3.Connection, plant: Plant, sump: Sump, last: Week) -> list[dict[str, Hours]]:
    """By week: the hours of what counts this sump's make-up, and of the water at the points."""
    names = [
        name
        for name, channel in plant.channels.items()
        if (plant.instrument_of(name).sump == sump.id and channel.counter is not None)
        or (plant.point_of(name) is not None and channel.quantity in water.QUALITY)
    ]
    of = {name: Hours.of_weeks(connection, name, last, WEEKS) for name in names}
    return [{name: hours[n] for name, hours in of.items()} for n in range(WEEKS)]


def _says(sump: SumpWeek) -> bool:
    """Whether anything is known of a week."""
    return sump.make_up is not None or sump.lost is not None or bool(sump.minerals)


def _made(plant: Plant, hours: Mapping[str, Hours]) -> str:
    """The water the shop made in a week."""
    made = next((point for point in water.points(plant, hours) if point.made), None)
    return "" if made is None or made.mean is None else shown(made.mean, made.quantity)


def _facts(plant: Plant, sump: Sump, coolant: Coolant | None) -> Iterator[tuple[str, str]]:
    hours = "" if sump.hours_a_week is None else f", its pump runs {sump.hours_a_week:g} h in a usual week"
    yield "Sump", f"{sump.volume_l:,.0f} L{hours}"
    if coolant is not None:
        yield "Coolant", coolant.label
        if coolant.band is not None:
            yield "Concentration to keep", f"{coolant.band[0]} to {coolant.band[1]}"
        if coolant.factor is not None:
            yield "Refractometer factor", f"{coolant.factor:g}"
        if coolant.mineral_limit is not None:
            yield "Hardness its sheet allows", f"{coolant.mineral_limit.in_unit('mg/L'):,.0f} mg/L as CaCO3"
    tap = next((stage for stage in plant.stage if stage.kind == "tap"), None)
    treated = [stage.label for stage in plant.stage if stage.kind in ("softener", "ro", "di")]
    known = [] if tap is None else list(_tap(tap))
    if known:
        yield "Tap water", ", ".join(known)
    yield "Make-up water", ", then ".join(treated) if treated else "as from the tap"


def _tap(tap: Stage) -> Iterator[str]:
    if tap.hardness is not None:
        yield f"hardness {tap.hardness.in_unit('mg/L'):,.0f} mg/L as CaCO3"
    if tap.alkalinity is not None:
        yield f"alkalinity {tap.alkalinity.in_unit('mg/L'):,.0f} mg/L as CaCO3"
    if tap.ph is not None:
        yield f"pH {tap.ph:g}"
    if tap.conductivity is not None:
        yield str(tap.conductivity)
    if tap.chlorine is not None:
        yield f"chlorine {tap.chlorine}"


def _row(week: Week, sump: SumpWeek, made: str, names: Sequence[str]) -> tuple[str, ...]:
    latest = {one.name: one for one in sump.minerals}
    values = [
        "" if name not in latest else shown(latest[name].value, latest[name].quantity) for name in names
    ]
    return (week.label, _litres(sump.make_up), _litres(sump.lost), made, *values)


def _litres(value: float | None) -> str:
    return "" if value is None else f"{value:,.0f}"


def _when(time_ms: int, week: Week) -> str:
    return local_time(time_ms, week.zone).partition(" (")[0]


def as_text(page: SupplierPage) -> str:
    """Plain text; an empty cell is not known."""
    width = max(len(label) for label, _ in page.facts)
    facts = "\n".join(f"{label:<{width}}  {value}" for label, value in page.facts)
    widths = [max(len(row[n]) for row in (page.columns, *page.rows)) for n in range(len(page.columns))]
    table = "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (page.columns, *page.rows)
    )
    blocks = [f"{page.title}\n{page.span}", facts, f"{table}\nAn empty cell: not known."]
    for title, lines in (
        ("Logged at this sump, the last first", page.logged),
        ("Alarms of this sump, the last first", page.alarms),
        ("Have at hand before you call", tuple(f"{line}: ________" for line in page.to_say)),
    ):
        blocks += ["\n".join((title, *(f"- {line}" for line in lines)))] if lines else []
    blocks.append(page.caution)
    return "\n\n".join(blocks) + "\n"
