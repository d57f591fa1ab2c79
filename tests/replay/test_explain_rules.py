"""What each rule shows of itself: its figures beside its thresholds, before it speaks and after."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.config import RULES, SiteFile
from monitor.daemon import wordings
from monitor.readings import Event, Finding, Status
from monitor.replay.explain import explained
from monitor.rules.explaining import Explains, Moment
from tests.bench.judge import site_of
from tests.heart import sumps
from tests.heart.shop import MINUTE, SITE, START_MS, di, sample, site, tick
from tests.heart.test_breakthrough import BED, clean, days, text_of
from tests.heart.test_creep import DAY, constant, creep, water
from tests.heart.water_made import without_rules

VIENNA = ZoneInfo("Europe/Vienna")


def why(shop: SiteFile, events: Iterable[Event], rule: str, minute: float, start_ms: int = START_MS) -> str:
    at_ms = start_ms + round(minute * MINUTE)
    return explained(shop.plant, shop.rules, events, at_ms, wordings(), [rule])


def with_rule(folder: Path, rule: str) -> SiteFile:
    return site(folder, without_rules(SITE) + rule)


@pytest.mark.parametrize(
    "kind",
    [
        "breakthrough", "creep", "difference", "instrument", "limit", "loss", "not-judged", "rate", "silent",
        "stuck",
    ],
)  # fmt: skip
def test_a_rule_that_has_figures_of_its_own_is_asked_for_them(kind: str) -> None:
    rules = [
        one for one in vars(RULES[kind]).values() if isinstance(one, type) and vars(one).get("kind") == kind
    ]
    assert len(rules) == 1 and issubclass(rules[0], Explains)


def test_a_rule_without_is_explained_by_the_facts_of_its_last_finding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = site(tmp_path)
    monkeypatch.setattr("monitor.replay.explain.Explains", int)  # as if no rule had figures of its own
    said = why(shop, di([(n, 5.0 + n % 2) for n in range(9)]), "di-high", 8.5)
    assert "limit: above 20.0 µS/cm" in said and "value: 5.0 µS/cm" in said


def test_words_that_do_not_fit_a_finding_leave_its_plain_evidence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = site(tmp_path)
    monkeypatch.setattr("monitor.replay.explain.Explains", int)  # as if no rule had figures of its own
    events = di([(n, 5.0 + n % 2) for n in range(9)])
    said = explained(shop.plant, shop.rules, events, START_MS + 8 * MINUTE, {}, ["di-high"])
    assert "value: 5.0" in said and "where: DI outlet" in said


def test_a_rule_that_failed_is_said_to_be_switched_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = site(tmp_path)

    def fails(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(type(shop.rules[0]), "on_reading", fails)
    said = why(shop, di([(n, 5.0) for n in range(9)]), "di-high", 8.5)
    assert "switched off since 08:00:00: it raised ZeroDivisionError: by zero" in said


def test_stuck_shows_how_long_it_stands_still_and_by_which_habit(tmp_path: Path) -> None:
    shop = with_rule(tmp_path, '\n[[rule]]\nkind = "stuck"\nid = "stuck"\nchannels = ["di.ec"]\n')
    said = why(shop, di([(n, 5.1) for n in range(200)]), "stuck", 199)
    assert "unchanged since 08:00:00 (3 h before): 200 readings of 5.1" in said
    assert "by flat_after: too little is known of its noise yet" in said
    lively = [(10 * n, 5.0 + n // 2 % 7 / 10) for n in range(1440)] + [
        (14400 + 10 * n, 5.1) for n in range(30)
    ]
    said = why(shop, di(lively), "stuck", 14690)
    assert "called stuck after" in said and "by its own habit: 51% of 1469 readings repeated" in said


def test_not_judged_shows_the_water_that_ran_beside_what_it_takes(tmp_path: Path) -> None:
    shop = with_rule(tmp_path, '\n[[rule]]\nkind = "not-judged"\nid = "gates"\n')
    events: list[Event] = []
    for minute in range(0, 300, 2):
        ran = 2.0 if 60 <= minute < 70 else 0.0
        events += [sample("ro.flow", minute, ran), sample("ro.ec", minute, 30.0 + minute % 4), tick(minute)]
    said = why(shop, events, "gates", 299)
    assert "gates/ro.ec" in said and "told after 24 h if water ran for 10 min" in said
    assert "last judged at 09:08:00 (4 h before); 115 values since, 0 of them while water ran" in said
    assert "water since: 2 min in 0 runs, the last of 10 min" in said


def test_instrument_shows_clocks_faults_and_what_follows_the_temperature(tmp_path: Path) -> None:
    shop = with_rule(tmp_path, '\n[[rule]]\nkind = "instrument"\nid = "instruments"\n')
    events: list[Event] = [sample("di.ec", n, 5.0 + n % 3, status=Status.DEVICE_FAULT) for n in range(1)]
    for minute in range(1, 60):
        events += [sample("ro.t", minute, 20.0), sample("ro.flow", minute, 5.0), sample("ro.ec", minute, 9.0)]
    said = why(shop, events, "instruments", 59)
    assert "1 faulty readings in a row since 08:00:00 (59 min before); told at 2" in said
    assert "came 0.0 to 0.0 s after the time they carry" in said
    assert "told when it is ahead by more than 2 min, or behind by more than 3 min" in said
    assert "flows; last above 0.5 L/min at 08:59:00" in said
    assert "0 of 24 pairs of half-hours" in said


def test_loss_shows_the_accounts_what_is_usual_and_the_evidence() -> None:
    shop = site_of(sumps.RULE)
    sump = sumps.Scripted("m03", 0.9)
    said = why(shop, sumps.lived([sump], 0, 20 * DAY), "loss", 20 * DAY - 30, sumps.MONDAY_MS)
    assert "daily accounts" in said and "usual: " in said and "of what it takes" in said
    assert "the pump is standing" in said and "in circulation: 4" in said


def test_creep_shows_what_is_usual_the_sums_and_where_a_membrane_begins(tmp_path: Path) -> None:
    rule = creep(tmp_path)
    for long, passage, wanted in (
        (5, constant(0.02), ("what is usual is still learned, until",)),
        (
            30,
            constant(0.02),
            ("usual: 2", "sum of rises", "a rise beyond 5.0 % is a membrane's", "is asked for"),
        ),
        (40, lambda day: 0.02 if day < 25 else 0.03, ("of what it takes", "no hand meter is asked for")),
    ):
        state, findings = rule.start(), dict[str, Finding]()
        for reading in water(long, passage):
            state, found = rule.on_reading(state, reading)
            findings |= {one.condition: one for one in found}
        told = rule.explain(state, Moment(reading.time_ms, VIENNA, findings))
        said = "\n".join(line for lines in told.values() for line in lines)
        assert [part for part in wanted if part not in said] == []


def test_breakthrough_shows_forecast_front_and_discharge_by_their_own_numbers(tmp_path: Path) -> None:
    shop = site(tmp_path, text_of(BED + 'treated = "1 L"\n'))
    events = days(0, 30, clean)
    said = why(shop, events, "bed", 29 * DAY + 90)
    assert "this bed was first heard of at" in said and "left: about" in said and "told at 10 days" in said
    assert "outlet 0.3 µS/cm, clean it is 0.30 µS/cm" in said and "it takes" in said
    assert "0 readings in a row above the feed" in said
