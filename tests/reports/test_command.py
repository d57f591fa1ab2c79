"""`goodwater digest`, on a real store."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from monitor.cli import main
from monitor.commands.figures import accounts
from monitor.config import load
from monitor.reports.sumps import Account
from monitor.rules import loss
from monitor.rules.loss.balance import Books, Day
from monitor.rules.loss.rule import SumpState
from monitor.store.weekly import state_part
from tests.reports.shop import HOUR, SITE, WEEK, shop

LOSS = """
[[instrument]]
id = "m01-level"
sump = "m01"
expected_interval = "20 min"
wire = { kind = "mqtt", broker = "hall", topic = "m01", payload = { kind = "number" } }

[[instrument.channel]]
id = "m01.level"
quantity = "level"
unit = "mm"
range = [0.0, 1000.0]
resolution = 1.0

[[rule]]
kind = "loss"
id = "sumps"

[[rule]]
kind = "loss"
id = "burst"
"""


def site_file(folder: Path, text: str = SITE) -> Path:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_digest_of_a_week_is_written_as_files_that_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with shop(tmp_path) as one:
        one.well(WEEK.earlier(), WEEK)
        one.alarm(WEEK.from_ms + HOUR)
    out = tmp_path / "out"
    assert main(["digest", str(site_file(tmp_path)), "--week", "2031-W07", "--out", str(out)]) == 0
    named = capsys.readouterr().out.split()
    assert sorted(named) == sorted(str(file) for file in out.iterdir())
    found = json.loads((out / "digest.json").read_bytes())
    assert (found["week"], found["site"], found["format"]) == ("2031-W07", "North hall", "goodwater.digest/1")
    assert [one["verdict"] for one in found["instruments"]] == ["fine"] * 3
    # The alarm in the words of its own rule, not by its id.
    assert found["alarms"]["standing"][0]["first_line"] != "di.ec di-high"


@pytest.mark.parametrize("week", ["2031-W60", "next", "2031-07"])
def test_what_is_no_week_is_refused(tmp_path: Path, week: str, capsys: pytest.CaptureFixture[str]) -> None:
    with shop(tmp_path):
        pass
    out = tmp_path / "out"
    assert main(["digest", str(site_file(tmp_path)), "--week", week, "--out", str(out)]) == 2
    assert f'--week: "{week}" is no week: write 2031-W07' in capsys.readouterr().err
    assert not out.exists()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with shop(tmp_path):
        pass
    (tmp_path / "file").touch()
    arguments = [
        "digest",
        str(site_file(tmp_path)),
        "--week",
        "2031-W07",
        "--out",
        str(tmp_path / "file" / "x"),
    ]
    assert main(arguments) == 2
    assert "file" in capsys.readouterr().err


def test_losses_are_those_that_the_rule_remembers(tmp_path: Path) -> None:
    path = site_file(tmp_path, SITE + LOSS)
    day = Day(0, WEEK.from_ms + 24 * HOUR, 24.0, 8.0, 12.0, 5.0, 16.0, 1.0)
    state = loss.State({"m01": SumpState(Books(days=(day,)))})
    with shop(tmp_path, SITE + LOSS) as one:
        connection = one.store.writer.connection
        body = TypeAdapter(loss.State).dump_json(state).decode()
        connection.execute("insert into state values ('rule:sumps', ?, ?)", (loss.State.version, body))
        empty = TypeAdapter(loss.State).dump_json(loss.State({"m01": SumpState()})).decode()
        connection.execute("insert into state values ('rule:burst', ?, ?)", (loss.State.version, empty))
        assert state_part(connection, "rule:none") is None
        known = accounts(load(path), connection)
        assert known == {"m01": [Account(WEEK.from_ms + 24 * HOUR, 24.0, 12.0, 5.0)]}
        (sump,) = one.digest(accounts=known).sumps
        assert (sump.lost, sump.make_up, sump.make_up_by) == (12.0, 5.0, ("seen in the level",))
        connection.execute("update state set body = '{}', version = 1")
        assert accounts(load(path), connection) == {}
