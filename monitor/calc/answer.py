"""What is answered: figures with their units, what was assumed, and what a quantity is."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.calc.request import CalcError, Given
from monitor.catalogue import Quantity, group_title, quantities, unit_of
from monitor.plant.units import UnitError, scale_between, shown_unit

_DIGITS = 4


@dataclass(frozen=True)
class Row:
    """One figure or word of an answer; the unit as pint reads it, empty for a word."""

    name: str
    value: Any
    unit: str


def answer_rows(quantity: Quantity, answer: Any) -> list[Row]:
    """An answer as one row, or one a field; the same thing in several units keeps its full names."""
    if dataclasses.is_dataclass(answer) and not isinstance(answer, type):
        parts = {field.name: getattr(answer, field.name) for field in dataclasses.fields(answer)}
    elif hasattr(answer, "_asdict"):
        parts = answer._asdict()
    elif isinstance(answer, Mapping):
        return [Row(str(key), _plain(value), quantity.unit) for key, value in answer.items()]
    else:
        name, unit = unit_of(quantity.name)
        return [Row(name, _plain(answer), unit)]
    shorts = [unit_of(name)[0] for name in parts]
    rows: list[Row] = []
    for name, value in parts.items():
        short, unit = unit_of(name)
        word = isinstance(value, (str, bool)) or value is None
        rows.append(Row(short if shorts.count(short) == 1 else name, _plain(value), "" if word else unit))
    return rows


def in_unit(rows: Sequence[Row], wanted: str) -> list[Row]:
    """The rows with every figure that fits turned into another unit."""
    turned: list[Row] = []
    for row in rows:
        if isinstance(row.value, (int, float)) and row.unit not in ("", "dimensionless"):
            with contextlib.suppress(UnitError):
                turned.append(Row(row.name, scale_between(row.unit, wanted).apply(row.value), wanted))
                continue
        turned.append(row)
    if all(one is other for one, other in zip(turned, rows, strict=True)):
        units = ", ".join(dict.fromkeys(shown_unit(row.unit) for row in rows if row.unit)) or "words"
        raise CalcError(f"the answer is in {units}; it cannot be given in {wanted}")
    return turned


def as_data(
    quantity: Quantity, given: Sequence[Given], rows: Sequence[Row], currency: str = ""
) -> dict[str, Any]:
    """The answer with everything it rests on, as plain data."""
    there = {one.input.path for one in given}
    inputs = [Row(one.input.name, one.value, one.input.unit) for one in given]
    defaults = [
        Row(one.name, one.default, one.unit)
        for one in quantity.inputs
        if one.path not in there and not one.required and one.default is not None
    ]

    def plain(row: Row) -> dict[str, Any]:
        return {"name": row.name, "value": row.value, "unit": _unit_text(row.name, row.unit, currency)}

    return {
        "quantity": quantity.name,
        "what": quantity.summary,
        "inputs": [plain(row) for row in inputs],
        "defaults": [plain(row) for row in defaults],
        "assumes": quantity.sections.get("Assumes", ""),
        "not_for": quantity.sections.get("Not for", ""),
        "result": [plain(row) for row in rows],
    }


def _plain(value: Any) -> Any:
    """NumPy, tuples and nested results as what JSON holds."""
    if hasattr(value, "tolist"):
        return value.tolist()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if hasattr(value, "_asdict"):
        return {name: _plain(part) for name, part in value._asdict().items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    return value


def _unit_text(name: str, unit: str, currency: str = "") -> str:
    """A unit as printed. Hardness and alkalinity always say what they are counted as."""
    if unit in ("", "dimensionless"):
        return ""
    subject = name.partition("_from_")[0]  # what the number is of, not what it was made from
    as_caco3 = unit == "mg/L" and ("hardness" in subject or "alkalinity" in subject)
    return shown_unit(unit).replace("money", currency or "money") + (" as CaCO3" if as_caco3 else "")


def as_text(made: Mapping[str, Any]) -> str:
    """The answer for a person: the figures, then what was assumed."""
    lines = [f"{row['name']} = {_shown(row['value'], row['unit'])}" for row in made["result"]]
    lines.append(f"  {made['what']}")
    if made["defaults"]:
        used = (f"{row['name']} {_shown(row['value'], row['unit'])}" for row in made["defaults"])
        lines.append(f"  defaults: {', '.join(used)}")
    if made["assumes"]:
        lines.append(f"  assumes: {made['assumes']}")
    if made["not_for"]:
        lines.append(f"  not for: {made['not_for']}")
    return "\n".join(lines)


def _shown(value: Any, unit: str) -> str:
    if value is None or value == []:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return f"{', '.join(_shown(part, '') for part in value)} {unit}".rstrip()
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_shown(part, '')}" for name, part in value.items())
    return f"{significant(value)} {unit}".rstrip() if isinstance(value, (int, float)) else str(value)


def significant(value: float, digits: int = _DIGITS) -> str:
    """A number to so many significant digits, written out where that stays readable."""
    if isinstance(value, int) or value != value or value in (float("inf"), float("-inf")):
        return str(value)
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    size = abs(float(text))
    return f"{float(text):.0f}" if 1.0 <= size < 1e7 else text


def explain(quantity: Quantity) -> str:
    """What a quantity is, its inputs, and the sections of its docstring."""
    lines = [f"{quantity.name}", f"  {quantity.summary}", "", "Inputs:"]
    width = max((len(one.name) for one in quantity.inputs), default=0)
    for one in quantity.inputs:
        unit = _unit_text(one.name, one.unit)
        what = " | ".join(map(str, one.labels)) if one.kind == "label" else unit or "number"
        what = {"flag": "yes | no", "text": "text", "whole": "whole number"}.get(one.kind, what)
        if one.kind == "numbers":
            what = f"1,2,3 {unit}".rstrip()
        rest = "" if one.required else "  (optional)"
        if not one.required and one.default is not None:
            rest = f"  (default {_shown(one.default, '')})"
        lines.append(f"  {one.name:<{width}}  {what}{rest}")
    if quantity.unit != "dimensionless":
        lines += ["", f"Answer in {_unit_text(quantity.name, quantity.unit)}"]
    for title, body in quantity.sections.items():
        indented = "\n".join(f"  {line}" for line in body.splitlines())
        lines += ["", f"{title}:", indented]
    return "\n".join(lines)


def _matching(words: Sequence[str]) -> list[Quantity]:
    """The quantities whose name, group or description holds every word."""
    return [
        one
        for one in quantities().values()
        if all(word.lower() in f"{one.name} {one.group} {one.summary}".lower() for word in words)
    ]


def listing(words: Sequence[str] = ()) -> str:
    """The quantities under the titles of their modules."""
    found = _matching(words)
    if not found:
        raise CalcError(f"no quantity has to do with {' '.join(words)}; `goodwater calc list` shows all")
    lines: list[str] = []
    for group in dict.fromkeys(one.group for one in found):
        lines += ["", f"{group.removeprefix('monitor.')}: {group_title(group)}"]
        lines += [f"  {one.name:<42} {one.summary}" for one in found if one.group == group]
    return "\n".join(lines[1:])


def listing_data(words: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The same as plain data."""
    return [
        {
            "quantity": one.name,
            "group": one.group.removeprefix("monitor."),
            "what": one.summary,
            "unit": _unit_text(one.name, one.unit),
            "inputs": [
                {"name": each.name, "unit": _unit_text(each.name, each.unit), "required": each.required}
                for each in one.inputs
            ],
        }
        for one in _matching(words)
    ]
