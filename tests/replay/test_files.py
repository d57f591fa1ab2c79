"""`goodwater replay SITE --readings FILE...`: files through the heart that watches live."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.commands.readings import HEADER
from monitor.config import SiteFile
from monitor.readings import Event
from tests.heart.shop import SITE, Heart, di, sample, site, tick
from tests.heart.stored import StoredWatch
from tests.replay.shop import WITH_LOGGER, di_file, iso, logged, plain

HIGH = [
    (0, 5.0),
    (1, 25.0),
    (2, 25.1),
    (3, 25.0),
    (4, 25.1),
    (5, 5.0),
    (6, 5.1),
    (7, 5.0),
    (8, 5.1),
    (9, 5.0),
]


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    return site(tmp_path, WITH_LOGGER)


def table(capsys: pytest.CaptureFixture[str]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def replay(shop: SiteFile, *words: object) -> int:
    return main(["replay", str(shop.path), *map(str, words)])


def test_alarms_are_written_with_rule_channel_begin_end_priority_and_first_line(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay(shop, "--readings", di_file(tmp_path / "r.csv", HIGH)) == 0
    assert table(capsys) == [
        {
            "rule": "di-high",
            "channel": "di.ec",
            "start": "2026-06-01T08:04:00+02:00",
            "end": "2026-06-01T08:09:00+02:00",
            "priority": "high",
            "first_line": "DI outlet: conductivity 25.1 µS/cm, above 20.0 µS/cm",
        }
    ]


def test_files_give_the_alarms_that_the_same_readings_gave_live(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    events: list[Event] = []
    values = [*HIGH, (20, 30.0), (21, 30.1), (22, 30.0), (23, 30.1)]
    for minute, value in values:
        events += [tick(minute), *di([(minute, value)])]
    live = Heart(shop)
    live.see(*events)
    assert replay(shop, "--readings", di_file(tmp_path / "r.csv", values)) == 0
    starts = [row["start"] for row in table(capsys) if row["rule"] == "di-high"]
    raised = [at for cause, at in live.story("di-high") if cause == "raised"]
    assert [iso(at)[14:16] for at in raised] == [start[14:16] for start in starts] and len(starts) == 2


def test_what_goodwater_readings_writes_gives_the_alarms_there_were(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # permeate under compensation and a gate: the value as received counts, not the one at 25 degC
    shop = site(tmp_path, SITE)
    stored = StoredWatch(shop, shop.data_dir)
    events: list[Event] = []
    for minute in range(30):
        for name, value in (("ro.flow", 5.0), ("ro.t", 10.0), ("ro.ec", 15.0 + minute)):
            events.append(sample(name, minute, value))
        events.append(tick(minute))
    stored.commit(events)
    raised_ms = stored.state.alarms["ro-high"].since_ms
    stored.writer.close()
    assert main(["readings", str(shop.path)]) == 0
    (tmp_path / "r.csv").write_text(capsys.readouterr().out, encoding="utf-8")
    assert replay(shop, "--readings", tmp_path / "r.csv", "--rule", "ro-high") == 0
    (row,) = table(capsys)
    assert datetime.fromisoformat(row["start"]).timestamp() * 1000 == raised_ms
    assert raised_ms == sample("ro.ec", 6, 0).time_ms


def test_logger_files_are_read_as_the_site_file_describes_them(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # semicolons, decimal commas, the logger's own winter time, a last line without an end
    first = logged(tmp_path / "train-1.csv", [(0, "11,5", "500"), (5, "11,5", "500,5")])
    second = logged(tmp_path / "train-2.csv", [(10, "11,5", "900"), (15, "11,5", "901")])
    assert replay(shop, "--readings", second, first) == 0
    (row,) = table(capsys)
    assert (row["rule"], row["channel"], row["start"]) == ("tap-high", "tap.ec", "2026-06-01T08:15:00+02:00")
    assert "conductivity 901" in row["first_line"]  # the value at 08:10 waits for one that confirms the step


def test_a_file_whose_columns_are_the_loggers_is_read_whatever_it_is_called(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        replay(shop, "--readings", logged(tmp_path / "copy.txt", [(0, "11,5", "900"), (5, "11", "900")])) == 0
    )
    assert [row["rule"] for row in table(capsys)] == ["tap-high"]


def test_files_of_both_forms_are_judged_together_in_order_of_time(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logs = logged(tmp_path / "train-1.csv", [(0, "11,5", "900"), (5, "11,5", "900")])
    assert replay(shop, "--readings", logs, di_file(tmp_path / "r.csv", HIGH)) == 0
    assert [row["rule"] for row in table(capsys)] == ["tap-high", "di-high"]


def test_rows_in_any_order_are_judged_in_order_of_time(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay(shop, "--readings", di_file(tmp_path / "r.csv", reversed(HIGH))) == 0
    assert [row["rule"] for row in table(capsys)] == ["di-high"]


def test_a_file_from_before_goodwater_is_judged_like_a_new_one(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(iso(minute).replace("2026", "2019"), "di.ec", value) for minute, value in HIGH]
    assert replay(shop, "--readings", plain(tmp_path / "r.csv", rows)) == 0
    assert [row["start"] for row in table(capsys)] == ["2019-06-01T08:04:00+02:00"]


def test_silence_of_what_no_file_holds_is_not_told_and_that_of_others_is(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        replay(shop, "--readings", di_file(tmp_path / "r.csv", [(0, 5), (1, 5.1), (30, 5), (31, 5.1)])) == 0
    )
    (row,) = table(capsys)
    assert (row["rule"], row["channel"], row["end"]) == ("silent", "di-meter", "2026-06-01T08:31:00+02:00")


def test_an_alarm_that_still_stands_has_no_end(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay(shop, "--readings", di_file(tmp_path / "r.csv", HIGH[:5])) == 0
    (row,) = table(capsys)
    assert (row["rule"], row["end"]) == ("di-high", "")


def test_the_table_goes_to_a_file_and_what_was_left_out_beside_it(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = di_file(tmp_path / "r.csv", [*HIGH, (10, "?"), (11, 5)])
    assert replay(shop, "--readings", file, "--out", tmp_path / "alarms.csv") == 0
    said = capsys.readouterr()
    assert said.out == ""
    assert (tmp_path / "alarms.csv").read_text().splitlines()[
        0
    ] == "rule,channel,start,end,priority,first_line"
    assert "11 readings of 1 channels" in said.err and "1 alarms of 2 rules" in said.err
    assert "r.csv: 1 x not-a-number (line 12, di.ec: '?')" in said.err
    assert "not judged, since no file holds their channels: ro-high, tap-high" in said.err


def test_times_without_an_offset_are_those_of_the_zone_that_is_named(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(iso(minute)[:19], "di.ec", value) for minute, value in HIGH]
    assert replay(shop, "--readings", plain(tmp_path / "r.csv", rows), "--timezone", "Europe/Vienna") == 0
    assert [row["start"] for row in table(capsys)] == ["2026-06-01T06:04:00+02:00"]


def test_a_unit_beside_the_value_is_turned_into_the_channels(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(iso(minute), "di.ec", f"{value / 1000},mS/cm") for minute, value in HIGH]
    file = plain(tmp_path / "r.csv", rows, "time,channel,value,unit")
    assert replay(shop, "--readings", file) == 0
    assert [row["rule"] for row in table(capsys)] == ["di-high"]


def test_what_the_instrument_said_of_itself_is_read_from_the_reasons(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(iso(m), "di.ec", f"{v},uS/cm,bad,device-fault,judged,{v},uS/cm") for m, v in HIGH]
    assert replay(shop, "--readings", plain(tmp_path / "r.csv", rows, ",".join(HEADER))) == 0
    assert table(capsys) == []  # a meter that reports a fault says nothing of the water


WRONG = {
    "missing": (None, "no.csv: No such file or directory"),
    "empty": ("", "wrong.csv is empty"),
    "header": ("date,what\n1,2\n", "its first line says date, what. That is neither the plain form"),
    "export": ("time,di.ec [uS/cm],di.ec quality\n", "`goodwater readings` writes them as received"),
    "no rows": ("time,channel,value\n", "not one reading could be taken from the files"),
    "no offset": ("time,channel,value\n2026-06-01T06:00:00,di.ec,5\n", "line 2: the time"),
    "no time": ("time,channel,value\nyesterday,di.ec,5\n", 'line 2: "yesterday" is no time'),
    "channel": (
        "time,channel,value\n2026-06-01T06:00:00Z,xx.ec,5\n",
        '"xx.ec" is no channel of this site; there are: ro.flow',
    ),
    "short": ("time,channel,value\n2026-06-01T06:00:00Z\n", "line 2: time, channel and value are needed"),
    "unit": (
        "time,channel,value,unit\n2026-06-01T06:00:00Z,di.ec,5,bar\n",
        'unit "bar" cannot be turned into µS/cm',
    ),
    "gap": (
        "time,channel,value\n1999-06-01T06:00:00Z,di.ec,5\n2026-06-01T06:00:00Z,di.ec,5\n",
        "one of the two times was misread",
    ),
    "not a text": ("time,channel,value\n\udcff\udcff", "is not UTF-8 text"),
}  # fmt: skip


@pytest.mark.parametrize(("written", "said"), WRONG.values(), ids=WRONG)
def test_a_file_that_cannot_be_judged_is_refused_in_a_sentence(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str], written: str | None, said: str
) -> None:
    path = tmp_path / ("no.csv" if written is None else "wrong.csv")
    if written is not None:
        path.write_bytes(written.encode("utf-8", "surrogateescape"))
    assert replay(shop, "--readings", path) == 2
    told = capsys.readouterr()
    assert (
        (said in told.err and str(path) in told.err) or "not one reading" in told.err or "misread" in told.err
    )
    assert ("Traceback" not in told.err and told.out == "") or told.out.startswith("rule,")


def test_a_site_without_a_logger_says_so_of_a_loggers_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = logged(tmp_path / "train-1.csv", [(0, "11,5", "900")])
    assert replay(site(tmp_path, SITE), "--readings", file) == 2
    assert "this site file has no [[logger]]" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--out", "x.csv"), "--out goes with --readings FILE"),
        (("--timezone", "UTC"), "--timezone goes with --readings FILE"),
        (("--rule", "di-high"), "--rule goes with --readings or --explain"),
        (("--readings", "r.csv", "--rule", "none"), 'no rule "none"'),
        (("--readings", "r.csv", "--timezone", "Nowhere"), "IANA time zone list"),
        (("--readings", "r.csv", "--explain", "noon"), '"noon" is no time'),
        (("--readings", "r.csv", "--explain", "2026-06-01", "--out", "x"), "Leave one of them out"),
    ],
)
def test_words_that_do_not_go_together_are_refused(
    shop: SiteFile, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert replay(shop, *words) == 2
    assert said in capsys.readouterr().err
