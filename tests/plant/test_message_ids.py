"""Names of messages: the same for ever, never twice, fit for a mail header."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from monitor.plant.message_ids import message_id, thread_id, trial_id
from monitor.readings import Notice

# RFC 5322, 3.6.4 and 3.2.3: "<" dot-atom-text "@" dot-atom-text ">", of the atext we use.
MESSAGE_ID = re.compile(r"<[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*@[a-z]+(\.[a-z]+)*>")

TEXTS = st.text(alphabet="ab.-_/#1é ", max_size=6)
NOTICES = st.builds(Notice, transition=TEXTS, person=TEXTS, way=st.integers(0, 3))


@given(NOTICES, TEXTS)
def test_a_name_needs_no_quoting(notice: Notice, site: str) -> None:
    assert MESSAGE_ID.fullmatch(message_id(notice, site))


@given(NOTICES, TEXTS, NOTICES, TEXTS)
def test_different_notices_have_different_names(
    one: Notice, site: str, other: Notice, elsewhere: str
) -> None:
    same = (one, site) == (other, elsewhere)
    assert (message_id(one, site) == message_id(other, elsewhere)) == same


@given(TEXTS, TEXTS, st.integers(1, 99), st.integers(2, 99), st.integers(0, 3))
def test_all_steps_of_an_occurrence_share_the_thread_of_the_first(
    condition: str, person: str, occurrence: int, step: int, way: int
) -> None:
    first = Notice(f"{condition}#{occurrence}.1", person, way)
    later = Notice(f"{condition}#{occurrence}.{step}", person, way)
    assert thread_id(later, "north") == thread_id(first, "north") == message_id(first, "north")
    assert message_id(later, "north") != message_id(first, "north")


def test_another_occurrence_is_another_thread() -> None:
    one, two = Notice("di-limit#1.1", "lead", 0), Notice("di-limit#11.1", "lead", 0)
    assert thread_id(one, "north") != thread_id(two, "north")


@given(NOTICES, TEXTS, TEXTS)
def test_a_test_message_never_has_the_name_of_a_notice(notice: Notice, person: str, site: str) -> None:
    trial = trial_id(person, notice.way, site, 1_929_073_320_000)
    assert MESSAGE_ID.fullmatch(trial)
    assert trial != message_id(notice, site)
