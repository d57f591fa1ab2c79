"""What was asked: which quantity, and its inputs in the function's own units."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.catalogue import Input, Quantity, quantities, unit_of
from monitor.plant.units import UnitError, scale_between, shown_unit

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_CURRENCY = re.compile(r"\b[A-Z]{3}\b")


class CalcError(Exception):
    """What is wrong with a request, in one line that says what would be right."""


@dataclass(frozen=True)
class Given:
    """One input as typed: the value in the function's own unit."""

    input: Input
    value: Any


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
