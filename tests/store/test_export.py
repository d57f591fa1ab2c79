"""Exported tables: wide, units in the header, ISO times, the same figures as the store's."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pyarrow
import pyarrow.parquet
import pytest

from monitor.cli import main
from monitor.config import SiteFile
from monitor.readings import Reason, Standing
from monitor.store.settings import RetentionSettings
from tests.heart.shop import site
from tests.store.by_hand import summed_by_hand
from tests.store.kept import DAY, HOUR, MIDNIGHT, SITE, Kept, kept, minutely, reading
from tests.store.test_retention import keep_up, live

MINUTE = 60_000


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    return site(tmp_path, SITE)


@pytest.fixture
def one(shop: SiteFile, tmp_path: Path) -> Iterator[Kept]:
    """26 hours about a midnight of Vienna (22:00 UTC), some of it not summed up yet."""
    with kept(tmp_path, SITE) as made:
        made.store([*minutely("ro.flow", 26), *minutely("ro.ec", 26), *minutely("di.ec", 3)])
        made.sum_up(MIDNIGHT + 20 * HOUR)
        yield made


def exported(shop: SiteFile, *options: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, str]]:
    assert main(["export", str(shop.path), "-", *options]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_readings_of_all_channels_stand_side_by_side_with_their_quality(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with kept(tmp_path, SITE) as one:
        one.store(
            [
                reading("ro.flow", MIDNIGHT, 1.25),
                reading("ro.ec", MIDNIGHT, 8.0, Standing.GATED, reasons=Reason.JUMP),
                reading("di.ec", MIDNIGHT + 5_500, 0.1),
            ]
        )
    first, second = exported(shop, "--every", "readings", capsys=capsys)
    assert first == {
        "time": "2026-06-01T02:00:00.000+02:00",
        "ro.flow [L/min]": "1.25", "ro.flow quality": "good",
        "ro.t [degC]": "", "ro.t quality": "",
        "ro.ec [uS/cm]": "8", "ro.ec quality": "uncertain, gated",
        "di.ec [uS/cm]": "", "di.ec quality": "",
    }  # fmt: skip
    assert second["time"] == "2026-06-01T02:00:05.500+02:00"
    assert (second["di.ec [uS/cm]"], second["ro.flow [L/min]"]) == ("0.1", "")


@pytest.mark.parametrize(
    ("every", "width_ms", "first_ms", "n"),
    [
        ("minutes", MINUTE, MIDNIGHT, 26 * 60),
        ("hours", HOUR, MIDNIGHT, 26),
        ("days", 24 * HOUR, MIDNIGHT - 2 * HOUR, 2),
    ],
)
def test_sums_are_those_of_the_readings_whether_they_are_summed_up_yet_or_not(
    one: Kept,
    shop: SiteFile,
    capsys: pytest.CaptureFixture[str],
    every: str,
    width_ms: int,
    first_ms: int,
    n: int,
) -> None:
    rows = exported(shop, "--every", every, "--channel", "ro.flow", "--channel", "ro.ec", capsys=capsys)
    assert len(rows) == n
    for number, row in enumerate(rows):
        start = first_ms + number * width_ms
        expected = summed_by_hand(one.of("ro.ec", start, start + width_ms))
        assert expected is not None
        found = [float(row[f"ro.ec {what} [uS/cm]"]) for what in ("lowest", "highest", "mean")]
        assert found == pytest.approx(expected[3:6])
        assert (int(row["ro.ec readings"]), float(row["ro.ec good [percent]"])) == (expected.n, 100.0)
    assert "ro.ec flow-weighted mean [uS/cm]" in rows[0]
    assert "ro.flow flow-weighted mean [L/min]" not in rows[0]
    assert rows[0]["time"] == (
        "2026-06-01T00:00:00.000+02:00" if every == "days" else "2026-06-01T02:00:00.000+02:00"
    )


def test_days_whose_hours_are_gone_are_those_of_utc_and_counted_once(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with kept(tmp_path, SITE, quick=True) as one:
        live(one, 50)
        times = {"fast_raw": "14 days", "raw": "14 days", "minute": "14 days", "hour": "30 days"}
        keep_up(one, MIDNIGHT + 50 * DAY, RetentionSettings.model_validate(times))
    rows = exported(shop, "--every", "days", "--channel", "ro.flow", capsys=capsys)
    read = [int(row["ro.flow readings"]) for row in rows]
    assert read[:20] == [48] * 20
    # Where days of UTC end and the shop's begin, two hours are in both.
    assert sum(read) == 50 * 48 + 4


def test_a_span_is_cut_out_and_a_stamp_of_years_ahead_costs_no_years(
    one: Kept, shop: SiteFile, capsys: pytest.CaptureFixture[str]
) -> None:
    one.store([reading("di.ec", MIDNIGHT + 10**12, 5.0, Standing.BAD_TIME)])
    rows = exported(shop, "--every", "readings", "--channel", "di.ec", capsys=capsys)
    assert len(rows) == 181 and rows[-1]["di.ec quality"] == "good, bad time"
    span = ("--since", "2026-06-01T03:00", "--until", "2026-06-01T04:00")
    assert len(exported(shop, "--every", "readings", "--channel", "di.ec", *span, capsys=capsys)) == 60
    assert len(exported(shop, "--every", "hours", capsys=capsys)) == 26


def test_parquet_holds_the_same_as_csv_with_units_in_its_fields(
    one: Kept, shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for every in ("readings", "hours"):
        file = tmp_path / f"{every}.parquet"
        assert main(["export", str(shop.path), str(file), "--every", every]) == 0
        assert "rows" in capsys.readouterr().out
        table = pyarrow.parquet.read_table(file)
        rows = exported(shop, "--every", every, capsys=capsys)
        assert table.column_names == list(rows[0])
        assert table.schema.field("time").type == pyarrow.timestamp("ms", tz="UTC")
        for name in table.column_names[1:]:
            written = [row[name] for row in rows]
            read = table.column(name).to_pylist()
            assert [
                None if w == "" else (w if isinstance(r, str) else float(w))
                for w, r in zip(written, read, strict=True)
            ] == [r if not isinstance(r, float) else float(f"{r:.10g}") for r in read]
    field = pyarrow.parquet.read_schema(tmp_path / "hours.parquet").field("ro.ec mean [uS/cm]")
    assert field.metadata == {b"channel": b"ro.ec", b"what": b"mean", b"unit": b"uS/cm"}


def test_without_pyarrow_parquet_is_refused_in_words_and_csv_works(
    one: Kept,
    shop: SiteFile,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", str(shop.path), str(tmp_path / "x.parquet")]) == 2
    assert "pip install pyarrow" in capsys.readouterr().err
    assert main(["export", str(shop.path), str(tmp_path / "x.csv")]) == 0
    assert sorted(path.name for path in tmp_path.glob("x.*")) == ["x.csv"]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("x.xlsx", "ends in .csv or .parquet"),
        ("nowhere/x.csv", "is no folder"),
        ("there.csv", "nothing is overwritten"),
    ],
)
def test_a_file_that_cannot_be_is_refused(
    one: Kept, shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, said: str
) -> None:
    (tmp_path / "there.csv").touch()
    assert main(["export", str(shop.path), str(tmp_path / name)]) == 2
    assert said in capsys.readouterr().err


def test_a_channel_nobody_knows_is_refused(
    shop: SiteFile, one: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(shop.path), "-", "--channel", "ro.ex"]) == 2
    assert 'no channel "ro.ex"' in capsys.readouterr().err
