"""The demonstration as a person starts it: one whole month, and Ctrl-C in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.mosquitto import program
from tests.waiting import eventually

pytestmark = [pytest.mark.serial, pytest.mark.timeout(600)]


def started(folder: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "simulator.demo", "--folder", str(folder), *words]
    environment = {**os.environ, "GOODWATER_MOSQUITTO": program(), "PYTHONUNBUFFERED": "1"}
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    )


def processes_in(folder: Path) -> Iterator[str]:
    """Command lines of processes that work in a folder, as /proc tells."""
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and (entry / "cwd").resolve() == folder:
                yield (entry / "cmdline").read_text().replace("\0", " ")
        except OSError:  # it ended meanwhile
            continue


def test_the_month_is_told_as_it_should_be_and_nothing_is_left_running(tmp_path: Path) -> None:
    folder = tmp_path / "show"
    with started(folder, "--minutes", "2.5") as show:
        output, _ = show.communicate(timeout=500)
    assert show.returncode == 0, output
    assert "all of it as it should be" in output
    assert ">>> " in output and "mail to lead@shop.example" in output
    assert len(list((folder / "mail").glob("*.eml"))) == len(list((folder / "chat").glob("*.json"))) > 0
    assert list(processes_in(folder)) == []


def test_ctrl_c_ends_every_process_of_the_show(tmp_path: Path) -> None:
    folder = tmp_path / "show"
    with started(folder, "--minutes", "5") as show:
        watching = lambda: any("monitor.daemon" in line for line in processes_in(folder))  # noqa: E731 - short
        eventually(watching, timeout=120, what="the watch runs")
        assert len(list(processes_in(folder))) >= 3  # broker, supervisor, daemon
        show.send_signal(signal.SIGINT)
        output, _ = show.communicate(timeout=90)
    assert show.returncode == 130, output
    assert "Traceback" not in output
    assert list(processes_in(folder)) == []


def test_a_wrong_wish_is_told_in_a_sentence(tmp_path: Path) -> None:
    with started(tmp_path / "show", "--minutes", "0.1") as show:
        output, _ = show.communicate(timeout=60)
    assert show.returncode == 2
    assert "--minutes 0.1: between 1 and 120" in output
