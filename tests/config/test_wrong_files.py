"""Each wrong file is told of with its line, its place in words, what stands there and what may."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import ConfigMistakes, Mistake, load
from tests.config.sites import changed, written

# a key that is missing is told of at the head of its table
CHANNEL_OF_TAP = '[[instrument.channel]]\nid = "tap.tds"'
CHANNEL_OF_RO = '[[instrument.channel]]\nid = "ro.ec"'

# (what is replaced, by what, the line of the new text that is named, place, found, words of what is allowed)
CASES: list[tuple[str, str, str, str, str, list[str]]] = [
    # ---- keys
    (
        'name = "Example Shop"',
        'nmae = "Example Shop"',
        "nmae",
        "site > nmae",
        'the unknown key "nmae"',
        ["name"],
    ),
    ('name = "Example Shop"\n', "", "[site]", "site > name", "nothing", ["needed"]),
    ('unit = "ppm"\n', "", CHANNEL_OF_TAP, 'channel "tap.tds" > unit', "nothing", ["needed"]),
    (
        "resolution = 1.0\n",
        "resolution = 1.0\nuint = 1\n",
        "uint",
        'channel "tap.tds" > uint',
        '"uint"',
        ['"unit"?'],
    ),
    ("[[sump]]", "[[sumps]]", "[[sumps]]", "sumps", 'unknown key "sumps"', ['"sump"?']),
    ('[[sump]]\nid = "m1"', '[sump]\nid = "m1"', "[sump]", "sump", "a table", ["[[sump]]"]),
    ('id = "lead"', "id = 7", "id = 7", "person number 1 > id", "7", ["text in quotes"]),
    ('id = "m1"', 'id = "M 1"', 'id = "M 1"', 'sump "M 1" > id', '"M 1"', ["lower-case"]),
    # ---- kinds
    ('kind = "ro"', 'kind = "r0"', 'kind = "r0"', 'stage "ro" > kind', '"r0"', ['"ro"?', '"softener"']),
    (
        'kind = "mqtt"',
        'kind = "mqqt"',
        'kind = "mqqt"',
        "wire > kind",
        '"mqqt"',
        ['"mqtt"?', '"serial-line"'],
    ),
    ('kind = "mqtt"\n', "", "[instrument.wire]", 'instrument "ro-node" > wire > kind', "nothing", ["needed"]),
    ('kind = "silent"', 'kind = "quiet"', 'kind = "quiet"', 'rule "silent" > kind', '"quiet"', ['"silent"']),
    (
        'kind = "email"',
        'kind = "mail"',
        "way = [",
        "way number 1 > kind",
        '"mail"',
        ['"email"?', '"webhook"'],
    ),
    ('kind = "json"', 'kind = "jason"', "payload = ", "wire > payload > kind", '"jason"', ['"json"?']),
    ('"high", "medium"]', '"high", "urgent"]', "priorities", "priorities number 2", '"urgent"', ['"low"']),
    ('tds_scale = "nacl"', 'tds_scale = "salt"', "tds_scale", "tds_scale", '"salt"', ['"nacl"', '"own"']),
    # ---- values
    (
        "range = [0.0, 200.0]",
        "range = [200.0, 0.0]",
        "range = [200",
        "range",
        "[200.0, 0.0]",
        ["the lower first"],
    ),
    ("range = [0.0, 60.0]", "range = [0.0]", "range = [0.0]\n", "range", "an array of 1", ["two numbers"]),
    (
        "range = [0.0, 20.0]",
        'range = ["0", 20]',
        'range = ["0"',
        "range number 1",
        '"0"',
        ["a number without quotes"],
    ),
    ("resolution = 1.0", "resolution = 0.0", "resolution = 0.0", "resolution", "0.0", ["more than 0"]),
    (
        "resolution = 1.0",
        "resolution = nan",
        "resolution = nan",
        "resolution",
        "NaN",
        ["a finite number"],
    ),
    (
        "resolution = 1.0",
        "resolution = true",
        "resolution = true",
        "resolution",
        "true",
        ["a number without quotes"],
    ),
    (
        'volume = "200 L"',
        "volume = 200",
        "volume = 200",
        'sump "m1" > volume',
        "200",
        ["a number with its unit"],
    ),
    ('volume = "200 L"', 'volume = "200"', 'volume = "200"', 'sump "m1" > volume', '"200"', ["no unit"]),
    ('volume = "200 L"', 'volume = "-5 L"', 'volume = "-5 L"', "volume", '"-5 L"', ["more than zero"]),
    (
        'volume = "200 L"',
        'volume = "1,5 L"',
        'volume = "1,5 L"',
        "volume",
        '"1,5 L"',
        ["decimal sign is a point"],
    ),
    ('surface = "0.8 m2"', 'surface = "0.8 m"', 'surface = "0.8 m"', "surface", '"0.8 m"', ["an area"]),
    ('"30 s"', '"30"', '"30"', 'instrument "ro-node" > expected_interval', '"30"', ["no unit", "5 min"]),
    ('"30 s"', "30", "expected_interval = 30", "expected_interval", "30", ["a duration", "in quotes"]),
    ('"30 s"', '"0 s"', '"0 s"', "expected_interval", '"0 s"', ["longer than nothing"]),
    ('minutes = "5 min"', 'minutes = "5 m"', 'minutes = "5 m"', "gate > minutes", '"5 m"', ["a duration"]),
    ('timezone = "UTC"', 'timezone = "Mars/Base"', "timezone", "site > timezone", '"Mars/Base"', ["IANA"]),
    ('to = "lead@', 'to = "lead.', "way = [", "way number 1 > to", '"lead.shop.example"', ["mail address"]),
    # ---- facts that belong to one kind only
    (
        'kind = "ro"',
        'kind = "ro"\nhardness = "18 gpg"',
        "hardness",
        'stage "ro" > hardness',
        '"18 gpg"',
        ["belongs to a stage of kind tap only"],
    ),
    (
        'kind = "ro"',
        'kind = "ro"\nrecovery = "120 %"',
        "recovery",
        "recovery",
        '"120 %"',
        ["less than 100 %"],
    ),
    (
        'id = "tap"\nkind = "tap"',
        'id = "tap"\nkind = "softener"\nsalt = "3 L"',
        "salt",
        "salt",
        '"3 L"',
        ["3 kg", "128 g/L"],
    ),
    (
        'id = "tap"\nkind = "tap"',
        'id = "tap"\nkind = "softener"\nregeneration = "metered"\nregenerates_every = "3 d"',
        "regenerates_every",
        "regenerates_every",
        '"3 d"',
        ['regeneration = "timed"'],
    ),
    ('surface = "0.8 m2"', 'coolant = "none"', "coolant", 'sump "m1" > coolant', '"none"', ["there is none"]),
    (
        "[[sump]]",
        '[[coolant]]\nid = "c"\nband = ["9 %", "6 %"]\n[[sump]]',
        "band",
        'coolant "c" > band',
        '["9 %", "6 %"]',
        ["the lower first"],
    ),
    (
        "range = [0.0, 20.0]",
        "range = [0.0, 20.0]\ncell_constant = 0.1",
        "cell_constant",
        "cell_constant",
        "0.1",
        ["belongs to conductivity only"],
    ),
    (
        "range = [0.0, 20.0]",
        'range = [0.0, 20.0]\nblind_zone = "200 mm"',
        "blind_zone",
        "blind_zone",
        '"200 mm"',
        ["belongs to level only"],
    ),
    # ---- units and quantities
    (
        'unit = "uS/cm"',
        'unit = "furlong"',
        '"furlong"',
        'channel "ro.ec" > unit',
        '"furlong"',
        ["conductivity", "uS/cm"],
    ),
    ('unit = "uS/cm"', 'unit = "us/cm"', '"us/cm"', 'channel "ro.ec" > unit', '"us/cm"', ["uS/cm"]),
    (
        'unit = "uS/cm"',
        'unit = "blah"',
        '"blah"',
        'channel "ro.ec" > unit',
        'unit "blah" is not known',
        ["conductivity is written in"],
    ),
    ('quantity = "flow"', 'quantity = "flux"', '"flux"', "quantity", '"flux"', ["one of:", "flow"]),
    ('"20 uS/cm"', '"20 L/min"', '"20 L/min"', 'rule "ro-high" > above', '"20 L/min"', ["conductivity"]),
    ('"2 %" }', '"2 %", absolute = "1 bar" }', "1 bar", "accuracy > absolute", '"1 bar"', ["conductivity"]),
    ('of_reading = "2 %"', 'of_reading = "2 bar"', "2 bar", "accuracy > of_reading", '"2 bar"', ["a share"]),
    ('tds_scale = "nacl"\n', "", CHANNEL_OF_TAP, 'channel "tap.tds" > tds_scale', "nothing", ["assumes"]),
    ('tds_scale = "nacl"', 'tds_scale = "own"', CHANNEL_OF_TAP, "tds_factor", "nothing", ["mg/L per"]),
    ('temperature = "ro.t"\n', "", CHANNEL_OF_RO, 'channel "ro.ec" > temperature', "nothing", ["linear"]),
    (
        'compensation = "linear"',
        'compensated = true\ncompensation = "linear"',
        "compensation =",
        "compensation",
        '"linear"',
        ["twice"],
    ),
    (
        "resolution = 1.0",
        'resolution = 1.0\ncompensation = "linear"',
        'compensation = "linear"\ntds_scale',
        'channel "tap.tds" > compensation',
        '"linear"',
        ["conductivity only"],
    ),
    # ---- references
    (
        'after = "ro"',
        'after = "r0"',
        'after = "r0"',
        'point "permeate" > after',
        '"r0", which is no stage',
        ['"ro"?'],
    ),
    (
        'point = "permeate"',
        'point = "permeat"',
        '"permeat"',
        'instrument "ro-node" > point',
        "no point",
        ['"permeate"?'],
    ),
    ('point = "tap-out"', 'sump = "m2"', 'sump = "m2"', 'instrument "tap-meter" > sump', "no sump", ['"m1"']),
    ('point = "tap-out"', 'point = "tap-out"\nsump = "m1"', 'sump = "m1"', "sump", '"m1"', ["not both"]),
    ('broker = "hall"', 'broker = "hal"', 'broker = "hal"', "wire > broker", "no broker", ['"hall"?']),
    ('port = "cabinet"', 'port = "cab"', "port = ", "wire > port", "no serial port", ['"cabinet"']),
    ('via = "office"', 'via = "post"', "via = ", "way number 1 > via", "no mail server", ['"office"']),
    ('flow = "ro.flow"', 'flow = "ro.flw"', "ro.flw", "gate > flow", "no channel", ['"ro.flow"?']),
    (
        'flow = "ro.flow"',
        'flow = "ro.t"',
        "gate = ",
        "gate > flow",
        "measures temperature",
        ["flow or contact", "ro.flow"],
    ),
    (
        'temperature = "ro.t"',
        'temperature = "ro.flow"',
        "temperature = ",
        "temperature",
        "measures flow",
        ['"ro.t"'],
    ),
    (
        'channel = "ro.ec"',
        'channel = "ro.ex"',
        '"ro.ex"',
        'rule "ro-high" > channel',
        "no channel",
        ['"ro.ec"?'],
    ),
    (
        'id = "silent"',
        'id = "silent"\ninstruments = ["ro"]',
        "instruments",
        "instruments number 1",
        "no instrument",
        ['"ro-node"'],
    ),
    (
        '"ro.ec" = "/ec"',
        '"ro.e" = "/ec"',
        "[instrument.wire]",
        'instrument "ro-node" > wire',
        '"ro.e" is no channel',
        ["a value for each channel"],
    ),
    (
        '"tap.tds" = "v"',
        '"tap.td" = "v"',
        "wire = ",
        'instrument "tap-meter" > wire',
        '"tap.td" is no channel',
        ["a value for each channel"],
    ),
    (
        '"ro.t" = "/c"',
        '"ro.t" = "/ec"',
        "[instrument.wire]",
        'instrument "ro-node" > wire',
        "/ec",
        ['"ro.ec" already'],
    ),
    # ---- ids
    (
        "[[sump]]",
        '[[sump]]\nid = "m1"\nvolume = "9 L"\n\n[[sump]]',
        'id = "m1"\nvolume = "200 L"',
        'sump "m1" > id',
        '"m1" a second time',
        ["line 38"],
    ),
    (
        'id = "silent"',
        'id = "ro-high"',
        'id = "ro-high"\n\n',
        'rule "ro-high" > id',
        "a second time",
        ["own"],
    ),
    # ---- the order of stages
    (
        'kind = "ro"',
        'kind = "tap"',
        'kind = "tap"\n\n[[point]]',
        'stage "ro" > kind',
        "a second tap",
        ["one tap"],
    ),
    (
        '[[stage]]\nid = "tap"',
        '[[stage]]\nid = "di"\nkind = "di"\n\n[[stage]]\nid = "tap"',
        'kind = "tap"',
        'stage "tap" > kind',
        "after stage",
        ["the tap first"],
    ),
    (
        'kind = "tap"',
        'kind = "tap"\nafter = ["ro"]',
        "after = [",
        'stage "tap" > after number 1',
        "does not come before",
        ["above"],
    ),
    # ---- the store
    (
        "[[sump]]",
        '[batch]\nlongest = "5 min"\n[[sump]]',
        "longest",
        "batch > longest",
        '"5 min"',
        ['from "0.1 s" to "60 s"'],
    ),
    # ---- people
    (
        '"high", "medium"]',
        '"high"]',
        '[[rule]]\nkind = "silent"',
        'rule "silent" > priority',
        '"medium"',
        ['("high")'],
    ),
    ("priorities = [", "way = []\npriorities = [", "", "the file as a whole", "", ["TOML"]),
    # ---- the file itself
    ('id = "shop"', 'id = "shop', 'id = "shop', "the file as a whole", "column", ["TOML"]),
    ("[[sump]]", "[[sump]", "[[sump]", "the file as a whole", "column", ["TOML"]),
]


def only(path: Path) -> Mistake:
    with pytest.raises(ConfigMistakes) as caught:
        load(path)
    assert len(caught.value.mistakes) == 1, str(caught.value)
    return caught.value.mistakes[0]


@pytest.mark.parametrize(("old", "new", "marker", "place", "found", "allowed"), CASES)
def test_a_mistake_is_told_with_line_place_found_and_allowed(
    tmp_path: Path, old: str, new: str, marker: str, place: str, found: str, allowed: list[str]
) -> None:
    text = changed((old, new))
    mistake = only(written(tmp_path, text))
    print(mistake)
    assert place in mistake.place
    assert found in mistake.found
    for words in allowed:
        assert words in mistake.allowed
    if marker:
        at = text.index(marker) + (1 if marker.startswith("\n") else 0)
        assert mistake.line == text[:at].count("\n") + 1
