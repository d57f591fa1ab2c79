"""Derived channels in the site file: channels to rules, gates and pages; mistakes are told in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check import report
from monitor.config import ConfigMistakes, load
from monitor.plant.derived import NormalisedPressureDrop
from monitor.plant.model import Plant
from tests.heart.derived_shop import text

CHANNELS = {
    "in_ec": "conductivity",
    "out_ec": 'conductivity;gate = { flow = "in.counted" }',
    "out_warm": "temperature",
    "out_raw": "conductivity;compensated = false",
    "in_flow": "flow",
    "in_bar": "pressure",
    "in_total": "volume",
    "tank_level": "level",
    "ro_run": "contact",
}
COUNTED = '[[derived]]\nkind = "counted-flow"\nid = "in.counted"\ncounter = "in.total"\n'
REJECTION = '[[derived]]\nkind = "rejection"\nid = "ro.rejection"\npermeate = "out.ec"\nfeed = "in.ec"\n'
LOW = '[[rule]]\nkind = "limit"\nid = "low"\nchannel = "ro.rejection"\nbelow = "95 %"\n'


def plant(folder: Path, more: str) -> Plant:
    path = folder / "site.toml"
    path.write_text(text(COUNTED + more, **CHANNELS), encoding="utf-8")
    return load(path).plant


def refused(folder: Path, more: str) -> list[str]:
    with pytest.raises(ConfigMistakes) as caught:
        plant(folder, more)
    return [str(mistake) for mistake in caught.value.mistakes]


def test_a_derived_channel_is_a_channel_with_a_unit_a_place_and_a_name(tmp_path: Path) -> None:
    plant_ = plant(tmp_path, REJECTION + LOW)
    channel = plant_.channels["ro.rejection"]
    assert (channel.quantity, channel.unit) == ("fraction", "percent")
    assert plant_.place_of("ro.rejection") == "RO permeate"
    assert plant_.span_words("ro.rejection") == "rejection at RO permeate"
    assert plant_.instrument_of("ro.rejection").id == "out_ec-meter"
    assert plant_.interval_of("ro.rejection") == 60_000
    assert plant_.channels["out.ec"].gate is not None


def test_a_quotient_is_as_exact_as_its_inputs(tmp_path: Path) -> None:
    exact = {
        "in_ec": "conductivity;accuracy = { of_reading = '3 %' }",
        "out_ec": "conductivity;accuracy = { of_reading = '4 %' }",
    }
    path = tmp_path / "site.toml"
    path.write_text(text(REJECTION.replace("rejection", "salt-passage"), **exact), encoding="utf-8")
    accuracy = load(path).plant.channels["ro.salt-passage"].accuracy
    assert accuracy.at(2.0, "fraction", 100.0) == pytest.approx(0.1)  # 5 % of 2 %


def test_the_report_says_what_a_channel_is_computed_of(tmp_path: Path) -> None:
    written = text(COUNTED + REJECTION + LOW, **CHANNELS, tank_litres="volume")
    head, _, tail = written.partition('id = "tank.litres"')
    written = head + 'id = "tank.litres"' + tail.replace("counter = {}\n", "", 1)
    (tmp_path / "site.toml").write_text(written, encoding="utf-8")
    told = " ".join(report(load(tmp_path / "site.toml"), {}).split())
    assert "ro.rejection: fraction in %, rejection of out.ec, in.ec low (limit" in told
    assert "tank.litres: no counter, so it is taken as what a tank holds" in told
    assert "in.total: no largest_flow, so a burst of false pulses counts as water" in told


@pytest.mark.parametrize(
    ("keys", "caution"),
    [
        ('{ largest_flow = "60 L/min", rolls_over_at = 1000 }', "turns over every 17 min"),
        ('{ pulse_volume = "10 L", largest_flow = "60 L/min" }', "for one step of 10.0 L"),
    ],
)
def test_check_minds_registers_that_turn_over_soon_and_pulses_too_coarse_for_a_gate(
    tmp_path: Path, keys: str, caution: str
) -> None:
    own = f"volume;resolution = 1\ncounter = {keys}" + ('\nunit = "pulse"' if "pulse" in keys else "")
    path = tmp_path / "site.toml"
    path.write_text(text(COUNTED, **(CHANNELS | {"in_total": own})), encoding="utf-8")
    assert caution in " ".join(report(load(path), {}).split())


def derived(kind: str, keys: str) -> str:
    return f'[[derived]]\nkind = "{kind}"\nid = "x"\n{keys}\n'


NORMAL = 'permeate_flow = "in.flow"\ntemperature = "out.warm"\n'


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (derived("rejections", ""), '"rejection"? One of'),
        (REJECTION.replace("in.ec", "inn.ec"), '"in.ec"? One of'),
        (REJECTION.replace("in.ec", "in.bar"), 'a channel of conductivity or tds, "in.ec"? One of: '),
        (REJECTION.replace("in.ec", "out.ec"), 'another channel than "out.ec"'),
        (REJECTION.replace("in.ec", "out.raw"), "is not referred to 25 °C"),
        (REJECTION.replace("ro.rejection", "in.ec"), "an id of its own: the channel of line"),
        (REJECTION.replace("feed", "fed"), '"feed"? One of'),
        (LOW, '"ro.rejection", which is no channel of this site'),
        (REJECTION + LOW.replace("95 %", "95 uS/cm"), "fraction is written in percent, 1"),
        (derived("difference", 'of = "x"\nminus = "in.ec"'), "which is this channel itself"),
        (
            derived("difference", 'of = "ro.rejection"\nminus = "in.ec"') + REJECTION,
            '"ro.rejection", which is computed further down',
        ),
        (derived("difference", 'of = "in.bar"\nminus = "in.ec"'), "two channels of one quantity"),
        (derived("recovery", 'permeate_flow = "in.flow"'), "one of feed_flow and concentrate_flow"),
        (derived("litres", ""), "one of counter, flow and running"),
        (derived("litres", 'counter = "in.total"\nflow = "in.flow"'), "one of counter, flow and running"),
        (derived("litres", 'running = "ro.run"'), "running and rated_flow together"),
        (derived("litres", 'flow = "in.flow"\nsince = "x"'), "since (the event) together with the stage"),
        (derived("litres", 'flow = "in.flow"\nsince = "x"\nstage = "d"'), "which is no stage of this site"),
        (
            derived("run-time", 'running = "ro.run"\nof = "day"\nsince = "x"\nstage = "di"'),
            '"ever" with since',
        ),
        (derived("di-load", 'inlet = "in.ec"\nflow = "in.flow"'), "alkalinity and ph are needed"),
        (derived("di-load", 'inlet = "in.ec"\nflow = "in.flow"\nph = 7.0'), "the pH together with"),
        (derived("volume-from-level", 'level = "tank.level"'), "is in no sump, so its shape is needed"),
        (derived("volume-from-level", 'level = "tank.level"\nwidth = "1 m"'), "one shape: length and width"),
        (
            derived("volume-from-level", 'level = "tank.level"\ntable = [["0 mm", "9 L"], ["9 mm", "0 L"]]'),
            "never falling from point to point",
        ),
        (
            derived("normalised-flow", NORMAL + 'reference = { permeate_flow = "4 L/min" }'),
            "temperature\n  found:   nothing",
        ),
        (
            derived(
                "normalised-flow",
                NORMAL + 'feed_pressure = "in.bar"\nreference = { temperature = "25 degC", '
                'permeate_flow = "4 L/min", feed_pressure = "9 bar" }',
            ),
            "the driving pressure needs all of",
        ),
        (
            derived(
                "normalised-flow",
                NORMAL
                + 'reference = { temperature = "25 degC", permeate_flow = "4 L/min", feed = "9 mg/L" }',
            ),
            "feed serves nothing",
        ),
        (
            derived(
                "normalised-flow",
                NORMAL + 'temperature_table = [[10, 1.7], [25, 1.0]]\nreference = { temperature = "25 degC", '
                'permeate_flow = "4 L/min" }',
            ),
            "factor or divisor?",
        ),
    ],
)
def test_a_derived_channel_that_does_not_fit_is_refused_with_its_line_and_what_would(
    tmp_path: Path, more: str, told: str
) -> None:
    (mistake,) = refused(tmp_path, more)
    assert told in mistake
    assert mistake.startswith("line ")


def test_a_reference_whose_permeate_is_all_of_its_feed_is_refused() -> None:
    flows = {
        "feed_flow": "in",
        "permeate_flow": "out",
        "at_feed_flow": "4 L/min",
        "at_permeate_flow": "4 L/min",
    }
    with pytest.raises(ValueError, match="a permeate flow below the feed flow"):
        NormalisedPressureDrop.model_validate(
            {"kind": "normalised-pressure-drop", "id": "drop", "pressure_drop": "gauge", **flows}
        )


def test_a_volume_without_a_counter_gives_no_litres(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    plain = text(derived("litres", 'counter = "in.total"'), in_total="volume").replace("counter = {}\n", "")
    path.write_text(plain, encoding="utf-8")
    with pytest.raises(ConfigMistakes, match=r'"in\.total" has no counter; give that channel one'):
        load(path)


def test_a_mistake_in_an_input_is_told_once_and_not_again_of_what_rests_on_it(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    wrong = text(
        COUNTED + REJECTION + LOW, **(CHANNELS | {"in_ec": 'conductivity;unit = "furlong"\njump = "1 mS/cm"'})
    )
    path.write_text(wrong, encoding="utf-8")
    with pytest.raises(ConfigMistakes) as caught:
        load(path)
    assert [m.found for m in caught.value.mistakes] == ['unit "furlong" cannot be turned into µS/cm']


def test_stuck_leaves_computed_channels_out_and_refuses_them_by_name(tmp_path: Path) -> None:
    stuck = '[[rule]]\nkind = "stuck"\nid = "stuck"\n'
    path = tmp_path / "site.toml"
    path.write_text(text(COUNTED + REJECTION + stuck, **CHANNELS), encoding="utf-8")
    assert not {"ro.rejection", "in.counted"} & load(path).rules[-1].channels
    (mistake,) = refused(tmp_path, REJECTION + stuck + 'channels = ["ro.rejection"]\n')
    assert "watch what it is computed of: out.ec, in.ec" in mistake
