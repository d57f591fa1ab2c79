"""Numbers and units as people write them: `18 grains`, `17 °dH`, `7,6`, `4 ft x 2 ft`, `6 to 9 %`.

What comes out is text that a site file takes. What can be read in two ways is asked back, never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date

from monitor.plant.units import scale_between


class NotRight(ValueError):
    """An answer that cannot be taken; the text says why and what would do."""


class NoUnit(NotRight):
    """A number without its unit: what is still needed is the unit alone."""


# What is written -> what a site file takes. Looked up in lower case, without spaces, dots and a plural s.
HARDNESS: Mapping[str, str] = {
    "gpg": "gpg", "grain": "gpg", "gr": "gpg", "gr/gal": "gpg", "grain/gallon": "gpg",
    "grainpergallon": "gpg", "dh": "dH", "°dh": "dH", "dgh": "dH", "°d": "dH", "germandegree": "dH",
    "fh": "fH", "°fh": "fH", "°f": "fH", "frenchdegree": "fH", "clark": "Clark", "°e": "Clark",
    "ppm": "ppm", "mg/l": "mg/L", "mmol/l": "mmol/L", "mmol": "mmol/L",
}  # fmt: skip
VOLUME: Mapping[str, str] = {
    "l": "L", "liter": "L", "litre": "L", "ltr": "L", "gal": "gal", "gallon": "gal", "usgal": "gal",
    "m3": "m3", "m³": "m3", "ft3": "ft3", "ft³": "ft3", "cuft": "ft3", "cubicfeet": "ft3", "cubicfoot": "ft3",
    "cf": "ft3",
}  # fmt: skip
SALT: Mapping[str, str] = {
    "kg": "kg", "kilo": "kg", "g": "g", "lb": "lb", "pound": "lb", "g/l": "g/L", "kg/m3": "g/L",
    "lb/ft3": "lb/ft3", "lb/cuft": "lb/ft3", "lb/cf": "lb/ft3", "lb/ft³": "lb/ft3",
    "poundpercubicfoot": "lb/ft3",
}  # fmt: skip
FLOW: Mapping[str, str] = {
    "l/min": "L/min", "lpm": "L/min", "l/h": "L/h", "lph": "L/h", "m3/h": "m3/h", "m³/h": "m3/h",
    "gpm": "gpm", "gal/min": "gpm", "gph": "gph", "gal/h": "gph", "gpd": "gpd", "gal/day": "gpd",
    "gal/d": "gpd", "gallon/day": "gpd", "gallonaday": "gpd", "gallonperday": "gpd", "l/d": "L/day",
    "l/day": "L/day", "litreaday": "L/day", "literaday": "L/day",
}  # fmt: skip
DISSOLVED: Mapping[str, str] = {
    "us": "uS/cm", "µs": "uS/cm", "us/cm": "uS/cm", "µs/cm": "uS/cm", "μs/cm": "uS/cm", "μs": "uS/cm",
    "microsiemen": "uS/cm", "ms/cm": "mS/cm", "ms": "mS/cm", "ppm": "ppm", "mg/l": "ppm", "ppt": "g/L",
    "mohm": "Mohm*cm", "mω": "Mohm*cm", "mohm*cm": "Mohm*cm", "mohmcm": "Mohm*cm", "mω·cm": "Mohm*cm",
    "mωcm": "Mohm*cm", "megohm": "Mohm*cm", "megohmcm": "Mohm*cm", "megohm-cm": "Mohm*cm",
}  # fmt: skip
MASS_PER_LITRE: Mapping[str, str] = {"mg/l": "mg/L", "ppm": "ppm"}
LENGTH: Mapping[str, str] = {
    "mm": "mm", "cm": "cm", "m": "m", "in": "inch", "inch": "inch", "inche": "inch", '"': "inch",
    "''": "inch",
    "ft": "ft", "feet": "ft", "foot": "ft", "'": "ft",
}  # fmt: skip
TIME: Mapping[str, str] = {
    "s": "s", "sec": "s", "second": "s", "min": "min", "minute": "min", "h": "h", "hour": "h", "hr": "h",
    "d": "days", "day": "days", "week": "weeks", "wk": "weeks",
}  # fmt: skip
TEMPERATURE: Mapping[str, str] = {
    "c": "degC",
    "°c": "degC",
    "degc": "degC",
    "f": "degF",
    "°f": "degF",
    "degf": "degF",
}

_NUMBER = re.compile(r"\s*([+-]?\d[\d\s'’]*(?:[.,]\d+)*|[+-]?\.\d+)\s*(.*)", re.DOTALL)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}[.,]\d{3}")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([ '’,])\d{3})(?:\1\d{3})*(?:\.\d+)?")
_BETWEEN = re.compile(r"\s*(?:-|–|—|to|\.\.+|and|/)\s*")
_TIMES = re.compile(r"\s*(?:x|×|\*|by)\s*", re.IGNORECASE)
_PLURAL = re.compile(
    r"\b(grain|degree|gallon|liter|litre|pound|lb|kilo|inche?|sec|second|min|minute|hour|hr|day|week|siemen)s\b"
)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_PER_MMOL_MG_L = 100.0869  # CaCO3


def number_and_rest(text: str) -> tuple[float, str]:
    """`7,6 bar` as (7.6, "bar"); `1 200 L` as (1200.0, "L").

    Raises: NotRight when there is no number, or one that can be read in two ways.
    """
    found = _NUMBER.fullmatch(
        text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")
    )
    if found is None:
        raise NotRight(f'"{text.strip()}" does not begin with a number')
    digits, rest = found[1].strip(), found[2].strip()
    if _GROUPED.fullmatch(digits) and "," not in digits:
        digits = re.sub(r"[ '’]", "", digits)
    elif re.search(r"\s", digits):
        raise NotRight(f'"{digits}" is more than one number')
    elif _THOUSANDS.fullmatch(digits) and "," in digits:
        whole, point = digits.replace(",", ""), digits.replace(",", ".")
        raise NotRight(f'"{digits}" can be read as {whole} or as {point}; write it the way that is meant')
    elif digits.count(".") + digits.count(",") > 1:
        if not _GROUPED.fullmatch(digits):
            raise NotRight(
                f'"{digits}" is no number that can be read one way; write it without thousands marks'
            )
        digits = digits.replace(",", "")
    return float(digits.replace(",", ".")), rest


def shown(value: float) -> str:
    """A number as a site file takes it, without a needless `.0`."""
    return f"{value:.10g}"


def unit_of(text: str, units: Mapping[str, str]) -> str | None:
    """What a site file calls a unit as people write it; None when it is none of these."""
    plain = re.sub(r"as\s*caco3", "", text.lower())
    plain = _PLURAL.sub(r"\1", plain)
    return units.get(re.sub(r"[\s.]", "", plain))


def measure(text: str, units: Mapping[str, str], examples: str) -> str:
    """A number with one of the units, as a site file takes it.

    Raises: NoUnit when only the unit is missing; NotRight when the unit is another.
    """
    value, rest = number_and_rest(text)
    if not rest:
        raise NoUnit(f"{shown(value)} of what? The unit is needed, like {examples}")
    unit = unit_of(rest, units)
    if unit is None:
        raise NotRight(f'"{rest}" is no unit for this; write it like {examples}')
    if unit == "mmol/L":
        return f"{shown(value * _PER_MMOL_MG_L)} mg/L"
    return f"{shown(value)} {unit}"


def within(text: str, unit: str, low: float, high: float) -> str:
    """The measure again, when it lies between two values in a unit.

    Raises: NotRight with the span, in the unit it was written in and in the one of the bounds.
    """
    value, own = text.split(" ", 1)
    size = scale_between(own, unit).apply(float(value))
    if not low <= size <= high:
        raise NotRight(f"{text} is outside what is possible here: {low:g} to {high:g} {unit}")
    return text


def number(text: str, low: float, high: float, units: tuple[str, ...] = ()) -> float:
    """A plain number; one of `units` may follow it.

    Raises: NotRight with the span.
    """
    value, rest = number_and_rest(text)
    if rest and rest.lower().rstrip(".") not in units:
        raise NotRight(f'"{rest}" does not belong here; a number alone will do')
    if not low <= value <= high:
        raise NotRight(f"{shown(value)} is outside what is possible here: {low:g} to {high:g}")
    return value


def share(text: str, low: float = 0.0, high: float = 100.0) -> str:
    """Per cent, with or without its sign: `60`, `60 %`, `60 percent`."""
    value = number(text, low, high, ("%", "percent", "per cent", "pct"))
    return f"{shown(value)} %"


def band(text: str, low: float, high: float) -> tuple[str, str]:
    """Two shares, the lower first: `6 - 9 %`, `6 to 9`, `6% - 9%`."""
    parts = _BETWEEN.split(text.strip())
    if len(parts) != 2:
        raise NotRight('a lower and an upper end, like "6 to 9 %"')
    first, second = (number(part, low, high, ("%", "percent")) for part in parts)
    if not first < second:
        raise NotRight(f"the lower end comes first: {shown(first)} is not less than {shown(second)}")
    return f"{shown(first)} %", f"{shown(second)} %"


def rectangle_m2(text: str) -> float:
    """The area of a length by a width; a unit at the end serves for both: `1200 x 600 mm`, `4 ft x 2 ft`.

    Raises: NoUnit, NotRight.
    """
    parts = _TIMES.split(text.strip())
    example = "like 1200 x 600 mm or 4 ft x 2 ft"
    if len(parts) != 2:
        raise NotRight(f"a length and a width, {example}")
    (first, unit_1), (second, unit_2) = (number_and_rest(part) for part in parts)
    if not unit_2:
        raise NoUnit(f"{shown(first)} x {shown(second)} of what? The unit is needed, {example}")
    sides = []
    for value, unit in ((first, unit_1 or unit_2), (second, unit_2)):
        known = unit_of(unit, LENGTH)
        if known is None:
            raise NotRight(f'"{unit}" is no length; write it {example}')
        sides.append(scale_between(known, "m").apply(value))
    if min(sides) <= 0.0:
        raise NotRight(f"both more than nothing, {example}")
    return sides[0] * sides[1]


def day(text: str) -> date:
    """A day: `2026-05-04`, `4.5.2026`, `4 May 2026`.

    Raises: NotRight, also for `05/04/2026`, which is another day on each side of an ocean.
    """
    plain = text.strip().lower().replace(",", " ")
    try:
        return date.fromisoformat(plain)
    except ValueError:
        pass
    dotted = re.fullmatch(r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})", plain)
    worded = re.fullmatch(r"(\d{1,2})(?:st|nd|rd|th|\.)?\s+([a-z]{3})[a-z]*\.?\s+(\d{4})", plain)
    american = re.fullmatch(r"([a-z]{3})[a-z]*\.?\s+(\d{1,2})(?:st|nd|rd|th)?\s+(\d{4})", plain)
    try:
        if dotted:
            return date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
        if worded and worded[2] in _MONTHS:
            return date(int(worded[3]), _MONTHS.index(worded[2]) + 1, int(worded[1]))
        if american and american[1] in _MONTHS:
            return date(int(american[3]), _MONTHS.index(american[1]) + 1, int(american[2]))
    except ValueError as error:
        raise NotRight(f'"{text}" is no day: {error}') from error
    raise NotRight(f'"{text}" is no day that can be read one way; write it like 2026-05-04 or 4 May 2026')


def duration(text: str, example: str) -> str:
    """A time span as a site file takes it: `3 days`, `every 3 days`, `1 week`."""
    plain = re.sub(r"^\s*every\s+", "", text.strip(), flags=re.IGNORECASE)
    plain = "1 " + plain if re.fullmatch(r"[a-zA-Z]+", plain) else plain
    found = measure(plain, TIME, example)
    value, unit = found.split(" ", 1)
    return f"{shown(7 * float(value))} days" if unit == "weeks" else found


def yes(text: str) -> bool:
    """Raises: NotRight for anything but yes and no."""
    plain = text.strip().lower()
    if plain in ("y", "yes", "true"):
        return True
    if plain in ("n", "no", "false"):
        return False
    raise NotRight("yes or no")


def choice(text: str, options: Iterable[str]) -> str:
    """One of the options, by number from 1, by name, or by the beginning of one.

    Raises: NotRight with the options.
    """
    plain, names = text.strip().lower(), list(options)
    if plain.isdigit() and 1 <= int(plain) <= len(names):
        return names[int(plain) - 1]
    fitting = [n for n in names if n.lower() == plain] or [
        n for n in names if plain and n.lower().startswith(plain)
    ]
    if len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(f"{position} ({name})" for position, name in enumerate(names, 1))
    raise NotRight(f'"{text.strip()}" is none of them; type {listed}')


def choices(text: str, options: Iterable[str]) -> tuple[str, ...]:
    """Several options, in the order they stand in: `1 3 4`, `tap, softener, ro`, `all`, `none`.

    Raises: NotRight naming the one that is none of them.
    """
    plain = text.strip().lower()
    if plain == "all":
        return tuple(options)
    if plain in ("none", "nothing", "0"):
        return ()
    parts = [part for part in re.split(r"[,;>]|\band\b", plain) if part.strip()]
    if len(parts) == 1 and plain not in [name.lower() for name in options]:
        parts = plain.split()
    spread: list[str] = []
    for part in parts:
        run = re.fullmatch(r"\s*(\d+)\s*[-–]\s*(\d+)\s*", part)
        spread += map(str, range(int(run[1]), int(run[2]) + 1)) if run and int(run[2]) < 1000 else [part]
    taken = {choice(part, options) for part in spread}
    return tuple(name for name in options if name in taken)
