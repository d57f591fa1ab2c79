"""Derived channels: their value, their time and their quality."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.readings import Bound, Level, Reason, Standing, Status
from tests.heart.derived_shop import cases, last, of, shop
from tests.heart.shop import START_MS, Heart, sample

REJECTION = """
[[derived]]
kind = "rejection"
id = "ro.rejection"
permeate = "out.ec"
feed = "in.ec"

[[rule]]
kind = "limit"
id = "rejection-low"
channel = "ro.rejection"
below = "90 %"
"""
TWO = {"in_ec": "conductivity", "out_ec": "conductivity"}

RO_CASES = list(cases("treatment", "ro_rejection", "ro_salt_passage", "ro_recovery"))
NORMALISED_CASES = list(cases("treatment", "ro_normalised_permeate_flow", "ro_normalised_salt_passage"))
VOLUME_CASES = list(
    cases(
        "sump",
        "rect_volume_L",
        "vert_cyl_flat_volume_m3",
        "horiz_cyl_flat_volume_m3",
        "strap_table_volume_L",
        "strap_table_out_of_range",
    )
)
assert (len(RO_CASES), len(NORMALISED_CASES), len(VOLUME_CASES)) == (6, 4, 13)


@pytest.mark.parametrize(("quantity", "inputs", "expected"), RO_CASES)
def test_rejection_passage_and_recovery_are_those_of_the_published_cases(
    tmp_path: Path, quantity: str, inputs: dict[str, Any], expected: float
) -> None:
    heart = shop(
        tmp_path,
        """
        [[derived]]
        kind = "rejection"
        id = "ro_rejection"
        permeate = "out.ec"
        feed = "in.ec"
        [[derived]]
        kind = "salt-passage"
        id = "ro_salt_passage"
        permeate = "out.ec"
        feed = "in.ec"
        [[derived]]
        kind = "recovery"
        id = "ro_recovery"
        permeate_flow = "out.flow"
        feed_flow = "in.flow"
        """,
        **TWO,
        in_flow="flow",
        out_flow="flow",
    )
    for channel, key in (("in.ec", "Cf"), ("out.ec", "Cp"), ("in.flow", "Qf"), ("out.flow", "Qp")):
        heart.see(sample(channel, 0, inputs[key]))
    reading = last(heart, quantity)
    assert reading.value == pytest.approx(expected, rel=1e-4)
    assert (reading.level, reading.standing) == (Level.GOOD, Standing.JUDGED)


_KEYS = {
    "temperature": ("T", "temperature", "degC"),
    "permeate_flow": ("Qp", "flow", "L/min"),
    "feed_flow": ("Qf", "flow", "L/min"),
    "feed_pressure": ("Pf", "pressure", "bar"),
    "pressure_drop": ("dP", "pressure", "bar"),
    "permeate_pressure": ("Pp", "pressure", "bar"),
    "feed": ("Cf", "tds", "mg/L"),
    "permeate": ("Cp", "tds", "mg/L"),
}


def normalised(tmp_path: Path, inputs: dict[str, Any], kind: str, keys: list[str]) -> Heart:
    then = ", ".join(f'{k} = "{inputs["reference"][_KEYS[k][0]]} {_KEYS[k][2]}"' for k in keys)
    now = "\n".join(f'{k} = "{k.replace("_", ".")}"' for k in keys)
    derived = f'[[derived]]\nkind = "{kind}"\nid = "ro.normalised"\n{now}\nreference = {{ {then} }}\n'
    heart = shop(tmp_path, derived, **{key: _KEYS[key][1] for key in keys})
    for key in keys:
        heart.see(sample(key.replace("_", "."), 0, inputs["actual"][_KEYS[key][0]]))
    return heart


@pytest.mark.parametrize(("quantity", "inputs", "expected"), NORMALISED_CASES)
def test_a_membrane_normalised_is_that_of_the_published_cases(
    tmp_path: Path, quantity: str, inputs: dict[str, Any], expected: float
) -> None:
    if quantity.endswith("flow"):
        heart = normalised(tmp_path, inputs, "normalised-flow", list(_KEYS))
    else:
        keys = ["temperature", "permeate_flow", "feed_flow", "feed", "permeate"]
        heart = normalised(tmp_path, inputs, "normalised-salt-passage", keys)
    # tolerance of the cases: 0.3 % and 0.5 %
    assert last(heart, "ro.normalised").value == pytest.approx(expected, rel=3e-3)


def test_without_pressures_the_flow_is_brought_to_the_temperature_alone(tmp_path: Path) -> None:
    _, inputs, _ = NORMALISED_CASES[0]
    heart = normalised(tmp_path, inputs, "normalised-flow", ["temperature", "permeate_flow"])
    # 3.6 L/min at 14 °C, factor 0.678 of the rule printed by membrane makers (3020 K): 5.31 at 25 °C
    assert last(heart, "ro.normalised").value == pytest.approx(5.31, abs=0.01)


def test_a_pressure_drop_is_brought_to_the_flows_of_the_reference(tmp_path: Path) -> None:
    _, inputs, _ = NORMALISED_CASES[0]
    now = inputs["actual"]
    heart = shop(
        tmp_path,
        """
        [[derived]]
        kind = "normalised-pressure-drop"
        id = "ro.normalised"
        pressure_drop = "drop"
        feed_flow = "in.flow"
        permeate_flow = "out.flow"
        at_feed_flow = "8 L/min"
        at_permeate_flow = "4.8 L/min"
        """,
        drop="pressure",
        in_flow="flow",
        out_flow="flow",
    )
    for channel, key in (("drop", "dP"), ("in.flow", "Qf"), ("out.flow", "Qp")):
        heart.see(sample(channel, 0, now[key]))
    # 0.75 bar at a mean flow of 4.6 L/min; 5.6 L/min in the reference: 0.75 * (5.6 / 4.6)**1.5, by hand
    assert last(heart, "ro.normalised").value == pytest.approx(1.0075, abs=0.001)


@pytest.mark.parametrize(("quantity", "inputs", "expected"), VOLUME_CASES)
def test_litres_of_a_level_are_those_of_the_published_cases(
    tmp_path: Path, quantity: str, inputs: dict[str, Any], expected: Any
) -> None:
    if quantity.startswith("strap"):
        rows = zip(inputs["levels_mm"], inputs["volumes_L"], strict=True)
        shape = "table = [" + ", ".join(f'["{mm} mm", "{litres} L"]' for mm, litres in rows) + "]"
        level_mm = inputs["level_mm"]
    elif quantity.startswith("rect"):
        shape = f'length = "{inputs["length_m"]} m"\nwidth = "{inputs["width_m"]} m"'
        level_mm = 1000.0 * inputs["level_m"]
    else:
        lies = quantity.startswith("horiz")
        shape = f'diameter = "{inputs["D_m"]} m"' + (f'\nlength = "{inputs["L_m"]} m"' if lies else "")
        level_mm = 1000.0 * inputs["level_m"]
    derived = f'[[derived]]\nkind = "volume-from-level"\nid = "tank.litres"\nlevel = "tank.level"\n{shape}\n'
    heart = shop(tmp_path, derived, tank_level="level")
    heart.see(sample("tank.level", 0, level_mm))
    if expected == "OUT_OF_RANGE":
        assert of(heart, "tank.litres") == []
        assert [(c.what, c.subject) for c in heart.effects.counts] == [("not-computable", "tank.litres")]
    else:
        litres = expected * (1000.0 if quantity.endswith("m3") else 1.0)
        assert last(heart, "tank.litres").value == pytest.approx(litres, rel=1e-4)


@pytest.mark.parametrize(
    ("keys", "level_mm", "litres"),
    [
        ("", 100, 72.0),  # 1 mm on 0.72 m2 is 0.72 L
        ('floor = "20 mm"', 120, 72.0),
        ('floor = "20 mm"', 10, 0.0),
        ('full_at = "300 mm"', 300, 180.0),
        ('full_at = "300 mm"', 200, 108.0),
    ],
)
def test_a_sump_needs_no_shape_but_its_own_surface(
    tmp_path: Path, keys: str, level_mm: float, litres: float
) -> None:
    derived = f'[[derived]]\nkind = "volume-from-level"\nid = "m01.litres"\nlevel = "m01.level"\n{keys}\n'
    heart = shop(tmp_path, derived, place='sump = "m01"', m01_level="level")
    heart.see(sample("m01.level", 0, level_mm))
    assert last(heart, "m01.litres").value == pytest.approx(litres)


def test_a_value_has_the_time_of_its_oldest_input_and_comes_once_for_each(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    for minute in range(3):  # both of one time, the feed first or last
        pair = [sample("in.ec", minute, 400.0), sample("out.ec", minute, 8.0 + minute)]
        heart.see(*(pair if minute % 2 else reversed(pair)))
    seen = of(heart, "ro.rejection")
    assert [(r.time_ms - START_MS, r.value) for r in seen] == [
        (0, 98.0),
        (60_000, 97.75),
        (120_000, 97.5),
    ]
    heart.see(sample("out.ec", 2.5, 12.0), sample("out.ec", 2.8, 12.0))
    assert len(of(heart, "ro.rejection")) == 3  # the feed has become no younger
    heart.see(sample("in.ec", 3, 400.0))
    reading = last(heart, "ro.rejection")
    assert (reading.time_ms, reading.value) == (START_MS + 168_000, 97.0)
    assert reading.status == Status.DERIVED and reading.raw == reading.value


def test_inputs_of_different_times_are_no_pair(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    heart.see(sample("in.ec", 0, 400.0), sample("out.ec", 4, 8.0))
    assert of(heart, "ro.rejection") == []
    heart.see(sample("in.ec", 4.5, 400.0))
    assert [r.time_ms for r in of(heart, "ro.rejection")] == [START_MS + 240_000]


def test_late_and_untimed_inputs_bring_no_value(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    heart.see(sample("in.ec", 5, 400.0), sample("in.ec", 4, 380.0))
    heart.see(sample("out.ec", 5, 8.0, time_ms=None, status=Status.RETAINED))
    assert of(heart, "ro.rejection") == []


def test_the_worst_quality_of_the_inputs_is_that_of_the_value(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, in_ec="conductivity", out_ec='conductivity;jump = "5 uS/cm"')
    heart.see(sample("in.ec", 0, 400.0), sample("out.ec", 0, 8.0))
    heart.see(sample("in.ec", 1, 400.0), sample("out.ec", 1, 80.0))
    reading = last(heart, "ro.rejection")
    assert reading.reasons == Reason.JUMP | Reason.INPUT_UNCERTAIN
    assert (reading.level, reading.value) == (Level.UNCERTAIN, 80.0)


def test_standing_water_makes_a_value_that_is_stored_and_not_judged(tmp_path: Path) -> None:
    gated = 'conductivity;gate = { flow = "out.flow", minutes = "1 min" }'
    heart = shop(tmp_path, REJECTION, in_ec="conductivity", out_ec=gated, out_flow="flow")
    heart.see(sample("out.flow", 0, 0.0), sample("in.ec", 0.1, 400.0), sample("out.ec", 0.1, 100.0))
    assert last(heart, "ro.rejection").standing == Standing.GATED
    assert heart.transitions == []


def test_permeate_beyond_its_meter_is_evidence_that_rejection_is_no_better(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, in_ec="conductivity", out_ec="conductivity")
    heart.see(sample("in.ec", 0, 400.0), sample("out.ec", 0, 100.0, status=Status.OVER_RANGE))
    reading = last(heart, "ro.rejection")
    assert (reading.level, reading.bound) == (Level.BAD, Bound.AT_MOST)
    assert heart.story("rejection-low") == [("raised", 0.0)]


def test_both_inputs_beyond_their_meters_say_nothing(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    heart.see(sample("in.ec", 0, 400.0, status=Status.OVER_RANGE))
    heart.see(sample("out.ec", 0, 100.0, status=Status.OVER_RANGE))
    reading = last(heart, "ro.rejection")
    assert (reading.level, reading.bound) == (Level.BAD, Bound.EXACT)
    assert heart.transitions == []


@pytest.mark.parametrize(
    ("feed", "status", "why"),
    [
        (400.0, Status.DEVICE_FAULT, "in.ec: device fault"),
        (0.0, Status.OK, "feed_mg_l = 0"),
        (5.0, Status.OK, "permeate_mg_l = 8"),
    ],
)
def test_what_cannot_be_computed_is_counted_and_gives_no_value(
    tmp_path: Path, feed: float, status: Status, why: str
) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    heart.see(sample("in.ec", 0, feed, status=status), sample("out.ec", 0, 8.0))
    assert of(heart, "ro.rejection") == []
    (count,) = heart.effects.counts
    assert (count.what, count.subject) == ("not-computable", "ro.rejection")
    assert count.detail.startswith(why)


def test_a_unit_that_stands_has_no_recovery_and_that_is_no_trouble(tmp_path: Path) -> None:
    derived = (
        '[[derived]]\nkind = "recovery"\nid = "ro.recovery"\npermeate_flow = "out.flow"\n'
        'concentrate_flow = "waste.flow"\n'
    )
    heart = shop(tmp_path, derived, out_flow="flow", waste_flow="flow")
    heart.see(sample("out.flow", 0, 0.0), sample("waste.flow", 0, 0.0))
    assert of(heart, "ro.recovery") == [] and heart.effects.counts == []
    heart.see(sample("out.flow", 1, 4.8), sample("waste.flow", 1, 3.2))
    assert last(heart, "ro.recovery").value == pytest.approx(60.0)


def test_a_derived_channel_may_look_at_another(tmp_path: Path) -> None:
    derived = """
    [[derived]]
    kind = "difference"
    id = "drop"
    of = "in.bar"
    minus = "out.bar"
    [[derived]]
    kind = "ratio"
    id = "part"
    of = "drop"
    to = "in.bar"
    """
    heart = shop(tmp_path, derived, in_bar="pressure", out_bar="pressure")
    for minute in range(3):
        heart.see(sample("in.bar", minute, 10.0), sample("out.bar", minute, 9.0 - minute))
    assert [r.value for r in of(heart, "drop")] == [1.0, 2.0, 3.0]
    assert [r.value for r in of(heart, "part")] == pytest.approx([0.1, 0.2, 0.3])


def test_a_clock_that_ran_ahead_leaves_no_derived_channel_deaf(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    ahead = START_MS + 86_400_000
    for channel, value in (("in.ec", 400.0), ("out.ec", 8.0)):
        heart.see(sample(channel, 0, value, time_ms=ahead, arrival_ms=ahead))
    assert last(heart, "ro.rejection").time_ms == ahead
    heart.see(sample("in.ec", 1, 400.0), sample("out.ec", 1, 8.0))
    assert last(heart, "ro.rejection").time_ms == START_MS + 60_000
    assert "ro.rejection" in [moved.channel for moved in heart.effects.moved_back]


def test_a_rule_on_a_derived_channel_speaks_of_it_by_name(tmp_path: Path) -> None:
    heart = shop(tmp_path, REJECTION, **TWO)
    heart.see(sample("in.ec", 0, 400.0), sample("out.ec", 0, 60.0))
    (transition,) = heart.transitions
    assert transition.subject == "ro.rejection"
    assert transition.evidence["what"] == "rejection at RO permeate"
    assert transition.evidence["where"] == "RO permeate"
