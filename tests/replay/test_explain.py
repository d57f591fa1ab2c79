"""`goodwater replay SITE --readings FILE --explain TIME`: why a rule spoke at a moment, or did not."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.cli import main
from monitor.config import SiteFile
from tests.heart.shop import SITE, di, site, tick
from tests.heart.stored import StoredWatch
from tests.replay.shop import di_file, iso, plain

HIGH = [(n, 5.0 + n % 2 / 10) for n in range(10)] + [(n, 25.0 + n % 2 / 10) for n in range(10, 20)]


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    return site(tmp_path, SITE)


def why(
    shop: SiteFile, file: Path, minute: float, capsys: pytest.CaptureFixture[str], rule: str = "di-high"
) -> str:
    words = ["replay", str(shop.path), "--readings", str(file), "--explain", iso(minute), "--rule", rule]
    assert main(words) == 0
    return capsys.readouterr().out


def test_a_rule_that_did_not_speak_shows_its_value_beside_its_limit(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = why(shop, di_file(tmp_path / "r.csv", HIGH), 8.5, capsys)
    assert "At 2026-06-01 08:08:30 +0200:" in said
    assert "di-high (limit, high): it did not speak: what it looks for was not so" in said
    assert "di.ec: 5.0 µS/cm at 08:08:00 (30 s before), good; before it 5.1 µS/cm, 5.0 µS/cm" in said
    assert "above 20.0 µS/cm is too much" in said and "last judged: 5.0 µS/cm" in said


def test_a_step_that_waits_for_its_confirmation_is_said_to_be_waiting(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = why(shop, di_file(tmp_path / "r.csv", HIGH), 10.5, capsys)
    assert "it did not speak" in said
    assert "25.0 µS/cm at 08:10:00: not judged, so large a step waits for the next value" in said


def test_a_condition_that_holds_says_when_it_becomes_an_alarm(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = why(shop, di_file(tmp_path / "r.csv", HIGH), 11.5, capsys)
    assert "it had not spoken yet, and waited: di-high" in said
    assert "no alarm yet, on_delay 2 min: it is one at 08:13:00 if it goes on" in said


def test_an_alarm_says_since_when_who_was_told_and_what_makes_it_well(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = why(shop, di_file(tmp_path / "r.csv", HIGH), 15, capsys)
    assert "it spoke, and its alarm stands: di-high" in said
    assert "it holds, since 08:11:00" in said and "told to Maintenance lead, Deputy" in said
    assert "well again only beyond the deadband, at 16.0 µS/cm" in said


def test_an_alarm_on_its_way_back_says_when_it_returns(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    back = [*HIGH, (20, 5.0), (21, 5.1), (22, 5.0), (23, 5.1)]
    said = why(shop, di_file(tmp_path / "r.csv", back), 22.5, capsys)
    assert "off_delay 3 min: it returns at 08:24:00 if it stays so" in said


def test_a_closed_gate_says_how_far_it_is_from_opening(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = []
    for minute in range(12):
        flow = 2.0 if minute >= 9 else 0.0
        rows += [
            (iso(minute), "ro.flow", flow),
            (iso(minute), "ro.t", 20),
            (iso(minute), "ro.ec", 90 + minute),
        ]
    file = plain(tmp_path / "r.csv", rows)
    said = why(shop, file, 5.5, capsys, "ro-high")
    assert "ro-high (limit, medium): it did not speak: it could not judge yet" in said
    assert "stored, not judged: the gate was not open" in said
    assert "ro.ec's gate: closed: no water ran; it opens after 3 min or 10 L of running water" in said
    said = why(shop, file, 11.5, capsys, "ro-high")
    assert "ro.ec's gate: closed: water has run for 2 min, 4 L; it opens after 3 min or 10 L" in said


def test_without_the_flow_the_gate_is_said_to_be_unknown(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = plain(tmp_path / "r.csv", [(iso(m), "ro.ec", 20 + m % 3) for m in range(20)])
    said = why(shop, file, 19.5, capsys, "ro-high")
    assert (
        "ro.ec's gate: unknown, since nothing fresh says whether water runs (ro.flow: nothing heard" in said
    )
    assert "ro.flow" in said and "uncertain" in said


def test_silence_is_shown_beside_what_is_allowed(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = di_file(tmp_path / "r.csv", [(0, 5.0), (1, 5.1), (2, 5.0), (20, 5.0)])
    said = why(shop, file, 4.5, capsys, "silent")
    assert "di.ec last spoke at 08:02:00 (2 min before)" in said
    assert "silence allowed: 3 min" in said and "it did not speak" in said
    assert "it spoke, and its alarm stands: silent/di-meter" in why(shop, file, 8, capsys, "silent")


def test_without_a_rule_named_all_are_explained_and_those_that_no_file_feeds_are_named(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = di_file(tmp_path / "r.csv", HIGH)
    assert main(["replay", str(shop.path), "--readings", str(file), "--explain", "2026-06-01T08:05"]) == 0
    said = capsys.readouterr().out
    assert [line.split(" ")[0] for line in said.splitlines() if line[:1].isalpha()][1:3] == [
        "di-high",
        "silent",
    ]
    assert "Not judged, since no file holds their channels: ro-high" in said


@pytest.mark.parametrize(
    ("minute", "said"),
    [(-5, "there is no reading before 2026-06-01 07:55:00"), (60, "the readings end at 2026-06-01 08:20:00")],
)
def test_a_moment_that_the_readings_do_not_reach_is_refused(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str], minute: float, said: str
) -> None:
    file = di_file(tmp_path / "r.csv", HIGH)
    assert main(["replay", str(shop.path), "--readings", str(file), "--explain", iso(minute)]) == 2
    assert said in capsys.readouterr().err


def test_what_is_stored_is_explained_as_well(shop: SiteFile, capsys: pytest.CaptureFixture[str]) -> None:
    stored = StoredWatch(shop, shop.data_dir)
    for minute, value in HIGH:
        stored.commit([*di([(minute, value)]), tick(int(minute))])
    stored.writer.close()
    assert main(["replay", str(shop.path), "--explain", iso(15), "--rule", "di-high"]) == 0
    assert "it spoke, and its alarm stands: di-high" in capsys.readouterr().out
