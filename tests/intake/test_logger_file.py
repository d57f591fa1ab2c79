"""Logger files followed: growing, cut off, renamed, replaced, many, and read on after a restart."""

from __future__ import annotations

import csv
import json
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.intake.driver import LinkChange, Parcel
from monitor.intake.logger_file import MOST_SAMPLES, LoggerFileDriver
from monitor.intake.logger_place import START, load_places
from monitor.intake.logger_reader import LoggerFile
from monitor.intake.logger_rows import Form
from monitor.intake.logger_settings import Logger, Wire
from simulator.wires.logger import write_logger_csv
from simulator.year import simulate
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.waiting import eventually, stays

BEGIN_S = 1_750_000_000


def row(minute: int, *values: object) -> str:
    moment = datetime.fromtimestamp(BEGIN_S + 60 * minute, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return ",".join([moment, *map(str, values)]) + "\n"


def rows(*minutes: int) -> str:
    return "".join(row(minute, minute) for minute in minutes)


def minutes(recorder: Recorder) -> list[int]:
    return [((sample.time_ms or 0) // 1000 - BEGIN_S) // 60 for sample in recorder.samples]


class Shelf:
    """A folder that a logger writes to, and drivers that read it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.running: list[LoggerFileDriver] = []

    def write(self, name: str, text: str, mode: str = "w") -> None:
        with (self.folder / name).open(mode, encoding="utf-8", newline="") as file:
            file.write(text)

    def add(self, name: str, text: str) -> None:
        self.write(name, text, "a")

    def read(
        self,
        recorder: Callable[[Parcel | LinkChange], None],
        values: dict[str, Any] | None = None,
        grace_s: float = 0.2,
        **more: Any,
    ) -> LoggerFileDriver:
        """Start a driver on the folder's files."""
        made = Logger.model_validate(
            {"id": "train", "files": ["train*.csv"], "time": ["time"], "every": "20 ms", **more}
        )
        wire = Wire.model_validate({"logger": "train", "values": values or {"ec": "EC"}})
        driver = LoggerFileDriver(
            made, [meter(wire, *wire.values)], recorder, StillClock(),
            folder=self.folder, data=self.folder, zone="UTC", delays=soon, stop_grace_s=grace_s,
        )  # fmt: skip
        driver.start()
        self.running.append(driver)
        return driver


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Shelf]:
    made = Shelf(tmp_path)
    yield made
    for driver in made.running:
        driver.stop()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


def test_what_is_in_a_file_is_read_first_and_then_what_comes(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    shelf.read(recorder)
    eventually(lambda: minutes(recorder) == [0, 1])
    shelf.add("train.csv", rows(2))
    eventually(lambda: minutes(recorder) == [0, 1, 2])
    assert recorder.values == [0, 1, 2] and recorder.counts == []


def test_a_line_counts_once_its_end_is_there(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + row(0, 12))
    shelf.read(recorder)
    eventually(lambda: recorder.values == [12])
    whole = row(1, 345.5)
    shelf.add("train.csv", whole[:-4])  # "...,34": a number, and a wrong one
    stays(lambda: recorder.values == [12], 0.2)
    shelf.add("train.csv", whole[-4:])
    eventually(lambda: recorder.values == [12, 345.5])


def test_half_a_heading_is_waited_for(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,")
    shelf.read(recorder)
    eventually(recorder.is_up)
    shelf.add("train.csv", "EC\n" + rows(0))
    eventually(lambda: minutes(recorder) == [0])
    assert recorder.counts == []


def test_a_new_file_in_the_folder_is_taken_as_it_comes(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train-1.csv", "time,EC\n" + rows(0))
    shelf.read(recorder)
    eventually(lambda: minutes(recorder) == [0])
    shelf.write("train-2.csv", "time,EC\n" + rows(1))
    eventually(lambda: minutes(recorder) == [0, 1])


def test_a_file_written_anew_is_read_from_its_beginning(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1, 2))
    shelf.read(recorder)
    eventually(lambda: len(recorder.values) == 3)
    shelf.write("train.csv", "EC,time\n" + "".join(f"{m},{row(m).strip()}\n" for m in range(10, 20)))
    eventually(lambda: minutes(recorder)[3:] == list(range(10, 20)))
    assert recorder.values[3:] == list(range(10, 20))


def test_a_file_copied_anew_with_more_rows_is_read_on(shelf: Shelf, recorder: Recorder) -> None:
    """As a logger's program does that writes a whole new file and puts it in the old one's place."""
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    shelf.read(recorder)
    eventually(lambda: len(recorder.values) == 2)
    shelf.write("new", "time,EC\n" + rows(0, 1, 2))
    (shelf.folder / "new").rename(shelf.folder / "train.csv")
    eventually(lambda: minutes(recorder) == [0, 1, 2])


def test_a_file_put_aside_under_another_name_is_not_read_again(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    shelf.read(recorder)
    eventually(lambda: len(recorder.values) == 2)
    shelf.add("train.csv", rows(2))
    (shelf.folder / "train.csv").rename(shelf.folder / "train-old.csv")
    eventually(lambda: minutes(recorder) == [0, 1, 2])
    shelf.write("train.csv", "time,EC\n" + rows(3))
    eventually(lambda: minutes(recorder) == [0, 1, 2, 3])


def test_rows_of_several_files_come_in_order_of_time(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train-a.csv", "time,EC\n" + rows(4, 5, 6, 7))
    shelf.write("train-b.csv", "time,EC\n" + rows(0, 1, 2, 3))
    shelf.write("train-c.csv", "time,T\n" + rows(0, 2, 5, 9))
    shelf.read(recorder, {"ec": "EC", "t": "T"})
    eventually(lambda: len(recorder.samples) == 12)
    assert minutes(recorder) == sorted(minutes(recorder))
    assert recorder.counts == []  # each column is in one of the files


def test_after_a_restart_reading_goes_on_behind_what_was_stored(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    first, second = Recorder(), Recorder()
    driver = shelf.read(first)
    eventually(lambda: minutes(first) == [0, 1])
    driver.stop()
    shelf.add("train.csv", rows(2, 3))
    shelf.read(second)
    eventually(lambda: second.samples)
    assert minutes(second) == [2, 3]


def test_what_was_not_acknowledged_is_handed_over_again_after_a_restart(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    first, second = Recorder(acknowledging=False), Recorder()
    driver = shelf.read(first)
    eventually(lambda: minutes(first) == [0, 1])
    driver.stop()
    shelf.read(second)
    eventually(lambda: minutes(second) == [0, 1])


def test_an_acknowledgement_that_comes_while_stopping_is_waited_for(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    first = Recorder(acknowledging=False)
    driver = shelf.read(first, grace_s=5.0)
    eventually(lambda: len(first.samples) == 2)
    (parcel,) = first.parcels
    assert parcel.acknowledge is not None
    stopping = threading.Thread(target=driver.stop)
    stopping.start()
    eventually(lambda: not driver._thread.is_alive())
    for _ in range(2):  # as often as anybody likes
        parcel.acknowledge()
    stopping.join()
    (place,) = json.loads((shelf.folder / "logger-train.json").read_text())["files"].values()
    assert place["offset"] == (shelf.folder / "train.csv").stat().st_size


def test_an_acknowledgement_given_again_later_moves_nothing_back(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(*range(2 * MOST_SAMPLES)))
    first = Recorder(acknowledging=False)
    driver = shelf.read(first)
    eventually(lambda: len(first.parcels) == 2)
    early, late = (parcel.acknowledge for parcel in first.parcels)
    assert early is not None and late is not None
    for acknowledge in (early, late, early):
        acknowledge()
    driver.stop()
    (place,) = json.loads((shelf.folder / "logger-train.json").read_text())["files"].values()
    assert place["offset"] == (shelf.folder / "train.csv").stat().st_size


def test_other_settings_read_the_files_anew(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC,T\n" + row(0, 1, 20))
    first, second = Recorder(), Recorder()
    driver = shelf.read(first)
    eventually(lambda: first.values == [1])
    driver.stop()
    shelf.read(second, {"ec": "EC", "t": "T"})
    eventually(lambda: sorted(second.values) == [1, 20])


@pytest.mark.parametrize(
    "kept",
    [b"", b"\xff{", b"[]", b'{"form": 1}', b'{"form": "x", "files": {"a": {"offset": "far"}}}'],
)
def test_places_that_cannot_be_read_cost_nothing_but_reading_anew(
    shelf: Shelf, recorder: Recorder, kept: bytes
) -> None:
    (shelf.folder / "logger-train.json").write_bytes(kept)
    assert load_places(shelf.folder / "logger-train.json", "x") == {}
    shelf.write("train.csv", "time,EC\n" + rows(0))
    shelf.read(recorder)
    eventually(lambda: minutes(recorder) == [0])


def test_a_folder_that_vanishes_for_a_while_is_not_read_again(shelf: Shelf, recorder: Recorder) -> None:
    (shelf.folder / "share").mkdir()
    shelf.write("share/log.csv", "time,EC\n" + rows(0, 1))
    shelf.read(recorder, files=["share/*.csv"])
    eventually(lambda: len(recorder.values) == 2)
    (shelf.folder / "share").rename(shelf.folder / "away")
    eventually(recorder.is_down)
    assert "no file share/*.csv" in recorder.links[-1].detail
    (shelf.folder / "away").rename(shelf.folder / "share")
    eventually(recorder.is_up)
    shelf.add("share/log.csv", rows(2))
    eventually(lambda: minutes(recorder) == [0, 1, 2])


def test_parcels_stay_small(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC,T\n" + "".join(row(m, m, m) for m in range(2000)))
    shelf.read(recorder, {"ec": "EC", "t": "T"})
    eventually(lambda: len(recorder.samples) == 4000)
    sizes = [len(parcel.samples) for parcel in recorder.parcels]
    assert max(sizes) <= MOST_SAMPLES and len(sizes) == 8
    assert all(parcel.acknowledge is not None for parcel in recorder.parcels)


def test_a_line_without_end_is_dropped_and_the_next_is_read(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + "x" * 300_000)
    shelf.read(recorder)
    eventually(recorder.is_up)
    shelf.add("train.csv", "x" * 100_000 + "\n" + rows(5))
    eventually(lambda: minutes(recorder) == [5])
    assert recorder.slugs == ["line-too-long"]


def test_zeros_of_a_file_made_beforehand_are_waited_behind(shelf: Shelf, recorder: Recorder) -> None:
    path = shelf.folder / "train.csv"
    path.write_bytes(("time,EC\n" + rows(0)).encode() + b"\0" * 200_000)
    shelf.read(recorder)
    eventually(lambda: minutes(recorder) == [0])
    text = ("time,EC\n" + rows(0, 1)).encode()
    path.write_bytes(text + b"\0" * 200_001)
    eventually(lambda: minutes(recorder) == [0, 1])
    assert recorder.counts == []


def test_a_heading_written_again_is_no_row_and_may_have_other_columns(
    shelf: Shelf, recorder: Recorder
) -> None:
    shelf.write("train.csv", "time,EC\nUTC,uS/cm\n" + row(0, 1) + "time,EC\nUTC,uS/cm\n" + row(1, 2))
    shelf.read(recorder, unit_row=True)
    eventually(lambda: recorder.values == [1, 2])
    shelf.add("train.csv", "time,T,EC\nUTC,degC,uS/cm\n" + row(2, 20, 3))
    eventually(lambda: recorder.values == [1, 2, 3])
    shelf.add("train.csv", "time,T,EC\nUTC,degC,mS/cm\n" + row(3, 20, 0.003))
    eventually(lambda: recorder.counts)
    assert recorder.values == [1, 2, 3]
    assert [(c.what, c.subject) for c in recorder.counts] == [("wrong-unit", "ec")]
    assert '"mS/cm"' in recorder.counts[0].detail


def test_a_heading_with_other_columns_is_remembered_over_a_restart(shelf: Shelf) -> None:
    shelf.write("train.csv", "time,EC\n" + row(0, 1) + "time,T,EC\n" + row(1, 20, 2))
    first, second = Recorder(), Recorder()
    driver = shelf.read(first)
    eventually(lambda: first.values == [1, 2])
    driver.stop()
    shelf.add("train.csv", row(2, 21, 3))
    shelf.read(second)
    eventually(lambda: second.values == [3])


def test_a_column_that_stands_in_no_file_is_told_once(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0))
    shelf.read(recorder, {"ec": "EC", "t": "Temp"})
    eventually(lambda: recorder.slugs == ["missing-column"])
    shelf.add("train.csv", rows(1, 2))
    eventually(lambda: minutes(recorder) == [0, 1, 2])
    (count,) = recorder.counts
    assert count.subject == "t" and count.detail == 'no column "Temp" in train.csv'


def test_a_file_without_its_time_column_is_told_and_not_read(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "zeit,EC\n" + rows(0))
    shelf.read(recorder)
    eventually(lambda: recorder.slugs == ["missing-column"])
    assert recorder.counts[0].subject == "train.csv" and recorder.samples == []


def test_a_file_that_cannot_be_opened_is_told_once_and_read_when_it_can(
    shelf: Shelf, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf.write("train-1.csv", "time,EC\n" + rows(0))
    shelf.write("train-2.csv", "time,EC\n" + rows(1))
    opened, locked = Path.open, [True]

    def refuse(path: Path, *rest: Any, **more: Any) -> Any:
        if locked[0] and path.name == "train-1.csv":
            raise PermissionError(13, "Permission denied")
        return opened(path, *rest, **more)

    monkeypatch.setattr(Path, "open", refuse)  # root may open any file, so rights would not do
    shelf.read(recorder)
    eventually(lambda: minutes(recorder) == [1])
    stays(lambda: recorder.slugs == ["unreadable-file"], 0.2)
    locked[0] = False
    eventually(lambda: minutes(recorder) == [1, 0])


def test_files_are_only_read(shelf: Shelf, recorder: Recorder) -> None:
    shelf.write("train.csv", "time,EC\n" + rows(0, 1))
    path = shelf.folder / "train.csv"
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    shelf.read(recorder)
    eventually(lambda: len(recorder.values) == 2)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert sorted(p.name for p in shelf.folder.iterdir() if not p.name.startswith("logger-")) == ["train.csv"]


def test_the_simulators_logger_files_are_read_whole_and_in_order(shelf: Shelf, recorder: Recorder) -> None:
    run = simulate("hall3", [], seed=4, start="2025-03-04", days=1)
    written = write_logger_csv(run, shelf.folder)
    columns = {"permeate": "permeate_ec", "air": "air_c", "m01": "M01_level"}
    shelf.read(recorder, columns, files=["*.csv"])
    expected = 0
    for path in written:
        with path.open(encoding="utf-8") as file:
            expected += sum(bool(line.get(c)) for line in csv.DictReader(file) for c in columns.values())
    eventually(lambda: len(recorder.samples) + len(recorder.counts) == expected, 30)
    assert minutes(recorder) == sorted(minutes(recorder))
    assert expected > 2900


# ---------------------------------------------------------------- one file, without a driver

LOGGER = Logger.model_validate({"id": "l", "files": ["x"], "time": ["time"]})
WHOLE = (
    "time,EC\n" + rows(*range(30)) + "time,T,EC\n" + "".join(row(m, 0, m) for m in range(30, 40))
).encode()


def pieces_read(path: Path, cuts: list[tuple[int, bool]]) -> list[float]:
    """The values of a file that grows by pieces; after some of them the reader begins anew at its place."""
    channel = meter(Wire(logger="l", values={"ec": "EC"}), "ec").channel[0]
    form = Form(LOGGER, {"ec": "EC"}, {"ec": channel}, "UTC")
    place, values = START, []
    path.write_bytes(b"")
    file = LoggerFile(path, "x", form, lambda: 0, place)
    for end, restarts in [*sorted(cuts), (len(WHOLE), False)]:
        path.write_bytes(WHOLE[:end])
        if restarts:
            file = LoggerFile(path, "x", form, lambda: 0, place)
        while file.next_ms() is not None:
            taken = file.take()
            assert not taken.said.problems
            values += taken.said.values.values()
            place = taken.proven
    return values


@settings(deadline=None)
@given(cuts=st.lists(st.tuples(st.integers(0, len(WHOLE)), st.booleans()), max_size=12))
def test_however_a_file_grows_and_reading_is_broken_off_each_row_is_read_once(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[tuple[int, bool]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "growing.csv"
    assert pieces_read(path, cuts) == list(range(40))
