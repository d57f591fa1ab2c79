"""A result file names the commit, the seed and the date of what it says."""

import json
import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from tests.long import result


def a_repository(folder: Path) -> Path:
    """Make a repository with one commit."""
    run = ["git", "-C", str(folder), "-c", "user.name=T", "-c", "user.email=t@shop.example"]
    subprocess.run(["git", "init", "-q", str(folder)], check=True)
    (folder / "code.py").write_text("x = 1\n", encoding="utf-8")
    subprocess.run([*run, "add", "code.py"], check=True)
    subprocess.run([*run, "commit", "-q", "-m", "first"], check=True)
    return folder


def test_the_file_holds_figures_seed_commit_and_date(tmp_path: Path) -> None:
    out = tmp_path / "results" / "kill.json"
    code = result.main("kill", lambda seed: {"lost": 0, "drawn": seed}, ["--seed", "7", "--out", str(out)])
    record = json.loads(out.read_text(encoding="utf-8"))
    assert code == 0
    assert record["name"] == "kill"
    assert record["seed"] == 7
    assert record["figures"] == {"lost": 0, "drawn": 7}
    assert record["commit"] == result.commit()
    assert datetime.fromisoformat(record["date"]).utcoffset() is not None


def test_a_measurement_that_can_be_cut_short_is_told_how_long_it_has(tmp_path: Path) -> None:
    out = tmp_path / "fuzz.json"
    for words, minutes in (([], 60.0), (["--minutes", "0.5"], 0.5)):
        result.main("fuzz", lambda _, given: {"had": given}, [*words, "--out", str(out)], minutes=60.0)
        assert json.loads(out.read_text(encoding="utf-8"))["figures"] == {"had": minutes}


def test_a_broken_promise_writes_no_file(tmp_path: Path) -> None:
    def broken(seed: int) -> dict[str, result.Figure]:
        raise AssertionError(f"3 readings lost with seed {seed}")

    out = tmp_path / "kill.json"
    with pytest.raises(AssertionError, match="3 readings lost with seed 1"):
        result.main("kill", broken, ["--out", str(out)])
    assert not out.exists()


def test_a_clean_tree_gives_the_bare_commit(tmp_path: Path) -> None:
    assert len(result.commit(a_repository(tmp_path))) == 40


def test_a_changed_tree_is_told_from_its_commit(tmp_path: Path) -> None:
    folder = a_repository(tmp_path)
    (folder / "code.py").write_text("x = 2\n", encoding="utf-8")
    assert result.commit(folder).endswith("+changes")


def test_a_result_just_written_does_not_count_as_a_change(tmp_path: Path) -> None:
    folder = a_repository(tmp_path)
    (folder / "docs" / "results").mkdir(parents=True)
    (folder / "docs" / "results" / "kill.json").write_text("{}\n", encoding="utf-8")
    assert "+" not in result.commit(folder)
