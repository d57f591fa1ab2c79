"""When a silence is told, and when its end: the pure part of the guard."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.guard.vigil import Turn, Vigil, gone, heard, listened, troubled

MIN = 60_000
NOW_MS = 1_920_000_000_000
PATIENCE_MS = 10 * MIN


def silent_for(vigil: Vigil, minutes: int, now_ms: int = NOW_MS) -> tuple[Vigil, list[Turn]]:
    turns = []
    for minute in range(1, minutes + 1):
        vigil, turn = listened(vigil, MIN, PATIENCE_MS, now_ms + minute * MIN)
        turns += [turn] if turn else []
    return vigil, turns


def alive(vigil: Vigil | None = None, now_ms: int = NOW_MS) -> Vigil:
    return heard(vigil or Vigil(began_ms=now_ms), "running", now_ms)[0]


def test_a_silence_is_told_once_and_its_end_once() -> None:
    vigil, turns = silent_for(alive(), 60)
    assert [turn.kind for turn in turns] == ["silent"]
    assert turns[0].at_ms == NOW_MS + PATIENCE_MS and turns[0].heard_ms == NOW_MS
    vigil, back = heard(vigil, "running", NOW_MS + 61 * MIN)
    assert back is not None and (back.kind, back.told_ms) == ("back", turns[0].at_ms)
    assert back.heard_ms == NOW_MS and back.listened_ms == 60 * MIN
    assert heard(vigil, "running", NOW_MS + 62 * MIN)[1] is None


def test_a_watch_that_was_never_heard_is_told_as_that() -> None:
    vigil, turns = silent_for(Vigil(began_ms=NOW_MS), 30)
    assert [turn.kind for turn in turns] == ["never"]
    _, back = heard(vigil, "running", NOW_MS + 31 * MIN)
    assert back is not None and back.kind == "back" and back.heard_ms is None


def test_nothing_is_told_while_it_is_heard_in_time() -> None:
    vigil, told = alive(), []
    for hour in range(100):
        vigil, turns = silent_for(vigil, 9)
        told += turns
        vigil = alive(vigil, NOW_MS + hour * 3_600_000)
    assert told == []


def test_the_word_that_it_was_stopped_ends_no_silence_and_is_said_with_the_silence_that_follows() -> None:
    vigil, _ = heard(alive(), "stopped", NOW_MS)
    vigil, turns = silent_for(vigil, 12)
    assert [(turn.kind, turn.word) for turn in turns] == [("silent", "stopped")]
    vigil, turn = heard(vigil, "stopped", NOW_MS + 20 * MIN)
    assert turn is None and vigil.silent


def test_a_broken_connection_is_a_reason_but_no_end_by_itself() -> None:
    vigil, turns = silent_for(gone(alive()), 9)
    assert turns == []
    _, turns = silent_for(vigil, 1)
    assert turns[0].word == "gone"


def test_what_was_refused_is_said_with_the_silence_and_forgotten_with_its_end() -> None:
    vigil, turns = silent_for(troubled(alive(), "its signature is wrong"), 10)
    assert turns[0].trouble == "its signature is wrong"
    assert alive(vigil).trouble == ""


@given(st.lists(st.one_of(st.integers(1, 30), st.sampled_from(["running", "stopped", "gone"])), max_size=60))
def test_what_is_told_alternates_and_a_silence_is_never_shorter_than_the_patience(
    course: list[int | str],
) -> None:
    vigil, now_ms, since_heard_ms, told = Vigil(began_ms=NOW_MS), NOW_MS, 0, list[Turn]()
    for step in course:
        turn = None
        if isinstance(step, int):
            now_ms += step * MIN
            since_heard_ms += step * MIN
            vigil, turn = listened(vigil, step * MIN, PATIENCE_MS, now_ms)
            assert vigil.silent or since_heard_ms < PATIENCE_MS
        elif step == "gone":
            vigil = gone(vigil)
        else:
            vigil, turn = heard(vigil, "running" if step == "running" else "stopped", now_ms)
            since_heard_ms = 0
        told += [turn] if turn else []
    kinds = ["back" if turn.kind == "back" else "silent" for turn in told]
    assert kinds == ["silent", "back"] * (len(kinds) // 2) + ["silent"] * (len(kinds) % 2)
    assert all(turn.listened_ms >= PATIENCE_MS for turn in told if turn.kind != "back")
