"""No number that is none, and none beyond the range, passes silently through the treatment functions."""

from __future__ import annotations

import ast
import dataclasses
import doctest
import inspect
import math
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import pytest

from monitor.water import (
    blending,
    breakthrough,
    breakthrough_fit,
    cost,
    discharge,
    membrane,
    membrane_temperature,
    osmosis,
    permeate,
    resin,
    scaling,
    softener,
)
from monitor.water.errors import OutOfRange

MODULES = (
    blending, breakthrough, breakthrough_fit, cost, discharge, membrane, membrane_temperature, osmosis,
    permeate, resin, scaling, softener,
)  # fmt: skip
SEVERAL = 3  # elements of a sequence that are tried


def functions() -> Iterator[tuple[ModuleType, str]]:
    for module in MODULES:
        for name in module.__all__:
            if inspect.isfunction(getattr(module, name)):
                yield module, name


def example_call(module: ModuleType, name: str) -> inspect.BoundArguments:
    """The first call of a function in its own documented example, as bound arguments."""
    function = getattr(module, name)
    namespace = dict(vars(module))
    for example in doctest.DocTestParser().get_examples(inspect.getdoc(function) or ""):
        for node in ast.walk(ast.parse(example.source)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
                args = [value_of(part, namespace) for part in node.args]
                named = {str(part.arg): value_of(part.value, namespace) for part in node.keywords}
                return inspect.signature(function).bind(*args, **named)
        exec(example.source, namespace)  # an example is ours, and sets up what the call uses
    raise AssertionError(f"{name} has no example that calls it")


def value_of(node: ast.expr, namespace: dict[str, Any]) -> Any:
    return eval(compile(ast.Expression(node), "example", "eval"), namespace)


def poisoned(value: Any, poison: float) -> Iterator[Any]:
    """The argument with a number replaced, in every place it holds one."""
    if isinstance(value, (bool, str)):
        return
    if isinstance(value, (int, float)):
        yield poison
    elif isinstance(value, (list, tuple)):
        for at in range(min(len(value), SEVERAL)):
            for bad in poisoned(value[at], poison):
                yield type(value)([*value[:at], bad, *value[at + 1 :]])
    elif isinstance(value, dict):
        for key in value:
            for bad in poisoned(value[key], poison):
                yield {**value, key: bad}


ALL = list(functions())


@pytest.mark.parametrize("poison", [math.nan, math.inf, -math.inf], ids=["nan", "inf", "-inf"])
@pytest.mark.parametrize(("module", "name"), ALL, ids=[name for _, name in ALL])
def test_every_input_of_every_function_refuses_what_is_no_number(
    module: ModuleType, name: str, poison: float
) -> None:
    bound = example_call(module, name)
    tried = 0
    for parameter, value in bound.arguments.items():
        for bad in poisoned(value, poison):
            tried += 1
            arguments = {**bound.arguments, parameter: bad}
            with pytest.raises(OutOfRange):
                getattr(module, name)(**arguments)
    assert tried or name == "normalise_ro"


@pytest.mark.parametrize("field", [each.name for each in dataclasses.fields(membrane.RoState)])
@pytest.mark.parametrize("poison", [math.nan, math.inf, -5.0])
def test_no_reading_of_an_ro_that_is_no_number_passes_into_a_normalised_value(
    field: str, poison: float
) -> None:
    start = membrane.RoState(25, 4.8, 8.0, 10.0, 0.60, 0.5, 450, 9.0)
    bad = membrane.RoState(**{**vars(start), field: poison})
    with pytest.raises(OutOfRange):
        membrane.normalise_ro(start, bad)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: osmosis.ro_recovery_pct(4, 5), "permeate_l_min = 5 is out of range: below the feed, 4"),
        (lambda: osmosis.ro_salt_passage_pct(10.0, 20.0), "permeate_mg_l = 20 is out of range: 0 to 10 mg/L"),
        (lambda: blending.blend_hard_fraction(250, 2, 300), "target_mg_l = 300 is out of range: 2 to 250"),
        (
            lambda: breakthrough.breakthrough_volume_at_limit_l(25, 22, 0.008, 3000),
            "limit_us_cm = 25 is out of range: above the leak, 0, and below the feed, 22 uS/cm",
        ),
        (lambda: softener.softener_salt_efficiency_g_g(60, 50), "salt_g_l = 50 is out of range: at least 70"),
        (
            lambda: osmosis.net_driving_pressure_bar(2.0, 0.5, 0.5, 3.0, 0.0),
            "net driving pressure = -1.75 is out of range: above 0 and at most 100 bar",
        ),
        (
            lambda: membrane.normalise_ro(membrane.RoState(25, 4.8), membrane.RoState(None, 3.6)),
            "actual temperature_c = missing is out of range: a reading",
        ),
        (
            lambda: resin.di_capacity_from_run_eq_l(2, 50_000, 0.57),
            "capacity of the run = 14.25 is out of range: above 0 and at most 2.5 eq/L",
        ),
        (
            lambda: permeate.feed_water({"HCO3": 100}, 100, 7.5),
            "analysis_mg_l = HCO3 is out of range: ions without it",
        ),
    ],
)  # fmt: skip
def test_a_refusal_names_the_input_its_value_and_what_would_be_right(call: Any, text: str) -> None:
    with pytest.raises(OutOfRange) as caught:
        call()
    assert str(caught.value).startswith(text)


def test_no_function_that_answers_hardness_takes_a_conductivity() -> None:
    for module, name in ALL:
        if "hardness" in name or module is softener:
            taken = inspect.signature(getattr(module, name)).parameters
            assert not [each for each in taken if "us_cm" in each or "ec25" in each], name
