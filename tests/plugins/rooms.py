"""A contract for import-linter: which room of ``monitor`` may import which.

One table in pyproject.toml holds the walls, a line a room: ``"rules -> readings, plant, water, stats"``;
``*`` stands for every room. A room that the table does not name breaks the contract, so that a new one gets
its wall on its first day.
"""

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, fields, output

Walls = dict[str, frozenset[str]]


def parsed(lines: list[str]) -> Walls:
    """Return the rooms that each room may import, from lines ``"room -> room, room"``."""
    walls = {}
    for line in lines:
        room, arrow, allowed = line.partition("->")
        if not arrow:
            raise ValueError(f"the wall {line!r} has no '->'; write for example 'rules -> readings, plant'")
        walls[room.strip()] = frozenset(word.strip() for word in allowed.split(",") if word.strip())
    return walls


class RoomsContract(Contract):
    """Every import between rooms is one that the table allows; ``outside`` says it of other packages."""

    type_name = "rooms"

    container = fields.StringField()
    rooms = fields.ListField(subfield=fields.StringField())
    outside = fields.ListField(subfield=fields.StringField(), required=False, default=[])

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:
        """Compare every import of the graph with the table."""
        walls = parsed(list(self.rooms))
        visitors = parsed(list(self.outside))
        faults: list[str] = []
        for room in sorted(self._room(name) for name in graph.find_children(self.container)):
            if room not in walls:
                faults.append(f"the room '{room}' has no wall; add a line for it in pyproject.toml")
        for importer in sorted(graph.modules):
            allowed = self._allowed(importer, walls, visitors)
            if allowed is None or "*" in allowed:
                continue
            for imported in sorted(graph.find_modules_directly_imported_by(importer)):
                if self._inside(imported) and self._room(imported) not in allowed | {self._room(importer)}:
                    faults.append(self._fault(graph, importer, imported))
        return ContractCheck(kept=not faults, metadata={"faults": faults})

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Print each import that goes through a wall, with its place."""
        for fault in check.metadata["faults"]:
            output.print_error(fault)

    def _inside(self, module: str) -> bool:
        return module.startswith(f"{self.container}.")

    def _room(self, module: str) -> str:
        parts = module.split(".")
        return parts[1] if parts[0] == self.container and len(parts) > 1 else ""

    def _allowed(self, importer: str, walls: Walls, visitors: Walls) -> frozenset[str] | None:
        if self._inside(importer):
            return walls.get(self._room(importer), frozenset())
        return visitors.get(importer.split(".")[0])

    @staticmethod
    def _fault(graph: ImportGraph, importer: str, imported: str) -> str:
        details = graph.get_import_details(importer=importer, imported=imported)
        lines = ", ".join(str(detail["line_number"]) for detail in details)
        return f"{importer} must not import {imported} (line {lines})"
