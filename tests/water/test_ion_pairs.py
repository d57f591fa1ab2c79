"""Laws that hold for a water with its ion pairs, whatever the constants are."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.water import ion_pairs, ions
from monitor.water.errors import OutOfRange
from monitor.water.ions import Ion

HARD: dict[Ion, float] = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
FRESH = st.fixed_dictionaries(
    {
        "Ca": st.floats(1.0, 150.0),
        "Mg": st.floats(0.0, 40.0),
        "Na": st.floats(1.0, 100.0),
        "SO4": st.floats(0.0, 150.0),
        "Cl": st.floats(1.0, 200.0),
    }
)


@settings(max_examples=40, deadline=None)
@given(water=FRESH, alkalinity=st.floats(5.0, 300.0), ph=st.floats(6.0, 8.5))
def test_pairs_only_lower_the_conductivity_against_free_ions(
    water: dict[Ion, float], alkalinity: float, ph: float
) -> None:
    paired = ion_pairs.paired_water(water, alkalinity, ph)
    whole: dict[Ion, float] = {**water, "HCO3": alkalinity * 61.0168 / 50.0435}
    assert 0.0 <= paired.paired_calcium_pct < 60.0
    # 1 %: ions at endless dilution by diffusion coefficients and by the table of limiting conductivities
    assert paired.ec25_us_cm < 1.01 * ions.ec25_infinite_dilution_us_cm(whole) + 2.0


def test_more_sulfate_binds_more_calcium_and_lowers_the_calcite_index() -> None:
    some = ion_pairs.paired_water(HARD, 260, 7.4)
    much = ion_pairs.paired_water({**HARD, "SO4": 400, "Na": 178}, 260, 7.4)
    assert much.paired_calcium_pct > some.paired_calcium_pct
    assert much.calcite_index is not None and some.calcite_index is not None
    assert much.calcite_index < some.calcite_index - 0.1


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.0, 1.0))
def test_a_water_blended_with_itself_is_that_water(share: float) -> None:
    alone = ion_pairs.paired_water(HARD, 260, 7.4)
    mixed = ion_pairs.paired_blend(HARD, 260, 7.4, HARD, 260, 7.4, share)
    assert mixed.ph == pytest.approx(7.4, abs=1e-6)
    assert mixed.ec25_us_cm == pytest.approx(alone.ec25_us_cm, rel=1e-6)


def test_at_no_recovery_the_concentrate_is_the_feed() -> None:
    feed, same = ion_pairs.paired_water(HARD, 260, 7.4), ion_pairs.paired_concentrate(HARD, 260, 7.4, 0.0)
    assert same.calcite_index == pytest.approx(feed.calcite_index, abs=1e-5)


def test_a_softener_that_stopped_turns_the_concentrate_from_harmless_to_scaling() -> None:
    soft: dict[Ion, float] = {**HARD, "Ca": 2.0, "Mg": 0.6, "Na": 188.0}
    left, working = (ion_pairs.paired_concentrate(water, 260, 7.4, 60) for water in (HARD, soft))
    assert left.calcite_index is not None and working.calcite_index is not None
    assert left.calcite_index > 1.3 and working.calcite_index < 0.0


def test_water_without_calcium_has_no_calcite_index() -> None:
    assert ion_pairs.paired_water({"Na": 23.0, "Cl": 10.0}, 36, 7.0).calcite_index is None


@pytest.mark.parametrize(
    ("water", "alkalinity", "ph", "said"),
    [
        ({"Na": 23.0, "HCO3": 61.0}, 50, 7.0, "HCO3"),
        ({"Na": -1.0}, 50, 7.0, "Na = -1"),
        ({"Na": 23.0}, float("nan"), 7.0, "alkalinity_mg_l"),
        ({"Na": 23.0}, 50, 11.0, "ph = 11"),
        ({"Na": 23.0}, 0.0, 10.4, "a pH that this alkalinity can hold"),
        ({"Na": 9000.0, "Cl": 9000.0}, 50, 7.0, "ionic strength"),
    ],
)
def test_what_lies_outside_is_refused_by_name(
    water: dict[Ion, float], alkalinity: float, ph: float, said: str
) -> None:
    with pytest.raises(OutOfRange, match=said):
        ion_pairs.paired_water(water, alkalinity, ph)


def test_a_concentrate_that_would_leave_the_range_of_ph_is_refused() -> None:
    with pytest.raises(OutOfRange, match="after mixing or concentrating"):
        ion_pairs.paired_concentrate({"Na": 100.0, "Cl": 20.0}, 150, 10.2, 90)
