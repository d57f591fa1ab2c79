"""Rule `rate`: a value that changes too fast."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from tests.heart.shop import SITE, Heart, di, site
from tests.heart.stored import through_the_store

# A day in twelve parts of two hours; without a jump a step is believed at its second value.
RULE = '\n[[rule]]\nkind = "rate"\nid = "di-rate"\nchannel = "di.ec"\nrises = "2 uS/cm"\nper = "1 d"\n'
NO_LIMIT = SITE.replace('above = "20 uS/cm"', 'above = "199 uS/cm"')
HOUR, DAY = 60, 1440


def shop(folder: Path, rule: str = RULE) -> Heart:
    return Heart(site(folder, NO_LIMIT + rule))


def ramp(first: int, last: int, begin: float, a_day: float, every: int = 20) -> list[tuple[float, float]]:
    """Values that change steadily, rounded to the last digit: (minute, value)."""
    minutes = range(first, last, every)
    return [(m, round(begin + a_day * (m - first) / DAY, 1)) for m in minutes]


def test_a_rise_faster_than_allowed_is_told_once_both_ends_of_the_time_are_known(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di(ramp(0, 3 * DAY, 5.0, 3.0)))
    ((cause, minute),) = heart.story("di-rate")
    assert cause == "raised"
    assert DAY <= minute <= DAY + 4 * HOUR
    (raised,) = (t for t in heart.transitions if t.condition == "di-rate")
    assert raised.evidence["change"] == pytest.approx(3.0, abs=0.3)
    assert raised.confidence > 0.9


def test_a_rise_as_fast_as_allowed_is_not_told(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di(ramp(0, 5 * DAY, 5.0, 1.8)))
    assert heart.story("di-rate") == []


def test_a_fall_is_no_rise(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di(ramp(0, 3 * DAY, 50.0, -9.0)))
    assert heart.story("di-rate") == []
    heart = shop(tmp_path, RULE.replace("rises", "falls"))
    heart.see(*di(ramp(0, 3 * DAY, 50.0, -9.0)))
    assert [cause for cause, _ in heart.story("di-rate")] == ["raised"]


def test_the_last_digit_is_no_rate(tmp_path: Path) -> None:
    heart = shop(tmp_path, RULE.replace('"2 uS/cm"', '"0.2 uS/cm"'))
    heart.see(*di([(m, 5.0 + 0.1 * (m // 20 % 2)) for m in range(0, 4 * DAY, 20)]))
    assert heart.story("di-rate") == []


def test_a_wild_value_or_an_hour_of_them_is_no_rate(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    values = [
        (m, 30.0 if 2 * DAY <= m < 2 * DAY + HOUR else 5.0 + m % 40 / 200) for m in range(0, 4 * DAY, 20)
    ]
    heart.see(*di(values))
    assert heart.story("di-rate") == []


def test_of_two_parts_that_are_left_of_an_end_one_may_be_wild(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    begin = 2 * DAY
    steady = [(m, 5.0 + m % 120 / 600) for m in range(0, begin - 2 * HOUR, HOUR)]
    wild = [(m, 30.0) for m in range(begin + 2 * HOUR, begin + 4 * HOUR, 20)]  # two hours of it, behind a gap
    heart.see(*di([*steady, (begin, 5.0), (begin + HOUR, 5.1), *wild]))
    assert heart.story("di-rate") == []


def test_a_step_is_told_within_a_sixth_of_the_time_and_is_over_when_the_time_has_passed(
    tmp_path: Path,
) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(m, 5.0 if m < 2 * DAY else 8.0) for m in range(0, 4 * DAY, 20)]))
    (_, raised), (_, returned) = heart.story("di-rate")
    assert 2 * DAY + HOUR <= raised <= 2 * DAY + 4 * HOUR
    assert 3 * DAY <= returned <= 3 * DAY + 6 * HOUR


def test_over_range_in_the_dangerous_direction_is_evidence(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(m, 5.0 if m < 2 * DAY else 200.0) for m in range(0, 3 * DAY, 20)]))
    assert [cause for cause, _ in heart.story("di-rate")] == ["raised"]


def test_bad_values_are_not_judged(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(m, 5.0 if m < 2 * DAY else -50.0) for m in range(0, 3 * DAY, 20)]))
    assert heart.story("di-rate") == []


def test_a_gap_is_waited_out(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    before = [(m, 5.0) for m in range(0, 2 * DAY, 20)]
    heart.see(*di(before), *di([(m, 9.0) for m in range(4 * DAY, 5 * DAY - 2 * HOUR, 20)]))
    assert heart.story("di-rate") == []


def test_the_state_survives_the_store(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di(ramp(0, DAY, 5.0, 3.0)))
    state, lost = through_the_store(heart.state, heart.watch)
    assert lost == [] and state.rules == heart.state.rules


def test_the_message_says_both_values_the_time_and_what_is_allowed(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(m, 5.0 if m < 2 * DAY else 8.0) for m in range(0, 3 * DAY, 20)]))
    (raised,) = (t for t in heart.transitions if t.condition == "di-rate")
    said = RULES["rate"].wording(raised.evidence)
    assert said.first_line == "DI outlet: conductivity has risen by 3.0 µS/cm in 24 h, to 8.0 µS/cm"
    assert dict(said.facts) == {
        "now": "8.0 µS/cm",
        "24 h before": "5.0 µS/cm",
        "change allowed": "a rise of 2.0 µS/cm in 24 h",
    }


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('rises = "2 uS/cm"\n', "", "a rate is either `rises` or `falls`"),
        ('rises = "2 uS/cm"', 'rises = "2 L"', 'unit "L" cannot be turned into µS/cm'),
        ('rises = "2 uS/cm"', 'rises = "0.1 uS/cm"', "at least two of the channel's last digits, 0.2 µS/cm"),
        ('per = "1 d"', 'per = "5 min"', 'so "12 min" or more'),
        ('channel = "di.ec"', 'channel = "xx.ec"', "xx.ec"),
    ],
)
def test_settings_that_do_not_fit_are_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigMistakes) as refused:
        shop(tmp_path, RULE.replace(old, new))
    assert said in str(refused.value)
