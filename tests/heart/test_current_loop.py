"""4 to 20 mA: what a current stands for, and what it says of its transmitter.

The limits of NAMUR NE 43 as several public pages give them: 3.8 to 20.5 mA is measured, 3.6 mA and 21 mA are
where failure begins.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.condition.current_loop import measured, span
from monitor.config import ConfigMistakes
from monitor.plant.channel import Channel
from monitor.plant.current_loop import CurrentLoop
from monitor.readings import Bound, Level, Reading, Reason, Sample, Status
from tests.heart.shop import SITE, Heart, sample, site

DI = 'compensated = true\n\n[[rule]]\nkind = "limit"\nid = "di-high"'
assert SITE.count(DI) == 1


def heart(folder: Path, loop: str, more: str = "") -> Heart:
    """A shop whose DI meter (0 to 200 µS/cm) is a transmitter."""
    text = SITE.replace(DI, DI.replace("true\n", f"true\ncurrent_loop = {loop}\n{more}\n", 1))
    return Heart(site(folder, text))


@pytest.fixture
def loop(tmp_path: Path) -> Heart:
    return heart(tmp_path, "{}")


def seen(heart: Heart, received: float) -> tuple[float, Level, Reason, Bound]:
    reading: Reading = heart.reading(sample("di.ec", 0, received))
    assert (reading.raw, reading.status) == (received, Status.OK)  # stored as received
    return reading.value, reading.level, reading.reasons, reading.bound


def test_a_current_is_a_value_between_the_ends_of_the_range(loop: Heart) -> None:
    assert seen(loop, 12.0) == (100.0, Level.GOOD, Reason.NONE, Bound.EXACT)


@pytest.mark.parametrize(
    ("current_ma", "value", "level", "reasons", "bound"),
    [
        (0.0, 0.0, Level.BAD, Reason.DEVICE_FAULT, Bound.EXACT),
        (3.6, 0.0, Level.BAD, Reason.DEVICE_FAULT, Bound.EXACT),
        (3.61, 0.0, Level.BAD, Reason.UNDER_RANGE, Bound.AT_MOST),
        (3.79, 0.0, Level.BAD, Reason.UNDER_RANGE, Bound.AT_MOST),
        (3.8, 0.0, Level.GOOD, Reason.NONE, Bound.EXACT),  # a zero that is a little low is nothing
        (4.0, 0.0, Level.GOOD, Reason.NONE, Bound.EXACT),
        (20.0, 200.0, Level.GOOD, Reason.NONE, Bound.EXACT),
        (20.4, 205.0, Level.GOOD, Reason.NONE, Bound.EXACT),
        (20.5, 206.25, Level.BAD, Reason.OVER_RANGE, Bound.AT_LEAST),  # where transmitters stop
        (20.9, 206.25, Level.BAD, Reason.OVER_RANGE, Bound.AT_LEAST),
        (21.0, 200.0, Level.BAD, Reason.DEVICE_FAULT, Bound.EXACT),
        (1e300, 200.0, Level.BAD, Reason.DEVICE_FAULT, Bound.EXACT),
    ],
)
def test_beyond_what_is_measured_the_current_tells_of_range_and_fault(
    loop: Heart, current_ma: float, value: float, level: Level, reasons: Reason, bound: Bound
) -> None:
    found = seen(loop, current_ma)
    assert found == (pytest.approx(value), level, reasons, bound)


@pytest.mark.parametrize(("received", "value"), [(6400, 0.0), (19200, 100.0), (32000, 200.0)])
def test_counts_of_an_input_module_are_currents(tmp_path: Path, received: float, value: float) -> None:
    shop = heart(tmp_path, "{ counts = [6400, 32000] }")
    assert seen(shop, received)[0] == pytest.approx(value)
    assert seen(heart(tmp_path, "{ counts = [6400, 32000] }"), 0)[2] == Reason.DEVICE_FAULT


def test_a_falling_current_has_its_bounds_the_other_way_round(tmp_path: Path) -> None:
    for received, value, reasons, bound in (
        (8.0, 150.0, Reason.NONE, Bound.EXACT),
        (3.7, 202.5, Reason.OVER_RANGE, Bound.AT_LEAST),
        (20.7, 0.0, Reason.UNDER_RANGE, Bound.AT_MOST),
        (3.0, 200.0, Reason.DEVICE_FAULT, Bound.EXACT),
    ):
        found = seen(heart(tmp_path, "{ falling = true }"), received)
        assert (found[0], *found[2:]) == (pytest.approx(value), reasons, bound)


def test_a_calibration_is_of_the_value_and_not_of_the_current(tmp_path: Path) -> None:
    more = "calibration = [{ since = 2026-01-01, gain = 1.1, offset = 2.0 }]"
    assert seen(heart(tmp_path, "{}", more), 12.0)[0] == pytest.approx(112.0)


def test_over_range_of_a_loop_raises_the_limits_alarm(tmp_path: Path) -> None:
    shop = heart(tmp_path, "{}")
    shop.see(*(sample("di.ec", minute, 20.7) for minute in range(6)))
    (raised,) = [t for t in shop.transitions if t.cause == "raised"]
    assert raised.condition == "di-high"


def test_a_broken_wire_raises_no_alarm_about_the_water(tmp_path: Path) -> None:
    shop = heart(tmp_path, "{ falling = true }")
    shop.see(*(sample("di.ec", minute, 0.0) for minute in range(6)))  # taken as a value it would be 250 µS/cm
    assert [t for t in shop.transitions if t.condition == "di-high"] == []


channels = st.builds(
    lambda quantity, low, width, counts, falling: Channel(
        id="a",
        quantity=quantity[0],
        unit=quantity[1],
        range=(low, low + width),
        resolution=0.1,
        tds_scale=None,
        current_loop=CurrentLoop(counts=(counts[0], counts[0] + counts[1]), falling=falling),
    ),
    st.sampled_from([("level", "inch"), ("temperature", "degF"), ("ph", "pH"), ("pressure", "psi")]),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 1e4),
    st.tuples(st.floats(-1e5, 1e5), st.floats(0.1, 1e5)),
    st.booleans(),
)


@given(channel=channels, received=st.floats(allow_nan=False, allow_infinity=False))
def test_whatever_arrives_is_a_value_the_channel_can_show(channel: Channel, received: float) -> None:
    found = measured(channel, Sample("a", received, 0))
    low, high = span(channel)
    assert low <= found.value <= high
    assert found.status in (Status.OK, Status.DEVICE_FAULT, Status.OVER_RANGE, Status.UNDER_RANGE)


@pytest.mark.parametrize(
    ("loop", "words"),
    [
        ("{ counts = [32000, 6400] }", "the one for 4 mA first and lower"),
        ("{ counts = [5, 5] }", "the one for 4 mA first and lower"),
        ("{ count = [1, 2] }", "counts"),
        ("true", "a table"),
    ],
)
def test_settings_that_do_not_fit_are_refused_in_words(tmp_path: Path, loop: str, words: str) -> None:
    with pytest.raises(ConfigMistakes, match=words):
        heart(tmp_path, loop)


def test_a_contact_is_no_current(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="a contact or a counter is no current"):
        Channel(id="a", quantity="contact", unit="1", range=(0, 1), resolution=1, current_loop=CurrentLoop())
