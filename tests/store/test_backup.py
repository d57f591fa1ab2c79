"""A backup is of one moment, checked, and comes back whole; nothing there is ever overwritten or lost."""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.config import SiteFile
from monitor.readings import Tick
from monitor.store import backup, reader, replaced
from monitor.store.backup import BackupError, Manifest, back_up, manifest_path, verified
from monitor.store.files import STORE, hold, open_reader
from monitor.store.writer import Batch, Writer
from tests.heart.shop import START_MS, site
from tests.store.kept import DAY, MIDNIGHT, Kept, kept, minutely, reading

NAME = "copy.db"


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Kept]:
    with kept(tmp_path, quick=True) as made:
        made.store(minutely("ro.flow", 24))
        yield made


def held(file: Path) -> int:
    with contextlib.closing(sqlite3.connect(file)) as connection:
        return int(connection.execute("select count(*) from reading").fetchone()[0])


def test_a_backup_is_of_the_moment_it_began_however_much_is_written_meanwhile(
    one: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup, "_PAGES_AT_ONCE", 3)
    shares: list[float] = []

    def write_on(share: float) -> None:
        shares.append(share)
        assert len(shares) < 40, "the copy begins anew again and again"
        start = START_MS + len(shares) * 3_600_000
        one.store([reading("di.ec", start + n, 1.0) for n in range(100)])
        if len(shares) == 2:
            one.writer.connection.execute("pragma wal_checkpoint(passive)")

    manifest = back_up(one.data, tmp_path / NAME, "shop", START_MS, write_on)
    assert shares == sorted(shares) and len(shares) > 4
    assert held(tmp_path / NAME) == manifest.rows["reading"] == 1440
    assert len(one.rows("select * from reading")) == 1440 + 100 * len(shares)


def test_the_manifest_says_what_is_in_the_file(one: Kept, tmp_path: Path) -> None:
    manifest = back_up(one.data, tmp_path / NAME, "shop", START_MS)
    assert Manifest.beside(tmp_path / NAME) == manifest
    assert (manifest.site, manifest.last_event) == ("shop", 1440)
    assert manifest.first_reading == "2026-06-01T00:00:00.007+00:00"
    assert manifest.made == "2026-06-01T06:00:00.000+00:00"
    assert manifest.bytes == (tmp_path / NAME).stat().st_size
    assert verified(tmp_path / NAME) == manifest
    assert sorted(path.name for path in tmp_path.glob(f"{NAME}*")) == [NAME, f"{NAME}.json"]
    # One file by itself: its header (bytes 18, 19) asks for no log, so it is read where nobody may write.
    assert (tmp_path / NAME).read_bytes()[18:20] == b"\x01\x01"


def spoil(file: Path) -> None:
    with file.open("r+b") as opened:
        opened.seek(10 * 4096)
        opened.write(b"\xa5" * 4096)


def cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-4096])


def without_manifest(file: Path) -> None:
    manifest_path(file).unlink()
    spoil(file)


def nonsense_beside(file: Path) -> None:
    manifest_path(file).write_text("{}")


def of_later_version(file: Path) -> None:
    with contextlib.closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("insert into migration values ('9999 from the future', 0)")
    manifest_path(file).unlink()


def other_rows(file: Path) -> None:
    told = json.loads(manifest_path(file).read_text())
    told["rows"]["reading"] += 1
    manifest_path(file).write_text(json.dumps(told))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (spoil, "it was changed"),
        (cut, "it was changed"),
        (without_manifest, "damaged|no whole store"),
        (nonsense_beside, "no manifest"),
        (of_later_version, "later version"),
        (other_rows, "does not hold the rows"),
        (Path.unlink, "is no file"),
    ],
)
def test_a_backup_that_is_not_what_it_should_be_is_refused_and_the_store_stays(
    one: Kept, tmp_path: Path, change: object, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = site(tmp_path)
    back_up(one.data, tmp_path / NAME, "shop", START_MS)
    change(tmp_path / NAME)  # type: ignore[operator]
    before = (one.data / STORE).read_bytes()
    assert main(["restore", str(shop.path), str(tmp_path / NAME)]) == 1
    assert any(words in capsys.readouterr().err for words in said.split("|"))
    assert (one.data / STORE).read_bytes() == before
    assert not replaced.waiting_place(one.data).exists()


def test_a_damaged_store_gives_no_backup(one: Kept, tmp_path: Path) -> None:
    one.writer.connection.execute("pragma wal_checkpoint(truncate)")
    spoil(one.data / STORE)
    with pytest.raises(BackupError, match=r"damaged|no whole store"):
        back_up(one.data, tmp_path / NAME, "shop", START_MS)
    assert list(tmp_path.glob(f"{NAME}*")) == []


def test_nothing_is_overwritten_and_a_full_disk_is_told_beforehand(
    one: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / NAME).write_text("somebody's")
    with pytest.raises(BackupError, match="nothing is overwritten"):
        back_up(one.data, tmp_path / NAME, "shop", START_MS)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: type("Usage", (), {"free": 1_000_000}))
    with pytest.raises(BackupError, match="has 1 MB left, the backup needs"):
        back_up(one.data, tmp_path / "other.db", "shop", START_MS)


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    """A site whose store was backed up and then written on; no watch runs."""
    shop = site(tmp_path)
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 3))
        back_up(one.data, tmp_path / NAME, "shop", START_MS)
        one.store(minutely("di.ec", 1))
    (shop.data_dir / "logger-hall.json").write_text("places")
    return shop


def stored(shop: SiteFile) -> int:
    return held(shop.data_dir / STORE)


def test_a_restored_store_is_the_one_that_was_backed_up_and_the_old_one_is_kept(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["restore", str(shop.path), str(tmp_path / NAME)]) == 0
    assert "180 readings" in capsys.readouterr().out
    assert stored(shop) == 180
    (old,) = shop.data_dir.glob("goodwater.before-restore-*.db")
    assert held(old) == 240
    # What says how far loggers were read into the old store goes with it.
    assert not (shop.data_dir / "logger-hall.json").exists()
    event = replaced.replaced(shop.data_dir)
    assert event is not None and (event.what, event.detail, event.file) == ("restored", NAME, old.name)
    # And back again, with the log that the old one may have beside it.
    replaced.told(shop.data_dir)
    assert main(["restore", str(shop.path), str(old)]) == 0
    assert stored(shop) == 240
    with contextlib.closing(Writer(shop.data_dir, START_MS, str)) as writer:
        writer.commit(Batch(START_MS, events=[(10_000, Tick(START_MS))]))


def test_what_is_only_in_the_log_of_a_store_set_aside_comes_back_too(shop: SiteFile, tmp_path: Path) -> None:
    aside = tmp_path / "aside.db"
    with kept(tmp_path) as one:
        one.writer.connection.execute("pragma wal_autocheckpoint = 0")
        one.store(minutely("ro.t", 1))
        for tail in ("", "-wal"):
            shutil.copyfile(one.data / f"{STORE}{tail}", f"{aside}{tail}")
    assert main(["restore", str(shop.path), str(aside)]) == 0
    assert stored(shop) == 300


def test_a_store_in_use_is_not_replaced(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with hold(shop.data_dir):
        assert main(["restore", str(shop.path), str(tmp_path / NAME)]) == 2
    assert "stop it first" in capsys.readouterr().err
    assert stored(shop) == 240


def test_the_backup_of_another_site_is_refused(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest = Manifest.beside(tmp_path / NAME)
    assert manifest is not None
    manifest_path(tmp_path / NAME).write_text(json.dumps(asdict(manifest) | {"site": "elsewhere"}))
    assert main(["restore", str(shop.path), str(tmp_path / NAME)]) == 1
    assert 'backup of site "elsewhere"' in capsys.readouterr().err


@pytest.mark.parametrize("moved", [[], ["-wal"], ["-wal", ""]])
def test_a_restore_killed_half_way_is_finished_by_the_next_start(
    shop: SiteFile, tmp_path: Path, moved: list[str]
) -> None:
    data = shop.data_dir
    (data / f"{STORE}-wal").write_bytes(b"")
    shutil.copyfile(tmp_path / NAME, replaced.waiting_place(data))
    replaced.note_restored(data, NAME, START_MS)
    event = replaced.replaced(data)
    assert event is not None
    for tail in moved:
        (data / f"{STORE}{tail}").rename(data / f"{event.file}{tail}")
    assert replaced.put_in_place(data) == event.file
    assert stored(shop) == 180
    assert held(data / event.file) == 240
    assert replaced.put_in_place(data) is None


def test_a_restore_killed_before_it_was_decided_changes_nothing(shop: SiteFile, tmp_path: Path) -> None:
    replaced.waiting_place(shop.data_dir).write_bytes(b"half a copy")
    assert replaced.put_in_place(shop.data_dir) is None
    assert stored(shop) == 240
    assert main(["restore", str(shop.path), str(tmp_path / NAME)]) == 0
    assert stored(shop) == 180


def test_a_folder_is_given_a_file_of_its_own_and_one_that_is_none_is_named(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "backups").mkdir()
    assert main(["backup", str(shop.path), str(tmp_path / "backups")]) == 0
    out = capsys.readouterr().out
    (file,) = (tmp_path / "backups").glob("goodwater-shop-*Z.db")
    assert str(file) in out and "240 readings" in out
    assert verified(file) is not None
    assert main(["backup", str(shop.path), str(tmp_path / "nowhere") + "/"]) == 2
    assert main(["backup", str(shop.path), str(tmp_path / "nowhere" / "x.db")]) == 2
    assert "is no folder" in capsys.readouterr().err


def test_readings_come_back_as_they_were(shop: SiteFile, tmp_path: Path) -> None:
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        before = list(reader.readings(connection, "ro.flow"))
    main(["restore", str(shop.path), str(tmp_path / NAME)])
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        assert list(reader.readings(connection, "ro.flow")) == before


def test_of_a_damaged_store_is_taken_what_can_still_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = site(tmp_path)
    with kept(tmp_path) as one:
        one.store([*minutely("ro.flow", 24 * 4), *minutely("di.ec", 24 * 4)])
        one.sum_up(MIDNIGHT + 5 * DAY)
        one.writer.connection.execute("pragma wal_checkpoint(truncate)")
        (pages,), (size,) = one.rows("pragma page_count")[0], one.rows("pragma page_size")[0]
        before = {(r.channel, r.time_ms): r.raw for r in one.of("ro.flow") + one.of("di.ec")}
    damaged = shop.data_dir / "goodwater.damaged.db"
    (shop.data_dir / STORE).rename(damaged)
    with damaged.open("r+b") as file:
        for page in (pages // 3, pages // 2, pages // 2 + 5, pages - 20):
            file.seek(page * size)
            file.write(b"\xa5" * size)
    content = damaged.read_bytes()
    assert main(["restore", str(shop.path), str(damaged)]) == 1
    assert main(["restore", str(shop.path), str(damaged), "--salvage"]) == 0
    out = capsys.readouterr().out
    assert "reading" in out and "in part" in out and "no store before" in out
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        assert connection.execute("pragma integrity_check").fetchone()[0] == "ok"
        found = {
            (name, r.time_ms): r.raw
            for name in ("ro.flow", "di.ec")
            for r in reader.readings(connection, name)
        }
    assert 0.9 * len(before) < len(found) < len(before)
    assert found.items() <= before.items()
    assert damaged.read_bytes() == content
    with contextlib.closing(Writer(shop.data_dir, START_MS, str)) as writer:
        writer.commit(Batch(START_MS, events=[(10**6, Tick(START_MS))]))


def test_of_what_is_no_store_at_all_nothing_can_be_salvaged_and_the_store_stays(
    shop: SiteFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "noise.db").write_bytes(b"garbage " * 1000)
    assert main(["restore", str(shop.path), str(tmp_path / "noise.db"), "--salvage"]) == 1
    assert "nothing of" in capsys.readouterr().err
    assert stored(shop) == 240
