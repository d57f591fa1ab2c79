"""The contract that holds the walls between the rooms (tests/plugins/rooms.py) sees a breach and names it."""

import pytest
from grimp import ImportGraph

from tests.plugins.rooms import RoomsContract, parsed

WALLS = ["water ->", "readings ->", "rules -> readings, water", "cli -> *"]


def faults(*imports: tuple[str, str]) -> list[str]:
    """Return what the contract finds in a shop of four rooms and a simulator with these imports."""
    graph = ImportGraph()
    for module in (
        "monitor",
        "monitor.water",
        "monitor.readings",
        "monitor.rules",
        "monitor.cli",
        "simulator",
    ):
        graph.add_module(module)
    for importer, imported in imports:
        graph.add_import(importer=importer, imported=imported, line_number=7, line_contents="import")
    contract = RoomsContract(
        "rooms", {}, {"container": "monitor", "rooms": WALLS, "outside": ["simulator -> readings"]}
    )
    check = contract.check(graph, verbose=False)
    assert check.kept == (not check.metadata["faults"])
    return check.metadata["faults"]


@pytest.mark.parametrize(
    ("importer", "imported"),
    [
        ("monitor.rules.limit", "monitor.water.softener"),
        ("monitor.rules.limit", "monitor.rules.rule"),
        ("monitor.rules", "numpy"),
        ("monitor.cli", "monitor.rules.limit"),
        ("simulator.shop", "monitor.readings"),
        ("simulator.shop", "simulator.air"),
    ],
)
def test_an_import_that_the_table_names_passes(importer: str, imported: str) -> None:
    assert faults((importer, imported)) == []


@pytest.mark.parametrize(
    ("importer", "imported"),
    [
        ("monitor.water.softener", "monitor.readings"),
        ("monitor.rules.limit", "monitor.cli"),
        ("simulator.shop", "monitor.rules"),
    ],
)
def test_an_import_that_the_table_does_not_name_is_reported_with_its_line(
    importer: str, imported: str
) -> None:
    assert faults((importer, imported)) == [f"{importer} must not import {imported} (line 7)"]


def test_a_room_without_a_wall_is_reported() -> None:
    assert faults(("monitor.mirror", "numpy")) == [
        "the room 'mirror' has no wall; add a line for it in pyproject.toml"
    ]


def test_a_line_of_the_table_without_an_arrow_is_refused() -> None:
    with pytest.raises(ValueError, match="'rules readings' has no '->'"):
        parsed(["rules readings"])
