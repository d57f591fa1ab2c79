"""Commands in the hands of somebody who may not, cannot or mistypes: words and an exit code, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest
from pydantic import JsonValue

from monitor.cli import main
from monitor.config import SiteFile
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Tick, Transition
from monitor.store.files import STORE
from monitor.store.writer import Batch, Writer
from tests.heart.shop import START_MS, site

EVIDENCE: dict[str, JsonValue] = {
    "quantity": "conductivity", "value": 31.5, "limit": 20.0, "side": "above", "bound": "exact",
    "where": "DI outlet", "what": "conductivity", "stage": "di",
}  # fmt: skip


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    """A site with one alarm that stands, and no daemon."""
    made = site(tmp_path)
    made.data_dir.mkdir()
    raised = Transition(
        "di-high", 1, 1, "raised", AlarmState.UNACKNOWLEDGED, START_MS, START_MS, "high", "limit", "di.ec",
        0.9, EVIDENCE,
    )  # fmt: skip
    writer = Writer(made.data_dir, START_MS, partial(message_id, site_id="shop"))
    writer.commit(Batch(START_MS, events=[(1, Tick(START_MS))], transitions=[(1, raised)]))
    writer.close()
    return made


def as_somebody_else(site_file: SiteFile, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command by somebody who may not write to the data folder, nor read what is forbidden to all."""
    command = [sys.executable, "-m", "monitor.cli", arguments[0], str(site_file.path), *arguments[1:]]
    if os.geteuid() == 0:  # root may do everything, until that is taken from it
        for path in (site_file.data_dir, *site_file.data_dir.iterdir()):
            os.chown(path, 65534, 65534)
        command = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *command]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(
    "command",
    [
        ("status",),
        ("alarms",),
        ("readings",),
        ("export", "-"),
        ("backup", "."),
        ("replay",),
        ("ack", "di-high"),
    ],
)
def test_a_store_of_another_user_is_refused_in_words(shop: SiteFile, command: tuple[str, ...]) -> None:
    (shop.data_dir / STORE).chmod(0)
    done = as_somebody_else(shop, *command)
    assert done.returncode == 1
    assert "run this as the user who runs the watch" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_lock_of_another_user_is_refused_in_words(shop: SiteFile) -> None:
    (shop.data_dir / "goodwater.lock").touch()
    (shop.data_dir / "goodwater.lock").chmod(0)
    done = as_somebody_else(shop, "status")
    assert (done.returncode, "Traceback" in done.stderr) == (1, False)
    assert "run this as the user who runs the watch" in done.stderr


def test_who_acknowledges_must_be_said_where_the_login_has_no_name(
    shop: SiteFile, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def nameless() -> str:
        raise KeyError("getpwuid(): uid not found: 4242")

    monkeypatch.setattr("getpass.getuser", nameless)
    assert main(["ack", str(shop.path), "di-high"]) == 2
    assert "--by NAME" in capsys.readouterr().err
    assert main(["ack", str(shop.path), "di-high", "--by", "lead"]) == 0


def test_a_comment_that_is_no_text_is_refused(shop: SiteFile, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ack", str(shop.path), "di-high", "--by", "lead", "--comment", "\udcff"]) == 2
    assert "--comment is not UTF-8 text" in capsys.readouterr().err


@pytest.mark.parametrize("anchors", ["nonsense", "0:0", "0:0,inf:inf", "1:5,2:4"])
def test_a_played_clock_that_is_none_is_refused_by_run_itself(
    shop: SiteFile, capsys: pytest.CaptureFixture[str], anchors: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["run", str(shop.path), "--clock", anchors])
    assert ended.value.code == 2
    assert "usage: goodwater run" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["status", "alarms", "readings"])
def test_output_that_nobody_reads_is_no_mistake(shop: SiteFile, command: str) -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", command, str(shop.path)],
        stdout=write_end,
        stderr=subprocess.PIPE,
        text=True,
        timeout=60,
        check=False,
    )
    os.close(write_end)
    assert (done.returncode, done.stderr) == (0, "")
