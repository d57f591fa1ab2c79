"""Each thing that will disappoint is said before it does, with its place and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check.cautions import cautions
from monitor.check.figures import figures
from monitor.config import load
from tests.config.sites import SITE, changed, written

BEHIND_DI = (
    ('id = "ro"\nkind = "ro"\n', 'id = "ro"\nkind = "ro"\n[[stage]]\nid = "di"\nkind = "di"\n'),
    ('id = "permeate"\nafter = "ro"', 'id = "permeate"\nafter = "di"'),
)
TAP = 'id = "tap"\nkind = "tap"\n'
EC = "range = [0.0, 200.0]\n"
FLOW = "range = [0.0, 20.0]\n"
PERSON = 'to = "lead@shop.example"'
LEVEL = """
[[instrument]]
id = "m1-level"
sump = "m1"
expected_interval = "10 min"
wire = { kind = "mqtt", broker = "hall", topic = "m1", payload = { kind = "json", time = "/t", values = { "m1.level" = "/v" } } }

[[instrument.channel]]
id = "m1.level"
quantity = "level"
unit = "mm"
range = [0.0, 400.0]
resolution = 1.0

[[rule]]
kind = "loss"
id = "loss"

[[rule]]
kind = "limit"
id = "m1-full"
channel = "m1.level"
above = "340 mm"
deadband = "10 mm"
"""  # noqa: E501 - one instrument, one line


def told(folder: Path, text: str) -> list[str]:
    return [str(caution) for caution in cautions(load(written(folder, text)), {})]


def levelled(*changes: tuple[str, str]) -> str:
    """SITE with a level sensor in its sump, and texts of that replaced."""
    text = LEVEL
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return SITE + text


# (what is changed, the line of the new text that is named, what is said)
CASES: list[tuple[str, str, str, str]] = [
    (
        "a limit that only a discharge passes",
        changed(*BEHIND_DI, (TAP, f'{TAP}conductivity = "150 uS/cm"\n')),
        'above = "20 uS/cm"',
        "the limit 20.0 µS/cm is more than 80 % of all that the feed of di can reach (15 µS/cm: 10 % of the "
        "150 µS/cm before ro). Were it to let its feed through unchanged, the limit would not be passed; "
        "only a discharge would pass it. Right is one under 12 µS/cm.",
    ),
    (
        "a limit behind a membrane that only a worse tap passes",
        changed((TAP, f'{TAP}conductivity = "24 uS/cm"\n')),
        'above = "20 uS/cm"',
        "only a worse tap would pass it. Right is one under 19 µS/cm.",
    ),
    (
        "an accuracy of full scale that swallows the limit",
        changed(('of_reading = "2 %"', 'of_full_scale = "3 %"')),
        "accuracy",
        "That is 3 % of its full scale 200.0 µS/cm, wherever it reads. Right is a range that ends at 166.7",
    ),
    (
        "a cell for salt water in permeate",
        changed((EC, f"{EC}cell_constant = 10.0\n")),
        "cell_constant",
        "good for 50 to 200000 µS/cm and the limit of ro-high, 20.0 µS/cm, is outside: there leads, cable "
        "and stray currents are measured too. Right is a cell of about 0.1 per cm.",
    ),
    (
        "a cell for pure water over a wide range",
        changed(("range = [0.0, 200.0]\n", "range = [0.0, 5000.0]\ncell_constant = 0.1\n")),
        "cell_constant",
        "the end of its range, 5000.0 µS/cm, is outside",
    ),
    (
        "a gate finer than its meter",
        changed((FLOW, f'{FLOW}minimum_flow = "1 L/min"\n')),
        "gate =",
        "its gate calls 0.2 L/min running water, but under its minimum of 1.00 L/min the meter ro.flow reads "
        'nought or nonsense. Set above to "1 L/min" or more.',
    ),
    (
        "a meter larger than its membrane",
        changed(
            (FLOW, f'{FLOW}minimum_flow = "3 L/min"\n'),
            ('kind = "ro"', 'kind = "ro"\nrated_flow = "2 L/min"'),
        ),
        "minimum_flow",
        "ro makes 2 L/min, and under its minimum of 3.00 L/min the meter ro.flow reads nought or nonsense",
    ),
    (
        "a low flow that the meter does not feel",
        changed((FLOW, f'{FLOW}minimum_flow = "0.1 L/min"\n'))
        + '[[rule]]\nkind = "limit"\nid = "slow"\nchannel = "ro.flow"\nbelow = "0.05 L/min"\n',
        'kind = "limit"\nid = "slow"',
        "slow: the limit 0.05 L/min lies too low: under its minimum of 0.10 L/min the meter ro.flow reads",
    ),
    (
        "a range that reaches into the blind zone",
        levelled(("[0.0, 400.0]\n", '[0.0, 400.0]\nmounting_height = "500 mm"\nblind_zone = "120 mm"\n')),
        "blind_zone",
        "above 380 mm the level is in its blind zone (120 mm below its face), where a full tank can read as "
        "a lower one. End its range at 380 mm, or mount it higher.",
    ),
    (
        "an overfill limit in the blind zone",
        levelled(("[0.0, 400.0]\n", '[0.0, 300.0]\nmounting_height = "450 mm"\nblind_zone = "120 mm"\n')),
        'kind = "limit"\nid = "m1-full"',
        "m1-full: the limit 340 mm cannot be seen: above 330 mm the level is in its blind zone",
    ),
    (
        "a full sump in the blind zone",
        levelled(
            ("[0.0, 400.0]\n", '[0.0, 200.0]\nmounting_height = "360 mm"\nblind_zone = "120 mm"\n'),
            ('above = "340 mm"', 'below = "80 mm"'),
        ),
        "blind_zone",
        "m1 is full at about 250 mm (its litres over its surface), but above 240 mm the level is in its "
        "blind zone (120 mm below its face), where a full tank can read as a lower one. Mount the sensor at "
        "least 370 mm above the zero.",
    ),
    (
        "a float whose step is days of the loss looked for",
        levelled(("resolution = 1.0", "resolution = 10.0")),
        "resolution = 10.0",
        "m1.level: one step of 10 mm is 8.0 L of m1; the loss that loss looks for is about 2.5 L a day, so "
        "10 days pass before it shows. Right are steps of 7 mm or less.",
    ),
    (
        "a softener judged by conductivity",
        changed(('id = "ro"\nkind = "ro"', 'id = "ro"\nkind = "softener"')),
        'channel = "ro.ec"',
        "ro-high: judges ro by conductivity, which does not show hardness: a softener that has stopped reads "
        "as before. Right is rule softener: a hardness test each week, salt against litres.",
    ),
    (
        "chlorine before a membrane without carbon",
        changed((TAP, f'{TAP}chlorine = "0.3 mg/L"\n')),
        '[[stage]]\nid = "ro"',
        "ro: the tap has 0.3 mg/L of chlorine and no carbon stands before the membrane",
    ),
]  # fmt: skip


def test_a_small_right_file_has_none_of_these_cautions(tmp_path: Path) -> None:
    said = " ".join([*told(tmp_path, SITE), *told(tmp_path, levelled())])
    unwanted = (
        "80 %",
        "full scale",
        "cell constant",
        "minimum",
        "blind zone",
        "one step",
        "hardness",
        "chlorine",
    )
    assert [word for word in unwanted if word in said] == []


@pytest.mark.parametrize(("text", "at", "words"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_what_will_disappoint_is_said_with_its_line_and_what_would_be_right(
    tmp_path: Path, text: str, at: str, words: str
) -> None:
    found = [line for line in told(tmp_path, text) if words in line]
    assert len(found) == 1, told(tmp_path, text)
    place = text.index(at)
    start = text.rfind("[[", 0, place) if at.startswith("kind") else place
    assert found[0].startswith(f"line {text[:start].count(chr(10)) + 1}, ")


def test_dissolved_solids_behind_a_membrane_are_held_against_its_feed_as_conductivity(tmp_path: Path) -> None:
    tds = changed(
        (TAP, f'{TAP}conductivity = "24 uS/cm"\n'),
        ('"conductivity"\nunit = "uS/cm"', '"tds"\nunit = "ppm"\ntds_scale = "own"\ntds_factor = 0.5'),
        ('compensation = "linear"\ntemperature = "ro.t"\n', ""),
        ('above = "20 uS/cm"', 'above = "10 ppm"'),
    )  # fmt: skip
    assert any("more than 80 % of all" in line for line in told(tmp_path, tds))
    assert not any(
        "80 %" in line for line in told(tmp_path, tds.replace('above = "10 ppm"', 'above = "9 ppm"'))
    )


P_NODE = """
[[point]]
id = "ro-out"
after = "ro"

[[instrument]]
id = "p-node"
point = "ro-out"
expected_interval = "30 s"
wire = { kind = "mqtt", broker = "hall", topic = "p", payload = { kind = "number" } }

[[instrument.channel]]
id = "p.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
compensated = true

[[rule]]
kind = "creep"
id = "creep"
permeate = "p.ec"
feed = "tap.tds"
"""


def test_the_passage_that_rule_creep_tells_of_is_what_a_membrane_can_reach(tmp_path: Path) -> None:
    text = changed(*BEHIND_DI, (TAP, f'{TAP}conductivity = "260 uS/cm"\n')) + P_NODE
    assert not any("80 %" in line for line in told(tmp_path, text))
    told_at = told(tmp_path, text + 'limit = "8 %"\n')
    assert any("(21 µS/cm: 8 % of the 260 µS/cm before ro)" in line for line in told_at)


def test_a_bed_and_a_membrane_are_judged_without_a_gate_too(tmp_path: Path) -> None:
    bare = changed(('gate = { flow = "ro.flow", minutes = "5 min" }\n', ""))
    creep = '\n[[rule]]\nkind = "creep"\nid = "creep"\npermeate = "ro.ec"\n'
    assert any("ro-high, creep: ro.ec has no gate" in line for line in told(tmp_path, bare + creep))


def test_a_probe_in_a_tank_needs_no_gate(tmp_path: Path) -> None:
    bare = changed(
        ('gate = { flow = "ro.flow", minutes = "5 min" }\n', ""),
        ('id = "ro"\nkind = "ro"', 'id = "ro"\nkind = "tank"'),
    )
    assert not any("has no gate" in line for line in told(tmp_path, bare))


def test_an_example_address_is_said_to_reach_nobody(tmp_path: Path) -> None:
    words = "mail to lead@shop.example: a name kept for examples, where nothing arrives"
    assert any(words in line for line in told(tmp_path, SITE))
    real = changed((PERSON, 'to = "lead@shop.internal"'))
    assert not any("kept for examples" in line for line in told(tmp_path, real))


def test_one_person_by_one_way_is_said_to_be_few(tmp_path: Path) -> None:
    assert any("all alarms go to one person by one way" in line for line in told(tmp_path, SITE))
    second = SITE.replace(
        'via = "office" }]', 'via = "office" }, { kind = "email", to = "two@shop.example" }]'
    )
    assert not any("one way" in line for line in told(tmp_path, second))


def test_an_urgent_alarm_without_a_reminder_is_told_once_and_that_is_said(tmp_path: Path) -> None:
    assert any("high priority, told once" in line for line in told(tmp_path, SITE))
    reminded = SITE + '\n[alarms]\nremind_high = "2 h"\n'
    assert not any("told once" in line for line in told(tmp_path, reminded))


def test_a_file_without_rules_is_said_to_alarm_nobody(tmp_path: Path) -> None:
    head, tail = SITE[: SITE.index("[[rule]]")], SITE[SITE.index("[[person]]") :]
    assert any("no alarm is ever raised" in line for line in told(tmp_path, head + tail))
    assert not any("no alarm is ever raised" in line for line in told(tmp_path, SITE))


def test_cautions_stand_in_the_order_of_the_file(tmp_path: Path) -> None:
    found = cautions(load(written(tmp_path, changed((EC, f"{EC}cell_constant = 10.0\n")))), {})
    assert [c.line for c in found] == sorted(c.line for c in found)


PLATES = (
    (TAP, f'{TAP}hardness = "18 gpg"\nalkalinity = "140 mg/L"\nph = 7.6\nconductivity = "610 uS/cm"\n'),
    (
        'id = "ro"\nkind = "ro"\n',
        'id = "soft"\nkind = "softener"\nresin = "40 L"\nsalt = "128 g/L"\nregeneration = "timed"\n'
        'regenerates_every = "3 d"\n[[stage]]\nid = "ro"\nkind = "ro"\nrated_flow = "4 L/min"\n'
        'recovery = "60 %"\n[[stage]]\nid = "di"\nkind = "di"\nresin = "20 L"\n',
    ),
    (
        "[[sump]]",
        '[[coolant]]\nid = "c"\nfactor = 1.3\nband = ["6 %", "9 %"]\nmineral_limit = "600 mg/L"\n[[sump]]',
    ),
)
# worked by hand: 40 L at 55 g/L (128 g/L of salt) over 18 gpg = 308.1 mg/L is 7140 L, 2380 L a day; 4/0.6;
# 12.2 to 61 uS/cm over 2.5 x 50.04 is 0.0975 to 0.4876 meq/L, alkalinity 140 at pH 7.6 brings 6.3 mg/L of
# CO2 (0.143 meq/L; pK1 6.37, activity at 0.008 mol/L), together 0.241 to 0.631, into 20 L x 0.412 eq/L;
# 6/1.3 and 9/1.3; 600/308.1
FIGURES = [
    "soft: softens about 7 100 L of water of 18 gpg and then takes 5.1 kg of salt. Timed every 3 d, it keeps "
    "up with 2 400 L a day",
    "ro: to make 4 L/min at 25 °C it takes 6.7 L/min, and 2.7 L/min go down the drain",
    "di: fresh resin treats 13 000 to 34 000 L",
    "c: 6 % to 9 % is 4.6 to 6.9 °Brix on the refractometer",
    "its limit of 600 mg/L once that water has concentrated 1.9 times",
    "m1: a millimetre of level is 0.8 L",
]


def test_what_follows_from_plates_and_sheets_is_reckoned(tmp_path: Path) -> None:
    said = " ".join(figures(load(written(tmp_path, changed(*PLATES)))))
    assert [words for words in FIGURES if words not in said] == [], said


def test_nothing_is_reckoned_from_what_is_not_known(tmp_path: Path) -> None:
    bare = changed(('surface = "0.8 m2"\n', ""))
    assert list(figures(load(written(tmp_path, bare)))) == []
