"""`goodwater calc`: any unit of the dimension, defaults told, mistakes refused in one line."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import calc
from monitor.calc import answer, request
from monitor.catalogue import quantities
from monitor.plant.units import scale_between
from tests.calc import examples


def asked(*words: str) -> dict[str, object]:
    """The single figure of a request, by way of --json."""
    text = examples.run(" ".join([*words, "--json"]))
    return {row["name"]: row["value"] for row in json.loads(text)["result"]}


def test_every_example_of_the_how_to_shows_what_the_command_prints() -> None:
    page = examples.PAGE.read_text(encoding="utf-8")
    assert examples.with_outputs(page) == page
    assert len(examples.commands(page)) > 15


@pytest.mark.parametrize(
    "words",
    [
        ("ec=310 uS/cm", "temperature=14 degC"),
        ("ec=0.31 mS/cm", "temperature=57.2 degF"),
        ("ec=31 mS/m", "temperature=287.15 K"),
        ("ec=310 µS/cm", "temperature=14 °C"),
        ("ec=310uS/cm", "temperature=14C"),
        ("ec_us_cm=310", "temperature_c=14"),
        ("ec-us-cm=310", "temperature=14", "degC"),
    ],
)
def test_the_same_water_in_any_unit_gives_the_same_answer(words: tuple[str, ...]) -> None:
    assert asked("ec25_natural_us_cm", *words)["ec25_natural"] == pytest.approx(398.97, abs=0.01)


@pytest.mark.parametrize(
    ("unit", "mass"),
    [
        ("gpg", 17.118),
        ("dH", 17.848),
        ("fH", 10.0),
        ("Clark", 14.254),
        ("mg/L", 1.0),
        ("ppm as CaCO3", 1.0),
        ("mg/L as CaCO3", 1.0),
        ("g/L", 1000.0),
    ],
)
def test_hardness_is_taken_in_every_unit_of_the_trade(unit: str, mass: float) -> None:
    # grain 64.79891 mg, US gallon 3.785411784 L, dH 10 mg CaO/L, fH 10 mg CaCO3/L: definitions
    assert asked("hardness_units", f"hardness=1 {unit}")["hardness_mg_l"] == pytest.approx(mass, rel=1e-4)


def test_hardness_and_alkalinity_always_say_what_they_are_counted_as(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert calc.main(["hardness_from_ca_mg_mg_l", "ca=50", "mg/L", "mg=10", "mg/L"]) == 0
    assert "hardness_from_ca_mg = 166 mg/L as CaCO3" in capsys.readouterr().out
    assert calc.main(["bicarbonate_mg_l", "--help"]) == 0
    out = capsys.readouterr().out
    assert "mg/L as CaCO3" in out
    assert "Answer in mg/L\n" in out


def test_a_name_may_leave_out_its_unit_and_be_written_with_hyphens() -> None:
    assert request.find("ec25-natural").name == "ec25_natural_us_cm"


@pytest.mark.parametrize(
    ("request_", "text"),
    [
        ("ec25_natural_us_cm ec=310 bar temperature=14 degC", 'unit "bar" cannot be turned into µS/cm'),
        ("ec25_natural_us_cm ec=310 zork temperature=14 degC", 'unit "zork" is not known'),
        ("ec25_natural_us_cm ec=310 temperature=14 degC", "has no unit; write for example 310 µS/cm"),
        ("ec25_natural_us_cm ec=310 uS/cm", "also needs temperature in °C"),
        ("ec25_natural_us_cm ec=310 uS/cm temp=14 degC", 'has no input "temp"; it takes ec, temperature'),
        ("ec25_natural_us_cm ec=1 uS/cm ec=2 uS/cm temperature=14 C", "ec is given twice"),
        ("ec25_natural_us_cm 310 temperature=14 C", '"310" is no input; write input=VALUE UNIT'),
        ("ec25_natural_us_cm ec=much temperature=14 C", "a number is wanted, then its unit"),
        ("ec25_natural_us_cm ec=nan temperature=14 C", "a number is wanted, then its unit"),
        ("ec25_natural_us_cm ec=1,2 uS/cm temperature=14 C", "one number is wanted"),
        (
            "ec25_natural_us_cm ec=310 uS/cm temperature=40 C",
            "temperature_c = 40 is out of range: 0 to 35.9 °C",
        ),
        ("tds_mg_l ec25=310 uS/cm scale=sea", 'scale = "sea": one of nacl, kcl, 442, natural, own'),
        ("anions_meq_l", "also needs at least one of H, Na"),
        ("as_caco3_factor species=CO2 sites=1.5", "a whole number is wanted"),
        ("no_such_thing x=1", 'there is no quantity "no_such_thing"'),
    ],
)
def test_a_wrong_request_is_refused_in_one_line_with_status_2(
    request_: str, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert calc.main(request_.split()) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert text in err
    assert len(err.splitlines()) == 1


def test_the_answer_tells_the_defaults_it_used(capsys: pytest.CaptureFixture[str]) -> None:
    assert calc.main(["ec25_linear_us_cm", "ec=12.5", "uS/cm", "temperature=15", "C"]) == 0
    out = capsys.readouterr().out
    assert "ec25_linear = 15.62 µS/cm" in out
    assert "defaults: alpha 0.02 1/°C, reference 25 °C" in out


def test_a_price_takes_a_currency_and_refuses_two(capsys: pytest.CaptureFixture[str]) -> None:
    base = "train_cost permeate=6 m3/month hardness=250 mg/L di_load=0.5 meq/L"
    assert calc.main(f"{base} water=2.1 EUR/m3".split()) == 0
    assert "EUR" in capsys.readouterr().out
    assert calc.main(f"{base} water=2.1 EUR/m3 salt=0.4 USD/kg".split()) == 2
    assert "prices in EUR and USD: use one currency" in capsys.readouterr().err


def test_the_list_holds_every_quantity_in_its_group(capsys: pytest.CaptureFixture[str]) -> None:
    assert calc.main([]) == 0
    plain = capsys.readouterr().out
    assert all(f"  {name} " in plain for name in quantities())
    assert "water.conductivity: Conductivity against temperature" in plain
    assert calc.main(["list", "--json"]) == 0
    assert {row["quantity"] for row in json.loads(capsys.readouterr().out)} == set(quantities())


def test_the_list_can_be_searched_by_a_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert calc.main(["list", "evaporation"]) == 0
    out = capsys.readouterr().out
    assert "evaporation_band" in out
    assert "tds_mg_l" not in out
    assert calc.main(["list", "unicorn"]) == 2
    assert "no quantity has to do with unicorn" in capsys.readouterr().err


def test_the_answer_comes_in_the_unit_that_is_wanted(capsys: pytest.CaptureFixture[str]) -> None:
    request_ = ["sump_volume_after_l", "volume=300", "L", "evaporation=10", "L/d", "mixture_loss=2", "L/d"]
    assert calc.main([*request_, "time=5", "d", "--in", "gal"]) == 0
    assert "= 63.4 gal" in capsys.readouterr().out  # 240 L / 3.785411784
    assert calc.main([*request_, "time=5", "d", "--in", "bar"]) == 2
    assert "the answer is in L; it cannot be given in bar" in capsys.readouterr().err


def test_help_explains_one_quantity(capsys: pytest.CaptureFixture[str]) -> None:
    assert calc.main(["ec25_natural_us_cm", "--help"]) == 0
    out = capsys.readouterr().out
    for part in (
        "ISO 7888",
        "k25 = k(T) f25(T)",
        "0 to 35.9 °C",
        ">>> ",
        "Answer in µS/cm",
        "temperature  °C",
    ):
        assert part in out


@pytest.mark.parametrize("name", sorted(quantities()))
def test_every_quantity_can_be_explained(name: str) -> None:
    text = answer.explain(quantities()[name])
    assert all(each.name in text for each in quantities()[name].inputs)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.054963, "0.05496"),
        (398.974, "399"),
        (14590.4, "14590"),
        (1234567.0, "1235000"),
        (1.2345e9, "1.234e+09"),
        (1.5e-6, "1.5e-06"),
        (0.0, "0"),
        (-2.30126, "-2.301"),
    ],
)
def test_an_answer_has_four_significant_digits(value: float, shown: str) -> None:
    assert answer.significant(value) == shown


@given(
    value=st.floats(-1e6, 1e6), unit=st.sampled_from(["mS/cm", "degF", "gpg", "gal", "psi", "ft/min", "%"])
)
def test_units_come_back(value: float, unit: str) -> None:
    own = {
        "mS/cm": "uS/cm",
        "degF": "degC",
        "gpg": "mg/L",
        "gal": "L",
        "psi": "bar",
        "ft/min": "m/s",
        "%": "1",
    }
    there, back = scale_between(unit, own[unit]), scale_between(own[unit], unit)
    assert back.apply(there.apply(value)) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_carbon_dioxide_is_not_said_to_be_as_calcium_carbonate(capsys: pytest.CaptureFixture[str]) -> None:
    assert calc.main(["co2_from_alkalinity_mg_l", "alkalinity=160", "mg/L", "ph=7.2"]) == 0
    assert capsys.readouterr().out.splitlines()[0].endswith(" mg/L")
