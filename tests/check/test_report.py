"""What `goodwater check` says of a right file: what is watched, what cannot be told, what would help."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check import report
from monitor.config import load
from tests.config.sites import SITE, changed, written

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))


def said(folder: Path, *changes: tuple[str, str], text: str = "") -> str:
    """The report as one line of text, so that no test depends on where lines break."""
    return " ".join(report(load(written(folder, text or changed(*changes))), {}).split())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_report_of_every_example_fits_80_columns_of_plain_text(path: Path) -> None:
    text = report(load(path), {})
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "\x1b" not in text


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_channel_and_every_rule_of_an_example_is_named(path: Path) -> None:
    site = load(path)
    text = report(site, {})
    assert all(f"{channel}: " in text for channel in site.plant.channels)
    assert all(f"{rule.settings.id} (limit" in text for rule in site.rules if rule.kind == "limit")


def test_a_channel_is_told_with_place_unit_rule_and_silence(tmp_path: Path) -> None:
    text = said(tmp_path, ('priority = "high"\n', 'priority = "high"\non_delay = "5 min"\n'))
    assert "permeate ro.ec: conductivity in µS/cm, silence told after 90 s (medium)" in text
    assert "ro-high (limit, high): above 20 µS/cm, on delay 5 min" in text
    assert "judged only while ro.flow runs, after 5 min" in text
    assert "ro.t: temperature in °C, silence told after 90 s (medium) stored, not judged" in text


def test_the_shorter_silence_of_two_rules_is_told_with_both(tmp_path: Path) -> None:
    urgent = 'kind = "silent"\nid = "fast"\ninstruments = ["ro-node"]\nafter = "1 min"\npriority = "high"\n'
    text = said(tmp_path, text=SITE.replace("[[person]]", f"[[rule]]\n{urgent}\n[[person]]"))
    assert "ro.ec: conductivity in µS/cm, silence told after 90 s (medium) or 1 min (high)" in text


def test_each_person_is_told_with_their_ways(tmp_path: Path) -> None:
    assert "Maintenance lead (high, medium): mail to lead@shop.example" in said(tmp_path)


def test_hardness_is_never_promised_from_conductivity(tmp_path: Path) -> None:
    assert "Hardness: conductivity and TDS do not show it" in said(tmp_path)


HARDNESS = (
    ('quantity = "tds"\nunit = "ppm"', 'quantity = "hardness"\nunit = "gpg"'),
    ('tds_scale = "nacl"\n', ""),
)
CHLORINE = (
    ('quantity = "tds"\nunit = "ppm"', 'quantity = "chlorine"\nunit = "ppm"'),
    ('tds_scale = "nacl"\n', ""),
)
BLIND = [
    (CHLORINE, "Silica, bacteria", "Silica, chlorine"),
    (HARDNESS, "Whether the supplier's water changed", "Hardness: conductivity"),
    ((('point = "tap-out"', 'sump = "m1"'),), "ro: rejection, because its feed is not measured", "no level"),
    (
        (('id = "tap"\nkind = "tap"', 'id = "tap"\nkind = "ro"'),),
        "Whether the supplier's water changed",
        "calendar",
    ),
    ((('kind = "ro"', 'kind = "di"'),), "Coolant concentration", "calendar"),
    ((('id = "ro"\nkind = "ro"', 'id = "ro"\nkind = "carbon"'),), "Silica, chlorine, bacteria", "rejection"),
]


@pytest.mark.parametrize(("changes", "there", "absent"), BLIND)
def test_what_cannot_be_told_follows_from_what_is_measured(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], there: str, absent: str
) -> None:
    text = said(tmp_path, *changes)
    assert there in text
    assert absent not in text


def test_a_train_that_measures_feed_permeate_and_flow_can_tell_rejection(tmp_path: Path) -> None:
    text = said(tmp_path)
    assert "rejection" not in text
    assert "permeate's flow is not measured" not in text


def test_one_meter_is_told_what_it_cannot_tell() -> None:
    text = " ".join(report(load(CONFIG / "one-meter.toml"), {}).split())
    blind = text[text.index("What cannot be told") : text.index("What the next instruments")]
    for words in (
        "Hardness: conductivity and TDS do not show it",
        "Silica, chlorine, bacteria",
        "Whether the supplier's water changed",
        "whether a worse outlet is a spent bed or a worse feed",
        "whether water runs",
        "how many litres the bed has treated",
        "Sumps: the file names none",
    ):
        assert words in blind
    assert "di-high, bed: di-out.ec has no gate" in text and "these alarms reach nobody" in text


def test_one_meter_is_told_the_cheapest_next_instrument_first() -> None:
    text = report(load(CONFIG / "one-meter.toml"), {})
    suggestions = text[text.index("the cheapest first") :].split("  - ")
    assert suggestions[1].startswith("A flow switch at DI bed")
    assert suggestions[2].startswith("A conductivity probe in the feed of DI bed")


def test_tests_that_are_made_already_are_not_recommended() -> None:
    tested = report(load(CONFIG / "small-shop.toml"), {})
    assert "Hardness test" not in tested and "chlorine test kit" not in tested
    untested = report(load(CONFIG / "large-shop.toml"), {})
    assert "A chlorine test kit for the water behind the carbon" in " ".join(untested.split())


CAUTIONS = [
    ((('gate = { flow = "ro.flow", minutes = "5 min" }\n', ""),), "ro-high: ro.ec has no gate"),
    ((('gate = { flow = "ro.flow", minutes', "gate = { minutes"),), "ro.ec: its gate has no flow"),
    (
        (('above = "20 uS/cm"', 'above = "300 uS/cm"'),),
        "lies beyond what ro.ec can show (0.0 µS/cm to 200.0 µS/cm)",
    ),
    ((('above = "20 uS/cm"', 'below = "0 uS/cm"'),), "lies beyond what ro.ec can show"),
    ((('"2 %" }', '"2 %", absolute = "6 uS/cm" }'),), "may be wrong by 6.0 µS/cm at the limit 20.0 µS/cm"),
    ((('accuracy = { of_reading = "2 %" }\n', ""),), "ro.ec: no accuracy given"),
    ((('compensation = "linear"\ntemperature = "ro.t"\n', ""),), "ro.ec: may or may not be compensated"),
    (
        (('compensation = "linear"\ntemperature = "ro.t"', "compensated = false"),),
        "ro.ec: is not compensated for temperature",
    ),
    ((('time = "/t", ', ""),), "ro-node: the payload carries no time"),
    ((('point = "permeate"\n', ""),), "ro-node: neither point nor sump"),
    (
        (('kind = "silent"\n', 'kind = "silent"\ninstruments = ["tap-meter"]\n'),),
        "ro-node: no rule of kind silent",
    ),
    (
        (
            ('quantity = "flow"\nunit = "L/min"', 'quantity = "contact"\nunit = "1"'),
            ('minutes = "5 min"', 'litres = "20 L"'),
        ),
        "ro.ec: a contact counts no litres",
    ),
    (
        (('kind = "ro"', 'kind = "ro"\n[[stage]]\nid = "soft"\nkind = "softener"'),),
        "soft: behind ro, an unusual order",
    ),
    (
        (('security = "none"', 'security = "tls"\nusername = "x"\npassword_env = "PW"'),),
        "Maintenance lead cannot be told by mail to lead@shop.example yet",
    ),
    (
        (
            (
                'host = "127.0.0.1"\n\n[[serial',
                'host = "127.0.0.1"\nusername = "x"\npassword_env = "PW"\n\n[[serial',
            ),
        ),
        'Broker "hall" cannot be logged in to yet',
    ),
]


@pytest.mark.parametrize(("changes", "caution"), CAUTIONS)
def test_what_will_disappoint_is_said_before_and_only_then(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], caution: str
) -> None:
    assert caution in said(tmp_path, *changes)
    assert caution not in said(tmp_path)


def test_a_limit_without_deadband_and_delay_is_said_to_chatter(tmp_path: Path) -> None:
    assert "neither deadband nor on_delay" in said(tmp_path)
    calm = ('priority = "high"\n', 'priority = "high"\ndeadband = "2 uS/cm"\n')
    assert "neither deadband nor on_delay" not in said(tmp_path, calm)


def test_a_meter_that_shows_a_quarter_of_the_limit_well_is_no_caution(tmp_path: Path) -> None:
    fine = ('"2 %" }', '"2 %", absolute = "5 uS/cm" }')
    assert "may be wrong by" not in said(tmp_path, fine)


def test_the_report_always_ends_by_saying_that_it_is_no_safety_system(tmp_path: Path) -> None:
    assert said(tmp_path).endswith("licensed people.")
    assert "It is no safety system" in said(tmp_path)


BUS = """
[[serial_port]]
id = "bus"
device = "/dev/ttyUSB1"

[[instrument]]
id = "di-node"
point = "permeate"
expected_interval = "10 s"

[instrument.wire]
kind = "modbus-rtu"
port = "bus"
unit = 3
every = "1 min"
value = [{ channel = "di.ec", address = 0, type = "float32" }]

[[instrument.channel]]
id = "di.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 200]
resolution = 0.1
"""


def test_a_modbus_bus_is_cautioned_about_once(tmp_path: Path) -> None:
    text = said(tmp_path, text=SITE + BUS)
    assert text.count('Serial port "bus": Goodwater asks the instruments on this bus itself.') == 1
    assert "can trip machines" in text and "a second master" not in said(tmp_path)


def test_an_instrument_read_more_seldom_than_expected_is_told(tmp_path: Path) -> None:
    text = said(tmp_path, text=SITE + BUS)
    assert "di-node: read every 1 min, expected every 10 s; it will be taken for silent." in text
    assert "read every" not in said(tmp_path, text=SITE + BUS.replace('"10 s"', '"1 min"'))
