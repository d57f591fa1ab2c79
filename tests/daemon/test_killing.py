"""kill -9, ten times; two hundred by `sh tests/run.sh --long kill`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from simulator.mailbox import Mailbox
from tests.daemon.killing import kill_and_account
from tests.daemon.polled import BATCH_MS, CHANNELS, POLL_MS, two_polled
from tests.daemon.watched import Watched
from tests.mosquitto import Mosquitto


@pytest.mark.serial
@pytest.mark.timeout(240)
def test_killed_ten_times_nothing_is_lost_and_nothing_stored_twice(
    watched: Callable[..., Watched], mailbox: Mailbox, broker: Mosquitto, tmp_path: Path
) -> None:
    with two_polled(tmp_path) as more:
        account = kill_and_account(watched(more=more), mailbox, broker.port, 10, seed=1, polled=CHANNELS)
    print(account)
    assert account.published > 500
    assert (account.missing, account.stored_twice) == (0, 0)
    assert account.alarms_raised == account.raised_expected > 0
    assert account.messages_without_row == 0
    assert account.delivered_at_least_once == account.messages_owed
    assert account.replay_same
    assert account.polled is not None
    # Half a second for a crowded machine; the long measurement tells how long it really was.
    assert account.polled.longest_unpolled_ms <= POLL_MS + BATCH_MS + 500
