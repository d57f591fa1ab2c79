"""Windows of planted faults, the watch over them, and the page made of what was found."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from simulator.faults import DAY_MS
from tests.bench import judge, open_data
from tests.bench.detection import cache, watching, years
from tests.bench.detection.best import Delay
from tests.bench.detection.cases import Case, Judged, Told, judged
from tests.bench.detection.page import PAGE, tables, write_page
from tests.bench.detection.record import Record, Spec, make, record
from tests.bench.detection.run import Results
from tests.bench.detection.summary import folded
from tests.bench.detection.train import above_both_errors, creep, one_meter_site
from tests.bench.detection.watching import demo_rules, site_with, watched, window_rules
from tests.bench.detection.windows import Asked, Window, at, somewhen

NAMES = ("permeate_ec", "softened_ec", "permeate_flow", "ro_run")


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GOODWATER_BENCH_CACHE", str(tmp_path / "cache"))


def spec(days: int = 4, **more: object) -> Spec:
    return Spec(**{"seed": 3, "start": "2026-03-02", "days": days, "instruments": NAMES, **more})  # type: ignore[arg-type]


def test_a_record_hands_over_what_the_run_does() -> None:
    """Also though its shop has a meter more."""
    run = judge.simulate("hall3", (), 3, "2026-03-02", 2)
    wanted = list(judge.samples(run, {"permeate.ec", "ro.run"}, 5.0))
    kept = make(spec(2, instruments=("permeate_ec", "ro_run")))
    assert list(kept.samples(kept.start_ms, kept.end_ms, {"permeate.ec", "ro.run"})) == wanted


def test_a_record_is_simulated_once(monkeypatch: pytest.MonkeyPatch) -> None:
    first = record(spec(2))
    monkeypatch.setattr("tests.bench.detection.record.simulate", None)
    again = record(spec(2))
    assert again.lines == first.lines
    assert np.array_equal(again.reported["permeate_ec"].value, first.reported["permeate_ec"].value)


def test_spikes_throw_off_the_share_that_is_asked_for_and_nothing_before() -> None:
    fault = {"kind": "spikes", "target": "softened_ec", "size": 10.0, "start_day": 2.0}
    clean, thrown = make(spec()), make(spec(faults=(fault,)))
    a, b = clean.reported["softened_ec"], thrown.reported["softened_ec"]
    before = a.time_ms < clean.start_ms + 2 * DAY_MS
    assert np.array_equal(a.value[before], b.value[before])
    off = a.value[~before] != b.value[~before]
    assert 0.06 < off.mean() < 0.14
    ratio = b.value[~before][off] / a.value[~before][off]
    assert set(np.round(ratio, 2)) == {0.67, 1.33}


def test_a_watch_that_was_cut_off_goes_on_and_says_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the wires hand over in one piece, and in slices with a kill between two of them."""
    fault = {"kind": "dropout", "target": "permeate_ec", "start_day": 2.2}
    run = make(spec(faults=(fault,)))
    rules = window_rules(("permeate-high",), NAMES, '[[rule]]\nkind = "silent"\nid = "silent"\n')
    site = site_with(rules.replace('id = "silent"', 'id = "silent"\ninstruments = ["ro-meter"]'))
    whole = watched(run, site)
    assert [a.condition for a in whole.alarms] == ["silent/ro-meter"]
    monkeypatch.setenv("GOODWATER_BENCH_CACHE", f"{cache.folder()}2")
    monkeypatch.setattr(watching, "SLICE_DAYS", 1)
    monkeypatch.setattr(watching, "KEPT_FROM_DAYS", 2)
    samples, calls = Record.samples, []

    def killed(self: Record, *span: object) -> object:
        calls.append(span)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return samples(self, *span)  # type: ignore[arg-type]

    monkeypatch.setattr(Record, "samples", killed)
    with pytest.raises(KeyboardInterrupt):
        watched(run, site)
    assert watched(run, site) == whole
    assert len(calls) == 3 + 2  # two days were not watched again


def test_a_watch_whose_time_is_over_says_how_far_it_came(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watching, "SLICE_DAYS", 1)
    run, site = make(spec(2)), site_with(window_rules(("permeate-high",), NAMES))
    with pytest.raises(watching.OutOfTime) as over:
        watched(run, site, until_s=0.0)
    assert over.value.end_ms == run.start_ms + DAY_MS
    assert watched(run, site) == watching.Outcome()


def test_a_fault_that_is_told_makes_a_case_and_one_that_nothing_explains_is_false() -> None:
    """A probe that falls silent, asked of and not asked of."""
    fault = {"kind": "dropout", "target": "permeate_ec", "start_day": 2.2}
    rules = '[[rule]]\nkind = "silent"\nid = "silent"\ninstruments = ["ro-meter"]\n'

    def asked(run: Record) -> list[Asked]:
        begun = at(run, 2.2)
        told = frozenset({"silent"})
        return [Asked("silent", "any", told, name, begun, begun, run.end_ms, "permeate_ec", 1.0)
                for name in ("permeate_ec", "di_ec")]  # fmt: skip

    names = ("permeate_ec", "feed_temp", "ro_run", "permeate_flow")
    window = Window(spec(faults=(fault,), instruments=names, series=("run:ro",)), site_with(rules), asked)
    # the thermometer belongs to the same instrument, so only both together are its silence
    both = Window(
        spec(faults=(fault, {**fault, "target": "feed_temp"}), instruments=names, series=("run:ro",)),
        site_with(rules), asked,
    )  # fmt: skip
    found = judged("instruments", 3, both)
    assert [case.caught for case in found.cases] == [True, False]
    assert found.cases[0].as_wanted is True
    assert found.false == Counter()
    assert judged("instruments", 3, window).cases[1].as_wanted is False


def test_windows_are_the_same_for_a_seed_and_others_for_another() -> None:
    assert somewhen(5, "creep", 21, 28) == somewhen(5, "creep", 21, 28) != somewhen(6, "creep", 21, 28)
    one, other = creep(5, 0).spec, creep(6, 0).spec
    assert one == creep(5, 0).spec
    assert one.key != other.key


def test_rules_of_a_window_look_at_what_is_simulated_only() -> None:
    text = window_rules(("stuck", "silent", "not-judged"), NAMES)
    assert 'channels = ["permeate.ec", "softened.ec", "permeate.flow"]' in text
    assert 'instruments = ["softener-meter"]' in text  # of the others only a part is simulated
    assert "ro-creep" in demo_rules()


def test_the_one_meter_shop_watches_the_same_meter() -> None:
    site = one_meter_site()
    assert {c for rule in site.file.rules for c in rule.channels} == {"di.ec"}


def test_discharge_begins_where_the_outlet_is_above_both_errors() -> None:
    fault = {"kind": "resin_exhaustion", "start_day": 1.0}
    run = make(spec(8, faults=(fault,), series=("run:ro", "ec25:di", "ec25:permeate")))
    found = above_both_errors(run, run.start_ms)
    line = run.line("resin_exhaustion", "discharge")
    assert found is not None and line is not None and line.visible_ms is not None
    assert abs(found - line.visible_ms) < DAY_MS


def test_healthy_weeks_fool_the_z_score_by_several_causes() -> None:
    names = ("permeate_ec", "tap_ec", "M01_level", "tank_level")
    whole = years.spec_of(3, 18)
    run = make(Spec(3, years.START, 18, names, fast=names[2:], series=whole.series))
    counts, causes = years.naive_alarms(run)
    assert counts["z-score"] >= 5
    for cause in (
        "water standing while the RO is off",
        "coolant going up as a pump starts, coming back as it stops",
        "the tank filling and emptying",
    ):
        assert causes["z-score"].get(cause, 0) > 0, causes
    assert counts["limit gated"] <= counts["limit"]


def results() -> Results:
    told = Case("creep", "creep 3 %/week, from +10 %", "A: good", 1001, Told(20.0, 500.0), {}, 504.0, 9e3,
                best=("A", 3.0), found={"time_off": 0.2})  # fmt: skip
    naive = dict.fromkeys(("limit", "limit gated", "z-score", "z-score gated"), Told(1.0, 2.0))
    told = Case(**{**vars(told), "naive": naive})
    missed = Case(**{**vars(told), "ours": Told(), "lost_l": None, "found": {}})
    year = years.Year(1001, 365, Counter({"advisory": 3}), Counter({"loss/m01": 3}), 1,
                      {"z-score": 900}, {"z-score": {"a top-off": 900}})  # fmt: skip
    window = Judged("creep", 1001, 90, (told, missed), Counter({"remark": 1}), Counter({"x": 1}))
    return Results(1001, [year], [window], {("A", 3.0): Delay(10.5, 11.0, 20.0, 1.0)})


def test_results_become_figures() -> None:
    figures = folded(results())
    (row,) = figures["rows"]
    assert row["caught"]["hits"] == 1 and row["caught"]["of"] == 2
    assert row["best_h"] == 240.0
    assert row["times_best"] == pytest.approx(2.08)
    assert figures["healthy"]["false"]["advisory"]["rate"] == pytest.approx(3.0, rel=0.01)
    assert figures["windows"]["creep"]["conditions"] == {"x": 1}


def test_the_page_shows_what_was_wanted_beside_what_was_reached(tmp_path: Path) -> None:
    text = tables(folded(results()), date="2026-03-01", commit="abc")
    assert "| false advisories: at most 6 a shop-year | 3 a year [0.62, 8.8] | open, below |" in text
    assert "| a top-off | 0 | 0 | 900 | 0 |" in text
    assert (
        "| open data, events: as many as the best baseline, at fewer false alarms |  | not measured |" in text
    )
    page = tmp_path / "detection.md"
    page.write_text(PAGE.read_text(encoding="utf-8"), encoding="utf-8")
    write_page(text, page)
    write_page(text, page)
    assert page.read_text(encoding="utf-8").count("What fooled the naive rules") == 1
    with pytest.raises(ValueError, match="has not the marks"):
        page.write_text("nothing", encoding="utf-8")
        write_page(text, page)


def test_open_data_that_is_not_there_is_said_to_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GOODWATER_DATASETS", str(tmp_path))
    with pytest.raises(open_data.NoData, match="set GOODWATER_DATASETS to the folder"):
        open_data.folder()


def made_up(values: np.ndarray, events: dict[str, list[tuple[int, int]]] | None = None) -> open_data.Open:
    times = 1_767_600_000_000 + np.arange(len(values), dtype=np.int64) * 15 * 60_000
    return open_data.Open("made up", 15.0, 0.1, times, values, events or {})


def test_open_events_are_found_missed_or_false() -> None:
    hour = 3_600_000
    found = open_data.judged(
        [(10 * hour, 12 * hour), (60 * hour, 61 * hour)], [(9 * hour, 11 * hour), (30 * hour, 31 * hour)], 1.0
    )
    assert (found["events"], found["found"], found["false"]) == (2, 1, 1)
    assert found["delay_h_median"] == 1.0
    assert found["in_alarm_pct"] == pytest.approx(100 * 3 / 168, abs=0.01)


def test_open_series_go_through_the_rules() -> None:
    rng = np.random.default_rng(1)
    values = np.round(200 + rng.normal(0, 1, 96 * 20), 1)
    values[96 * 18 : 96 * 18 + 20] = 320.0
    found = open_data.ours(made_up(values), ("limit", "stuck"))
    assert len(found["limit"]) == 1 and found["stuck"] == []
    assert len(open_data.theirs(made_up(values))["fixed band"]) == 1


def test_a_ramp_is_added_from_its_moment_on() -> None:
    series = made_up(np.full(96 * 21, 100.0))
    from_ms = int(series.times[0]) + 14 * DAY_MS
    risen = open_data.ramped(series, 7.0, from_ms)
    assert risen.values[96 * 14] == 100.0
    assert risen.values[-1] == pytest.approx(107.0, abs=0.1)
