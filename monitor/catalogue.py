"""The computations of `monitor.water` and `monitor.stats`, read from their own signatures.

The convention that makes a function a quantity stands at the top of `monitor/calc.py`.
"""

from __future__ import annotations

import collections.abc
import dataclasses
import importlib
import inspect
import pkgutil
import re
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args, get_origin

import numpy as np
from numpy.typing import ArrayLike

import monitor.stats
import monitor.water

# Suffix of a name -> the unit it stands for, as pint reads it.
SUFFIXES: dict[str, str] = {
    "us_cm": "uS/cm", "mohm_cm": "Mohm*cm", "us": "uS", "ohm": "ohm", "per_cm": "1/cm",
    "s_cm2_eq": "S*cm**2/eq",
    "c": "degC", "k": "kelvin", "per_c": "1/delta_degC",
    "mg_l": "mg/L", "ug_l": "ug/L", "mg_h_l": "mg*h/L", "g_l": "g/L", "kg_l": "kg/L", "kg_m3": "kg/m**3",
    "mg_g": "mg/g", "g_g": "dimensionless", "kg_kg": "dimensionless", "mg_l_per_mg_l": "dimensionless",
    "us_cm_per_mg_l": "uS/cm/(mg/L)", "g_mol": "g/mol",
    "mol_l": "mol/L", "mmol_l": "mmol/L", "mol_kg": "mol/kg", "mol": "mol",
    "eq": "eq", "eq_l": "eq/L", "meq_l": "meq/L",
    "gpg": "gpg", "dh": "dH", "fh": "fH", "clark": "Clark",
    "l": "L", "ml": "mL", "m3": "m**3", "l_mm": "L/mm", "per_l": "1/L", "mm": "mm", "cm": "cm", "m": "m",
    "cm2": "cm**2", "m2": "m**2", "g": "g", "kg": "kg", "mg": "mg",
    "d": "day", "day": "day", "days": "day", "h": "hour", "min": "minute", "s": "second", "month": "month",
    "h_d": "hour/day", "per_d": "1/day", "per_day": "1/day", "per_h": "1/hour", "per_min": "1/minute",
    "per_s": "1/second",
    "l_min": "L/min", "l_h": "L/hour", "l_d": "L/day", "l_day": "L/day", "l_s": "L/s", "ml_min": "mL/min",
    "m3_month": "m**3/month", "m3_h": "m**3/hour", "kg_h": "kg/hour", "kg_s": "kg/s", "kg_d": "kg/day",
    "kg_m2_h": "kg/m**2/hour", "mm_h": "mm/hour", "mm_d": "mm/day", "m_s": "m/s", "cm_min": "cm/min",
    "ml_min_mg": "mL/min/mg", "l_mg_min": "L/mg/min",
    "bar": "bar", "kpa": "kPa", "pa": "Pa", "kw": "kW", "kwh": "kWh", "kwh_m3": "kWh/m**3",
    "kj_kg": "kJ/kg",
    "pct": "percent", "ppmv": "ppmv", "brix": "brix", "pct_brix": "percent/brix", "ma": "mA",
    "money": "money", "money_l": "money/L", "money_m3": "money/m**3", "money_kg": "money/kg",
    "money_kwh": "money/kWh", "money_month": "money/month", "money_year": "money/year",
}  # fmt: skip

SECTIONS = ("Equation", "Range", "Raises", "Source", "Assumes", "Not for", "Example")
_SECTION = re.compile(rf"^({'|'.join(SECTIONS)}):\s*", re.MULTILINE)


def unit_of(name: str) -> tuple[str, str]:
    """A name as (name without its unit, unit); the unit is "dimensionless" where no suffix names one.

    A single word is never a unit: `k` and `h` of a CUSUM are its own letters.
    """
    words = name.split("_")
    for start in range(len(words) if len(words) > 1 else 0):
        unit = SUFFIXES.get("_".join(words[start:]))
        if unit is not None:
            return "_".join(words[:start]) or name, unit
    return name, "dimensionless"


@dataclass(frozen=True)
class Input:
    """One input of a quantity as a person types it."""

    name: str
    """Short name without the unit; `reference.feed` for a field of a set of readings."""
    path: tuple[str, ...]
    """Parameter, and below it the field or the ion."""
    kind: Literal["number", "whole", "numbers", "label", "flag", "text"]
    unit: str
    labels: tuple[Any, ...]
    default: Any
    """`inspect.Parameter.empty` when it must be given."""

    @property
    def required(self) -> bool:
        return self.default is inspect.Parameter.empty

    @property
    def long_name(self) -> str:
        return ".".join(self.path)


@dataclass(frozen=True)
class Quantity:
    """One computation: its function, inputs, the unit of its answer, and what its docstring says."""

    name: str
    group: str
    function: Callable[..., Any]
    inputs: tuple[Input, ...]
    builders: Mapping[str, Callable[..., Any]]
    """Parameters that are built from several inputs, and what builds them."""
    unit: str
    summary: str
    sections: Mapping[str, str]

    def find(self, typed: str) -> Input | None:
        """The input a typed name means: its short or its full name."""
        plain = typed.replace("-", "_")
        for one in self.inputs:
            if plain in (one.name, one.long_name):
                return one
        return None


def modules() -> list[types.ModuleType]:
    """Every module of the two packages, in the order of their names."""
    return [
        importlib.import_module(f"{package.__name__}.{found.name}")
        for package in (monitor.water, monitor.stats)
        for found in pkgutil.iter_modules(package.__path__)
    ]


@cache
def quantities() -> dict[str, Quantity]:
    """Every public function of every module, by name, that takes what a person can type."""
    return {name: one for name, one in _public().items() if one is not None}


def for_programs_only() -> set[str]:
    """Public functions that need something nobody types, such as the state of a running detector."""
    return {name for name, one in _public().items() if one is None}


@cache
def _public() -> dict[str, Quantity | None]:
    known: dict[str, Quantity | None] = {}
    for module in modules():
        for name in getattr(module, "__all__", ()):
            thing = getattr(module, name)
            if inspect.isfunction(thing):
                try:
                    known[name] = _quantity(thing, module)
                except _NotTyped:
                    known[name] = None
    return known


def group_title(module: str) -> str:
    """First line of a module's docstring, without its full stop."""
    text = inspect.getdoc(importlib.import_module(module)) or module
    return text.splitlines()[0].rstrip(".")


def _quantity(function: Callable[..., Any], module: types.ModuleType) -> Quantity:
    hints = typing.get_type_hints(function)
    inputs: list[Input] = []
    builders: dict[str, Callable[..., Any]] = {}
    for parameter in inspect.signature(function).parameters.values():
        hint, default = hints[parameter.name], parameter.default
        bare = _without_none(hint)
        if dataclasses.is_dataclass(bare) and isinstance(bare, type):
            builders[parameter.name] = bare
            inputs += _fields(parameter.name, bare)
        elif get_origin(bare) in _MAPPINGS:
            builders[parameter.name] = dict
            unit = unit_of(parameter.name)[1]
            inputs += [
                Input(label, (parameter.name, label), "number", unit, (), None)
                for label in get_args(get_args(bare)[0])
            ]
        else:
            inputs += _simple((parameter.name,), hint, default)
    summary, sections = parse_docstring(inspect.getdoc(function) or "")
    return Quantity(
        name=function.__name__,
        group=module.__name__,
        function=function,
        inputs=_with_short_names(inputs),
        builders=builders,
        unit=unit_of(function.__name__)[1],
        summary=summary,
        sections=sections,
    )


class _NotTyped(TypeError):
    """A required parameter is of a kind nobody can type."""


_MAPPINGS = (Mapping, collections.abc.Mapping, dict)
_SERIES = (Sequence, collections.abc.Sequence, list, tuple, np.ndarray)


def _fields(parameter: str, built: type) -> list[Input]:
    """The inputs of a set of readings, one a field; a reading that may be None may be left out."""
    hints = typing.get_type_hints(built)
    found: list[Input] = []
    for field in dataclasses.fields(built):
        default = inspect.Parameter.empty if field.default is dataclasses.MISSING else field.default
        if default is inspect.Parameter.empty and _may_be_none(hints[field.name]):
            default = None
        found += _simple((parameter, field.name), hints[field.name], default)
    return found


def _simple(path: tuple[str, ...], hint: Any, default: Any) -> list[Input]:
    """One input, or none when it is optional and nothing a person could type."""
    unit = unit_of(path[-1])[1]
    bare = _without_none(hint)
    origin = get_origin(bare) or bare
    if origin is Literal:
        return [Input("", path, "label", "", get_args(bare), default)]
    kinds: dict[Any, Literal["number", "whole", "flag", "text"]] = {
        float: "number",
        int: "whole",
        bool: "flag",
        str: "text",
    }
    if bare in kinds:
        return [Input("", path, kinds[bare], unit, (), default)]
    if origin in _SERIES or bare is ArrayLike:
        return [Input("", path, "numbers", unit, (), default)]
    if default is not inspect.Parameter.empty:
        return []
    raise _NotTyped(".".join(path))


def _without_none(hint: Any) -> Any:
    """A hint without its None; of several ways to give the same thing, the first that can be typed."""
    if get_origin(hint) in (types.UnionType, typing.Union) and hint is not ArrayLike:
        return next(one for one in get_args(hint) if one is not type(None))
    return hint


def _may_be_none(hint: Any) -> bool:
    return type(None) in get_args(hint)


def _with_short_names(inputs: list[Input]) -> tuple[Input, ...]:
    """Give each input its name without the unit, or its full name where two would be the same."""
    short = [
        ".".join((*one.path[:-1], unit_of(one.path[-1])[0])) if not one.name else one.name for one in inputs
    ]
    unique = {name for name in short if short.count(name) == 1}
    return tuple(
        dataclasses.replace(one, name=name if name in unique else one.long_name)
        for one, name in zip(inputs, short, strict=True)
    )


def parse_docstring(text: str) -> tuple[str, dict[str, str]]:
    """A docstring as its first line and its sections; their lines joined, the example kept as it is."""
    pieces = _SECTION.split(text)
    summary = pieces[0].strip().splitlines()[0] if pieces[0].strip() else ""
    sections: dict[str, str] = {}
    for title, body in zip(pieces[1::2], pieces[2::2], strict=True):
        lines = [line.strip() for line in body.strip().splitlines()]
        sections[title] = "\n".join(lines) if title == "Example" else " ".join(lines)
    return summary, sections
