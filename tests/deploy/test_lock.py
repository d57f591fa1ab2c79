"""The lists that deploy/env.sh installs from are complete and hashed, and name no place to fetch from."""

import re
import tomllib
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
# Which optional parts of pyproject.toml each list holds besides what always runs.
EXTRAS: dict[str, list[str]] = {
    "runtime": [],
    "demo": ["demo", "embedded-broker"],
    "test": ["demo", "embedded-broker", "parquet", "test", "reference"],
}
PINNED = re.compile(r"^(?P<name>[a-z0-9-]+)==(?P<version>\S+)(?: ; (?P<marker>[^\\]+?))? \\$", re.MULTILINE)


def lock(name: str) -> str:
    """Return the text of a list."""
    return (REPOSITORY / "deploy" / f"{name}.lock").read_text(encoding="utf-8")


def normal(requirement: str) -> str:
    """Return the name in a requirement, spelled as PyPA's name normalisation has it (PEP 503)."""
    found = re.match(r"[A-Za-z0-9._-]+", requirement)
    assert found, requirement
    return re.sub(r"[-_.]+", "-", found.group()).lower()


def wanted(name: str) -> set[str]:
    """Return the packages that pyproject.toml asks for in one kind of environment, build tools among them."""
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    for extra in EXTRAS[name]:
        asked += project["project"]["optional-dependencies"][extra]
    return {normal(requirement) for requirement in asked}


@pytest.mark.parametrize("name", EXTRAS)
def test_a_list_names_no_address(name: str) -> None:
    for word in ("://", "index-url", "find-links", "trusted-host", " @ "):
        assert word not in lock(name)


@pytest.mark.parametrize("name", EXTRAS)
def test_everything_that_pyproject_asks_for_is_pinned(name: str) -> None:
    assert wanted(name) - {found["name"] for found in PINNED.finditer(lock(name))} == set()


@pytest.mark.parametrize("name", EXTRAS)
def test_every_line_is_a_pin_or_a_hash_of_the_pin_above(name: str) -> None:
    for block in re.split(r"(?m)^(?=[a-z0-9])", lock(name).removeprefix(lock(name).split("\n", 1)[0] + "\n"))[
        1:
    ]:
        first, *hashes = block.splitlines()
        assert PINNED.fullmatch(first), first
        assert hashes, first
        assert all(re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}(?: \\)?", line) for line in hashes), first


def test_every_optional_part_of_pyproject_is_in_a_list() -> None:
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
    assert set(project["project"]["optional-dependencies"]) == {
        part for parts in EXTRAS.values() for part in parts
    }


@pytest.mark.parametrize("name", ["demo", "test"])
def test_a_longer_list_holds_the_same_versions_as_what_runs(name: str) -> None:
    pins = {(found["name"], found["version"], found["marker"]) for found in PINNED.finditer(lock(name))}
    assert {(f["name"], f["version"], f["marker"]) for f in PINNED.finditer(lock("runtime"))} - pins == set()


def test_no_machine_learning_framework_is_dragged_in_and_what_runs_stays_small() -> None:
    held = {found["name"] for found in PINNED.finditer(lock("test"))}
    assert held & {"torch", "jax", "tensorflow"} == set()
    assert len({found["name"] for found in PINNED.finditer(lock("runtime"))}) <= 40
