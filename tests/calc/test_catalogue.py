"""Every public computation keeps the convention, is explained, and its example is true."""

from __future__ import annotations

import doctest
import inspect
import math
import re
from pathlib import Path
from types import ModuleType

import pytest

from monitor import catalogue
from monitor.catalogue import Quantity
from monitor.plant.units import registry
from tests.reference import pages

DOCS = Path(__file__).resolve().parents[2] / "docs" / "science"
QUANTITIES = catalogue.quantities()
# Steps of a running detector: they take its state, which nobody types
STEPS = {"cusum_step", "cusum_crossed", "page_hinkley_step"}


@pytest.mark.parametrize("module", catalogue.modules(), ids=lambda module: module.__name__)
def test_the_examples_of_a_module_are_true(module: ModuleType) -> None:
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize("one", QUANTITIES.values(), ids=lambda one: one.name)
def test_a_quantity_says_equation_range_errors_source_limits_and_an_example(one: Quantity) -> None:
    wanted = {"Equation", "Range", "Raises", "Source", "Not for", "Example"}
    assert wanted - {title for title, body in one.sections.items() if body} == set()
    assert ">>> " in one.sections["Example"]
    assert one.summary.endswith("."), one.summary


@pytest.mark.parametrize("one", QUANTITIES.values(), ids=lambda one: one.name)
def test_every_unit_of_a_quantity_is_one_that_can_be_typed(one: Quantity) -> None:
    for unit in {one.unit, *(each.unit for each in one.inputs if each.unit)}:
        registry().Unit(unit.replace("uS/cm/(mg/L)", "uS*L/cm/mg"))


@pytest.mark.parametrize("one", QUANTITIES.values(), ids=lambda one: one.name)
def test_no_two_inputs_of_a_quantity_share_a_name(one: Quantity) -> None:
    names = [each.name for each in one.inputs]
    assert len(set(names)) == len(names) > 0


def test_only_steps_of_a_running_detector_cannot_be_used_by_hand() -> None:
    assert catalogue.for_programs_only() == STEPS


def test_no_two_modules_publish_the_same_name() -> None:
    public = [name for module in catalogue.modules() for name in getattr(module, "__all__", ())]
    assert sorted(public) == sorted(set(public))


@pytest.mark.parametrize("one", QUANTITIES.values(), ids=lambda one: one.name)
def test_a_quantity_has_a_heading_on_a_science_page(one: Quantity) -> None:
    text = "\n".join(path.read_text(encoding="utf-8") for path in DOCS.glob("*.md"))
    assert re.search(rf"^#+ .*`{one.name}`", text, re.MULTILINE)


@pytest.mark.parametrize("path", sorted(DOCS.glob("*.md")), ids=lambda path: path.name)
def test_the_blocks_of_a_page_are_those_of_the_docstrings(path: Path) -> None:
    page = path.read_text(encoding="utf-8")
    assert pages.with_blocks(page) == page


@pytest.mark.parametrize(
    ("name", "split"),
    [
        ("ec25_us_cm", ("ec25", "uS/cm")),
        ("alpha_per_c", ("alpha", "1/delta_degC")),
        ("temperature_c", ("temperature", "degC")),
        ("use_l_d", ("use", "L/day")),
        ("k_per_l", ("k", "1/L")),
        ("us_cm_per_mg_l", ("us_cm_per_mg_l", "uS/cm/(mg/L)")),
        ("k", ("k", "dimensionless")),
        ("water_pkw", ("water_pkw", "dimensionless")),
        ("natural_water_factor_25", ("natural_water_factor_25", "dimensionless")),
    ],
)
def test_a_unit_is_read_from_the_end_of_a_name(name: str, split: tuple[str, str]) -> None:
    assert catalogue.unit_of(name) == split


@pytest.mark.parametrize("poison", [math.nan, math.inf, -math.inf], ids=str)
@pytest.mark.parametrize(
    "one",
    [one for one in QUANTITIES.values() if one.group.startswith("monitor.water.")],
    ids=lambda one: one.name,
)
def test_what_is_no_number_never_passes_silently(one: Quantity, poison: float) -> None:
    """Each number in turn is poisoned, the others stand at the values of the quantity's own example."""
    call = example_arguments(one)
    for name, value in call.items():
        if isinstance(value, float) and not isinstance(value, bool):
            with pytest.raises(ValueError, match=r"out of range"):
                one.function(**{**call, name: poison})


def example_arguments(one: Quantity) -> dict[str, object]:
    """The arguments of the first call of a quantity in its own example, defaults included."""
    seen: dict[str, object] = {}

    def spy(*args: object, **kwargs: object) -> object:
        bound = inspect.signature(one.function).bind(*args, **kwargs)
        bound.apply_defaults()
        for name, value in bound.arguments.items():
            whole = isinstance(value, int) and not isinstance(value, bool)
            number = whole and inspect.signature(one.function).parameters[name].annotation == "float"
            seen.setdefault(name, float(value) if number else value)
        return one.function(*args, **kwargs)

    module = inspect.getmodule(one.function)
    names = {**vars(module), one.name: spy}
    for example in doctest.DocTestParser().get_examples(inspect.getdoc(one.function) or ""):
        exec(compile(example.source, one.name, "single"), names)  # its own example, run above as a test too
        if seen:
            return seen
    raise AssertionError(f"the example of {one.name} never calls it")
