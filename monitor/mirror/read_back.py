"""How a server is asked what it kept: one file a kind of server, each a settings model and one method.

An acknowledgement is not believed: of the servers tried, one lost points that it had acknowledged when it
was killed, and answered success for points that it threw away.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple, Protocol

from pydantic import Field

from monitor.mirror.points import Strand
from monitor.mirror.server import Server
from monitor.plant.fields import Table


@dataclass(frozen=True, slots=True)
class Ask:
    """All points of a strand in a span of time, both ends included."""

    strand: Strand
    from_ms: int
    until_ms: int
    at_ms: int  # when it is asked


class Found(NamedTuple):
    """One value on the server."""

    key: tuple[str, ...]  # the values of the strand's `keys`
    field: str
    time_ms: int
    value: float


class ReadBack(Protocol):
    """Settings of one way to ask; `kind` is its config syntax."""

    def found(self, ask: Ask, server: Server) -> Iterator[Found]:
        """What the server has, in any order; a point it has twice comes twice.

        Raises: Unanswered.
        """


class NoReadBack(Table):
    """The server cannot be asked: what it acknowledges is believed."""

    kind: Annotated[
        Literal["none"],
        Field(description="the server cannot be asked; what it acknowledges is believed, right or wrong"),
    ]
