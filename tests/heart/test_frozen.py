"""A frozen value copied with other fields: as the standard library does it, refused where it cannot be."""

from __future__ import annotations

import dataclasses

import pytest

from monitor.condition.conditioner import ChannelState
from monitor.frozen import replace
from monitor.rules.loss.balance import Books
from monitor.watch import WatchState


@pytest.mark.parametrize(
    ("value", "changes"),
    [
        (Books(), {"block_ms": 600_000, "block": (1.0, 2.0)}),
        (ChannelState(last_ms=5), {"last_ms": 7}),
        (WatchState(sequence=3), {"sequence": 4, "channels": {"di.ec": ChannelState()}}),
        (WatchState(sequence=3), {}),
    ],
)
def test_a_copy_is_that_of_the_standard_library_and_the_first_stays(
    value: object, changes: dict[str, object]
) -> None:
    before = dataclasses.replace(value)  # type: ignore[type-var]  # a dataclass, whichever
    copied = replace(value, **changes)  # type: ignore[type-var]  # likewise
    assert copied == dataclasses.replace(value, **changes)  # type: ignore[type-var]
    assert type(copied) is type(value)
    assert value == before
    for field in dataclasses.fields(copied):  # type: ignore[arg-type]
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(copied, field.name, 1)


@dataclasses.dataclass(frozen=True)
class _Loose:
    n: int = 0


@dataclasses.dataclass(frozen=True, slots=True)
class _Checked:
    n: int = 0

    def __post_init__(self) -> None:
        assert self.n >= 0


@pytest.mark.parametrize("value", [_Loose(), _Checked(), WatchState()])
def test_what_cannot_be_copied_so_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match="no plain frozen dataclass with slots and a field"):
        replace(value, **({"m": 1} if isinstance(value, WatchState) else {"n": 1}))  # type: ignore[type-var]
