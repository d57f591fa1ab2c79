"""What the guard knows of one watch, and when that is worth a message. Pure: time comes in as arguments.

Silence is counted only while the guard itself listens. So a guard that was cut from its power together with
the shop gives the gateway its full patience again, and one that is killed and started over and over still
comes to the end of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Word = Literal["", "running", "stopped", "gone"]
Kind = Literal["silent", "never", "back"]


@dataclass(frozen=True, slots=True)
class Turn:
    """Something to tell: a watch fell silent, was never heard at all, or is heard again."""

    kind: Kind
    at_ms: int  # the guard's clock
    began_ms: int  # when the guard began to listen for it
    heard_ms: int | None  # when it was last heard; of `back`: before the silence
    listened_ms: int  # for how long it was listened for in vain
    told_ms: int  # when the silence was told: of `back` the Turn before, else this one
    word: Word = ""  # its last one
    trouble: str = ""  # why what came was not believed, or nothing could come


@dataclass(frozen=True, slots=True)
class Vigil:
    """Everything known of one watch; it survives the guard's own end."""

    began_ms: int
    heard_ms: int | None = None
    sent_ms: int = 0  # the stamp of the last heartbeat that was believed
    word: Word = ""
    listened_ms: int = 0  # for how long, since it was heard last
    told_ms: int | None = None  # its present silence was told then
    trouble: str = ""

    @property
    def silent(self) -> bool:
        return self.told_ms is not None


def listened(vigil: Vigil, span_ms: int, patience_ms: int, now_ms: int) -> tuple[Vigil, Turn | None]:
    """The guard has listened in vain for another span."""
    vigil = replace(vigil, listened_ms=vigil.listened_ms + span_ms)
    if vigil.silent or vigil.listened_ms < patience_ms:
        return vigil, None
    vigil = replace(vigil, told_ms=now_ms)
    return vigil, _turn(vigil, "never" if vigil.heard_ms is None else "silent", now_ms, now_ms)


def heard(vigil: Vigil, word: Word, now_ms: int, sent_ms: int = 0) -> tuple[Vigil, Turn | None]:
    """It gave a sign of life: `running`, or as its last word `stopped`, which ends no silence."""
    ends = word == "running" and vigil.told_ms is not None
    turn = _turn(vigil, "back", now_ms, vigil.told_ms or now_ms) if ends else None
    return (
        replace(
            vigil,
            heard_ms=now_ms,
            sent_ms=sent_ms or vigil.sent_ms,
            word=word,
            listened_ms=0,
            told_ms=None if ends else vigil.told_ms,
            trouble="",
        ),
        turn,
    )


def gone(vigil: Vigil) -> Vigil:
    """Its broker says that the connection broke: no sign of life, but a reason for the silence to come.

    Nor the end of anything by itself: connections break and are made anew.
    """
    return replace(vigil, word="gone")


def troubled(vigil: Vigil, why: str) -> Vigil:
    """Something came that cannot be believed, or nothing can come; said with the silence, if it is one."""
    return replace(vigil, trouble=why)


def _turn(vigil: Vigil, kind: Kind, now_ms: int, told_ms: int) -> Turn:
    return Turn(
        kind, now_ms, vigil.began_ms, vigil.heard_ms, vigil.listened_ms, told_ms, vigil.word, vigil.trouble
    )
