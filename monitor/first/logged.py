"""A logger's file told by its first lines: what separates its columns, which is the time and how written."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime

from monitor.first.written import NotRight

_FORMATS = (
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%Y/%m/%d %H:%M:%S", "%Y/%m/%d %H:%M", "%d-%m-%Y %H:%M:%S",
    "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%Y%m%d %H%M%S",
)  # fmt: skip
_DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma"}
_TIME_NAMES = ("time", "date", "timestamp", "datetime", "zeit", "datum", "uhrzeit", "heure", "hora")


@dataclass(frozen=True)
class Logged:
    """How a logger's files are written."""

    delimiter: str
    columns: tuple[str, ...]  # those with values
    time: tuple[str, ...]
    time_format: str
    comma: bool


def logged(header: str, row: str) -> Logged:
    """Raises: NotRight naming what cannot be told."""
    sign = next((sign for sign in _DELIMITERS if sign in header), "")
    names, cells = _cells(header, sign or ","), _cells(row, sign or ",")
    if len(names) < 2:
        raise NotRight("at least two columns, like Time;EC DI;Level M01")
    if len(cells) != len(names):
        raise NotRight(
            f"{len(cells)} values for {len(names)} columns; copy one whole row, as it stands in the file"
        )
    timed = [name for name in names if name.strip().lower() in _TIME_NAMES]
    if not timed:
        timed = [names[0]]
    moment = " ".join(cells[names.index(name)].strip() for name in timed[:2])
    values = tuple(name for name in names if name not in timed[:2])
    comma = any("," in cells[names.index(name)] for name in values)
    return Logged(_DELIMITERS[sign or ","], values, tuple(timed[:2]), _format(moment), comma)


def _cells(line: str, sign: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line.strip()], delimiter=sign), [])]


def _format(moment: str) -> str:
    try:
        datetime.fromisoformat(moment)
        return "iso"
    except ValueError:
        pass
    if moment.isdigit() and len(moment) in (10, 13):
        return "s" if len(moment) == 10 else "ms"
    fitting = [form for form in _FORMATS if _fits(moment, form)]
    if not fitting:
        raise NotRight(f'"{moment}" is no time that can be read; a row begins like 2026-05-04 06:30:00')
    if len(fitting) > 1:
        raise NotRight(
            f'"{moment}" can be read with the day or with the month first; copy a row of a day after the 12th'
        )
    return fitting[0]


def _fits(moment: str, form: str) -> bool:
    try:
        datetime.strptime(moment, form)  # noqa: DTZ007 - only its form is asked
    except ValueError:
        return False
    return True
