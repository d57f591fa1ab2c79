"""`goodwater calc`: the water science by hand, made from the functions' own signatures.

    goodwater calc [list]                           the quantities in groups
    goodwater calc NAME --help                      equation, range, source, an example
    goodwater calc NAME input=VALUE UNIT ... [--json]

**What makes a function a quantity.** It is public and listed in `__all__` of a module of `monitor.water` or
`monitor.stats`; adding a quantity is adding a function.

- The unit of every float is the suffix of its name: `ec_us_cm`, `temperature_c`, `volume_l`, `flow_l_min`
  (all suffixes: `SUFFIXES` in `monitor/catalogue.py`). No suffix means dimensionless. Hardness, alkalinity
  and loads called `_mg_l` are as CaCO3 where the docstring says so.
- Choices are `Literal[...]`. A mapping from a Literal of ions to numbers takes `Ca=60 mg/L Mg=10 mg/L`; a
  parameter that is a dataclass takes its fields as `reference.permeate=4.8 L/min`; a sequence `1,2,3 L`.
- The unit of the answer is the suffix of the function's name, or the answer is a frozen dataclass or
  NamedTuple whose fields carry their suffix, and may carry text: assumptions, a verdict, a scale's name.
- The docstring: the first line says what it is; then `Equation:`, `Range:`, `Raises:`, `Source:`,
  `Assumes:` (optional), `Not for:` and `Example:` (a doctest, run in the tests).
- What lies outside the range raises `OutOfRange`, a ValueError that names the input, its value and the range.
"""

from __future__ import annotations

import argparse
import dataclasses
import difflib
import json
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.catalogue import Input, Quantity, group_title, quantities, unit_of
from monitor.plant.units import UnitError, scale_between, shown_unit

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_CURRENCY = re.compile(r"\b[A-Z]{3}\b")
_DIGITS = 4


class CalcError(Exception):
    """What is wrong with a request, in one line that says what would be right."""


@dataclass(frozen=True)
class Given:
    """One input as typed: the value in the function's own unit."""

    input: Input
    value: Any


def main(argv: Sequence[str]) -> int:
    """Run the command; 0 when it answered, 2 when the request was wrong."""
    words = list(argv)
    as_json = "--json" in words
    words = [word for word in words if word != "--json"]
    try:
        if not words or words == ["list"]:
            _print(_list_json() if as_json else _list())
        elif words[0] in ("-h", "--help"):
            _print(_usage())
        elif {"-h", "--help"} & set(words[1:]):
            _print(explain(find(words[0])))
        else:
            quantity = find(words[0])
            given, currency = read_inputs(quantity, words[1:])
            answer = call(quantity, given)
            made = as_data(quantity, given, answer, currency)
            _print(json.dumps(made, ensure_ascii=False, indent=1) if as_json else as_text(made))
    except (CalcError, ValueError) as error:
        sys.stderr.write(f"goodwater calc: {error}\n")
        return 2
    return 0


def _print(text: str) -> None:
    sys.stdout.write(text + "\n")


def _usage() -> str:
    """How to call it; argparse lays out the text, the inputs are read by `read_inputs`."""
    parser = argparse.ArgumentParser(
        prog="goodwater calc",
        description="Compute a quantity of water treatment or statistics by hand.",
        epilog="Without NAME: list of the quantities. NAME --help: equation, range, source, example.",
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="quantity, as listed")
    parser.add_argument("inputs", metavar="input=VALUE UNIT", nargs="*", help="in any unit of its dimension")
    parser.add_argument("--json", action="store_true", help="answer for machines")
    return parser.format_help().rstrip()


def find(name: str) -> Quantity:
    """The quantity of a name; its unit may be left off where only one quantity is called so."""
    known = quantities()
    plain = name.replace("-", "_")
    if plain in known:
        return known[plain]
    short = [one for one in known if unit_of(one)[0] == plain]
    if len(short) == 1:
        return known[short[0]]
    near = short or difflib.get_close_matches(plain, known, n=4, cutoff=0.4)
    hint = f"; did you mean {', '.join(near)}?" if near else "; `goodwater calc list` shows all"
    raise CalcError(f'there is no quantity "{name}"{hint}')


# --- reading what was typed


def read_inputs(quantity: Quantity, words: Sequence[str]) -> tuple[list[Given], str]:
    """The inputs of a request, each once, in the function's units; and the currency if one was named."""
    given: list[Given] = []
    currencies: set[str] = set()
    for name, text in _split(words):
        one = quantity.find(name)
        if one is None:
            allowed = ", ".join(each.name for each in quantity.inputs)
            raise CalcError(f'{quantity.name} has no input "{name}"; it takes {allowed}')
        if any(each.input is one for each in given):
            raise CalcError(f"{one.name} is given twice")
        if "money" in one.unit:
            currencies |= set(_CURRENCY.findall(text))
            text = _CURRENCY.sub("money", text)
        given.append(Given(one, read_value(one, text, bare=name.replace("-", "_") == one.long_name)))
    if len(currencies) > 1:
        raise CalcError(f"prices in {' and '.join(sorted(currencies))}: use one currency")
    there = {each.input.path for each in given}
    missing = [one for one in quantity.inputs if one.required and one.path not in there]
    if missing:
        raise CalcError(f"{quantity.name} also needs {', '.join(_wanted(one) for one in missing)}")
    return given, next(iter(currencies), "")


def _split(words: Sequence[str]) -> list[tuple[str, str]]:
    """`a=1 L b=2` as pairs of a name and everything up to the next name."""
    pairs: list[tuple[str, str]] = []
    for word in words:
        name, sign, text = word.partition("=")
        if sign:
            pairs.append((name.strip(), text.strip()))
        elif pairs:
            pairs[-1] = (pairs[-1][0], f"{pairs[-1][1]} {word}".strip())
        else:
            raise CalcError(f'"{word}" is no input; write input=VALUE UNIT')
    return pairs


def _wanted(one: Input) -> str:
    """An input with its unit, as it could be typed."""
    if one.kind == "label":
        return f"{one.name}={'|'.join(map(str, one.labels))}"
    unit = "" if one.unit in ("", "dimensionless") else f" in {shown_unit(one.unit)}"
    return f"{one.name}{unit}"


def read_value(one: Input, text: str, bare: bool = False) -> Any:
    """What was typed for an input, in its own unit. `bare`: the name already carries the unit."""
    if one.kind == "label":
        return _label(one, text)
    if one.kind == "flag":
        if text.lower() not in ("yes", "no", "true", "false"):
            raise CalcError(f'{one.name} = "{text}": yes or no')
        return text.lower() in ("yes", "true")
    if one.kind == "text":
        return text
    numbers, unit = _numbers(one, text)
    scale = _scale(one, unit, text, bare)
    values = [scale.apply(number) for number in numbers] if scale else numbers
    if one.kind == "numbers":
        return values
    if len(values) != 1:
        raise CalcError(f'{one.name} = "{text}": one number is wanted')
    if one.kind == "whole":
        if values[0] != int(values[0]):
            raise CalcError(f'{one.name} = "{text}": a whole number is wanted')
        return int(values[0])
    return values[0]


def _label(one: Input, text: str) -> Any:
    for label in one.labels:
        if str(label).lower() == text.lower():
            return label
    raise CalcError(f'{one.name} = "{text}": one of {", ".join(map(str, one.labels))}')


def _numbers(one: Input, text: str) -> tuple[list[float], str]:
    """`1,2,3 L` as its numbers and its unit."""
    rest, numbers = text.strip(), []
    while match := _NUMBER.match(rest):
        numbers.append(float(match.group()))
        rest = rest[match.end() :].strip()
        if rest.startswith(","):
            rest = rest[1:].strip()
        else:
            break
    if not numbers:
        raise CalcError(f'{one.name} = "{text}": a number is wanted, then its unit')
    return numbers, rest


def _scale(one: Input, unit: str, text: str, bare: bool) -> Any:
    """How to bring a typed unit to the input's own; None when the number stands as it is."""
    wanted = one.unit
    if not unit:
        if bare or wanted == "dimensionless":
            return None
        raise CalcError(f"{one.name} = {text} has no unit; write for example {text} {shown_unit(wanted)}")
    try:
        return scale_between(unit, wanted)
    except UnitError as error:
        shown = shown_unit(wanted) if wanted != "dimensionless" else "a plain number"
        raise CalcError(f"{one.name} = {text}: {error}; {one.name} is in {shown} or its like") from error


# --- computing


def call(quantity: Quantity, given: Sequence[Given]) -> Any:
    """The function's answer."""
    arguments: dict[str, Any] = {}
    for one in given:
        parameter = one.input.path[0]
        if parameter in quantity.builders:
            arguments.setdefault(parameter, {})[one.input.path[1]] = one.value
        else:
            arguments[parameter] = one.value
    for parameter, build in quantity.builders.items():
        fields = {
            one.path[1]: one.default
            for one in quantity.inputs
            if one.path[0] == parameter and build is not dict
        }
        if parameter in arguments or fields:
            arguments[parameter] = build(**{**fields, **arguments.get(parameter, {})})
        elif any(one.path[0] == parameter for one in quantity.inputs):
            ions = ", ".join(one.name for one in quantity.inputs if one.path[0] == parameter)
            raise CalcError(f"{quantity.name} also needs at least one of {ions}")
    return quantity.function(**arguments)


# --- answering


def as_data(quantity: Quantity, given: Sequence[Given], answer: Any, currency: str = "") -> dict[str, Any]:
    """The answer with everything it rests on, as plain data."""
    there = {one.input.path for one in given}
    defaults = [
        {"name": one.name, "value": one.default, "unit": _unit_text(one.unit, currency)}
        for one in quantity.inputs
        if one.path not in there and not one.required and one.default is not None
    ]
    return {
        "quantity": quantity.name,
        "what": quantity.summary,
        "inputs": [
            {"name": one.input.name, "value": one.value, "unit": _unit_text(one.input.unit, currency)}
            for one in given
        ],
        "defaults": defaults,
        "assumes": quantity.sections.get("Assumes", ""),
        "not_for": quantity.sections.get("Not for", ""),
        "result": _result(quantity, answer, currency),
    }


def _result(quantity: Quantity, answer: Any, currency: str) -> list[dict[str, Any]]:
    """One row, or one row a field, of an answer; an answer of several lists the parts by their names."""
    if dataclasses.is_dataclass(answer) and not isinstance(answer, type):
        parts = {field.name: getattr(answer, field.name) for field in dataclasses.fields(answer)}
    elif hasattr(answer, "_asdict"):
        parts = answer._asdict()
    elif isinstance(answer, Mapping):
        unit = _unit_text(quantity.unit, currency)
        return [{"name": str(key), "value": _plain(value), "unit": unit} for key, value in answer.items()]
    else:
        name, unit = unit_of(quantity.name)
        return [{"name": name, "value": _plain(answer), "unit": _unit_text(unit, currency)}]
    rows: list[dict[str, Any]] = []
    shorts = [unit_of(name)[0] for name in parts]
    for name, value in parts.items():
        short, unit = unit_of(name)
        if shorts.count(short) > 1:
            short = name  # the same thing in several units
        text = isinstance(value, (str, bool)) or value is None
        rows.append(
            {"name": short, "value": _plain(value), "unit": "" if text else _unit_text(unit, currency)}
        )
    return rows


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


def _unit_text(unit: str, currency: str) -> str:
    if unit in ("", "dimensionless"):
        return ""
    return shown_unit(unit).replace("money", currency or "money")


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


# --- explaining


def explain(quantity: Quantity) -> str:
    """What a quantity is, its inputs, and the sections of its docstring."""
    lines = [f"{quantity.name}", f"  {quantity.summary}", "", "Inputs:"]
    width = max((len(one.name) for one in quantity.inputs), default=0)
    for one in quantity.inputs:
        unit = _unit_text(one.unit, "")
        what = " | ".join(map(str, one.labels)) if one.kind == "label" else unit or "number"
        what = {"flag": "yes | no", "text": "text", "whole": "whole number"}.get(one.kind, what)
        if one.kind == "numbers":
            what = f"1,2,3 {unit}".rstrip()
        rest = "" if one.required else "  (optional)"
        if not one.required and one.default is not None:
            rest = f"  (default {_shown(one.default, '')})"
        lines.append(f"  {one.name:<{width}}  {what}{rest}")
    if quantity.unit != "dimensionless":
        lines += ["", f"Answer in {shown_unit(quantity.unit)}"]
    for title, body in quantity.sections.items():
        indented = "\n".join(f"  {line}" for line in body.splitlines())
        lines += ["", f"{title}:", indented]
    return "\n".join(lines)


def _list() -> str:
    """All quantities under the titles of their modules."""
    lines: list[str] = []
    for group in dict.fromkeys(one.group for one in quantities().values()):
        lines += ["", f"{group.removeprefix('monitor.')}: {group_title(group)}"]
        members = [one for one in quantities().values() if one.group == group]
        lines += [f"  {one.name:<42} {one.summary}" for one in members]
    return "\n".join(lines[1:])


def _list_json() -> str:
    rows = [
        {
            "quantity": one.name,
            "group": one.group.removeprefix("monitor."),
            "what": one.summary,
            "unit": _unit_text(one.unit, ""),
            "inputs": [
                {"name": each.name, "unit": _unit_text(each.unit, ""), "required": each.required}
                for each in one.inputs
            ],
        }
        for one in quantities().values()
    ]
    return json.dumps(rows, ensure_ascii=False, indent=1)
