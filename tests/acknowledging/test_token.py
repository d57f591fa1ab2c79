"""A token proves exactly one message to one person; nothing else can be made of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from monitor.acknowledging.key import read_key, ready_key
from monitor.acknowledging.token import Told, made, proves, read

KEY = bytes(range(32))
UNTIL_MS = 1_920_000_000_000
TOLD = Told(7, "di-high#3.1", "lead")


def test_a_token_is_short_and_needs_no_quoting_in_an_address_or_a_subject() -> None:
    token = made(KEY, "shop", TOLD, UNTIL_MS)
    assert len(token) == 32 and token.isalnum() and token == token.lower()


def test_it_proves_what_it_was_made_for_also_in_capitals() -> None:
    claim = read(made(KEY, "shop", TOLD, UNTIL_MS).upper())
    assert claim is not None and (claim.owed_id, claim.until_ms) == (7, UNTIL_MS)
    assert proves(claim, KEY, "shop", TOLD)


def test_another_key_site_message_person_row_or_moment_is_not_proved() -> None:
    claim = read(made(KEY, "shop", TOLD, UNTIL_MS))
    assert claim is not None
    assert not proves(claim, bytes(32), "shop", TOLD)
    assert not proves(claim, KEY, "hall", TOLD)
    assert not proves(claim, KEY, "shop", replace(TOLD, transition="di-high#3.2"))
    assert not proves(claim, KEY, "shop", replace(TOLD, person="boss"))
    assert not proves(replace(claim, owed_id=8), KEY, "shop", replace(TOLD, owed_id=8))
    assert not proves(replace(claim, until_ms=UNTIL_MS + 60_000), KEY, "shop", TOLD)


def test_parts_cannot_be_shifted_into_each_other() -> None:
    claim = read(made(KEY, "shop", Told(1, "ab", "c"), UNTIL_MS))
    assert claim is not None and not proves(claim, KEY, "shop", Told(1, "a", "bc"))


@given(st.integers(0, 31), st.sampled_from("abcdefghijklmnopqrstuvwxyz234567"))
def test_one_letter_changed_anywhere_proves_nothing(at: int, letter: str) -> None:
    token = made(KEY, "shop", TOLD, UNTIL_MS)
    changed = token[:at] + letter + token[at + 1 :]
    claim = read(changed)
    assert claim is not None
    assert proves(claim, KEY, "shop", TOLD) == (changed == token)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_without_an_error(text: str) -> None:
    claim = read(text)
    assert claim is None or not proves(claim, KEY, "shop", TOLD)


def test_the_key_is_made_once_and_readable_by_nobody_else(tmp_path: Path) -> None:
    assert read_key(tmp_path) is None
    key = ready_key(tmp_path)
    assert len(key) == 32 and ready_key(tmp_path) == read_key(tmp_path) == key
    (kept,) = tmp_path.iterdir()
    assert kept.stat().st_mode & 0o777 == 0o600


def test_a_key_file_that_a_power_cut_emptied_is_made_anew(tmp_path: Path) -> None:
    ready_key(tmp_path)
    next(tmp_path.iterdir()).write_bytes(b"")
    assert read_key(tmp_path) is None
    assert len(ready_key(tmp_path)) == 32
