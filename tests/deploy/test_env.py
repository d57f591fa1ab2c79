"""Setting up says in one sentence what is wrong, and spoils nothing that is there."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]


def set_up(venv: Path, *words: str, **changed: str) -> subprocess.CompletedProcess[str]:
    """Run deploy/env.sh for an environment of the test's own, with no package index in reach."""
    environ = {**os.environ, "GOODWATER_VENV": str(venv), "PYTHON": sys.executable, "PIP_NO_INDEX": "1"}
    environ.pop("PIP_FIND_LINKS", None)
    return subprocess.run(
        ["sh", "deploy/env.sh", *words],
        cwd=REPOSITORY,
        env=environ | changed,
        capture_output=True,
        text=True,
        check=False,
    )


def test_an_index_out_of_reach_is_told_in_one_sentence(tmp_path: Path) -> None:
    tried = set_up(tmp_path / "venv")
    assert tried.returncode == 1
    assert tried.stderr.splitlines()[1:] == [
        "goodwater: the Python package index cannot be reached: connect this machine (or set its proxy or "
        f"mirror for pip) and run this again; details in {tmp_path / 'venv' / 'goodwater-setup.log'}"
    ]
    assert not list((tmp_path / "venv").glob(".goodwater-*"))
    assert not (tmp_path / "venv.lock").exists()


def test_a_python_too_old_or_not_there_is_named(tmp_path: Path) -> None:
    tried = set_up(tmp_path / "venv", PYTHON="/bin/false")
    assert tried.returncode == 1
    assert "PYTHON is '/bin/false', which is not a Python 3.11 or newer" in tried.stderr


def test_an_unknown_kind_of_environment_is_refused(tmp_path: Path) -> None:
    tried = set_up(tmp_path / "venv", "tests")
    assert (tried.returncode, tried.stderr) == (
        2,
        "goodwater: 'tests' is not a kind of environment; there are: runtime, demo, test\n",
    )


def test_a_folder_that_is_no_environment_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "venv").mkdir()
    (tmp_path / "venv" / "letter.txt").write_text("keep me", encoding="utf-8")
    tried = set_up(tmp_path / "venv")
    assert tried.returncode == 1
    assert "is in the way" in tried.stderr
    assert (tmp_path / "venv" / "letter.txt").read_text(encoding="utf-8") == "keep me"


def test_a_set_up_that_died_does_not_stop_the_next_one(tmp_path: Path) -> None:
    with subprocess.Popen(["true"]) as gone:
        gone.wait()
    (tmp_path / "venv.lock").mkdir()
    (tmp_path / "venv.lock" / "pid").write_text(f"{gone.pid}\n", encoding="utf-8")
    assert "the Python package index cannot be reached" in set_up(tmp_path / "venv").stderr
    assert not (tmp_path / "venv.lock").exists()


@pytest.mark.parametrize(("made", "asked"), [("test", "runtime"), ("test", "demo"), ("demo", "runtime")])
def test_what_is_made_already_is_enough_for_less(tmp_path: Path, made: str, asked: str) -> None:
    """The stamp is what env.sh itself would have written: its fingerprint of everything that decides."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(tmp_path / "venv")], check=True)
    pieces = f'{{ pwd -P; cat "deploy/{made}.lock" pyproject.toml deploy/env.sh; }} | cksum'
    stamp = subprocess.run(["sh", "-c", pieces], cwd=REPOSITORY, capture_output=True, check=True).stdout
    (tmp_path / "venv" / f".goodwater-{made}").write_bytes(stamp)
    assert (set_up(tmp_path / "venv", asked).returncode, set_up(tmp_path / "venv", asked).stderr) == (0, "")


def test_a_changed_list_is_installed_anew(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(tmp_path / "venv")], check=True)
    (tmp_path / "venv" / ".goodwater-test").write_text("12345 678\n", encoding="utf-8")
    assert "making the runtime environment" in set_up(tmp_path / "venv").stderr
