"""A right file is read as it says; a file with many mistakes tells them all at once."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes, load
from tests.config.sites import SITE, changed, written

EXAMPLES = sorted((Path(__file__).parents[2] / "config").glob("*.toml"))


def refused(path: Path) -> ConfigMistakes:
    with pytest.raises(ConfigMistakes) as caught:
        load(path)
    return caught.value


def test_a_right_file_gives_plant_rules_and_what_they_travel_by(tmp_path: Path) -> None:
    site = load(written(tmp_path, SITE))
    assert list(site.plant.channels) == ["ro.ec", "ro.t", "ro.flow", "tap.tds"]
    assert [rule.settings.id for rule in site.rules] == ["ro-high", "silent"]
    assert [broker.id for broker in site.brokers] == ["hall"]
    assert [port.device for port in site.serial_ports] == ["/dev/ttyUSB0"]
    assert [server.id for server in site.mail_servers] == ["office"]
    assert site.plant.instrument[0].wire.topic == "water/ro"
    assert site.plant.person[0].way[0].to == "lead@shop.example"


def test_the_data_folder_is_beside_the_site_file_wherever_the_command_is_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "etc"
    folder.mkdir()
    path = written(folder, SITE)
    monkeypatch.chdir(tmp_path)
    assert load(path.relative_to(tmp_path)).data_dir == folder / "data"
    assert load(written(folder, changed(('data = "data"', 'data = "/var/lib/x"')))).data_dir == Path(
        "/var/lib/x"
    )


def test_numbers_with_units_arrive_in_canonical_units(tmp_path: Path) -> None:
    site = load(written(tmp_path, changed(('above = "20 uS/cm"', 'above = "0.02 mS/cm"'))))
    assert site.rules[0].limit == pytest.approx(20.0)  # type: ignore[attr-defined]  # the rule is a Limit
    assert site.plant.instrument[0].expected_interval == 30_000
    assert site.plant.sump[0].volume_l == pytest.approx(200.0)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(codecs.BOM_UTF8 + SITE.replace("\n", "\r\n").encode())
    assert load(path).plant.site.id == "shop"
    wrong = changed(('unit = "ppm"', 'unit = "furlong"'))
    path.write_bytes(wrong.replace("\n", "\r\n").encode())
    (mistake,) = refused(path).mistakes
    assert wrong.splitlines()[mistake.line - 1] == 'unit = "furlong"'


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_loads(path: Path) -> None:
    site = load(path)
    assert site.rules and site.plant.channels


def test_the_examples_have_the_machines_they_promise() -> None:
    promised = {"large-shop.toml": 40, "one-meter.toml": 0, "small-shop.toml": 12}
    sumps = {path.name: len(load(path).plant.sump) for path in EXAMPLES if path.name in promised}
    assert sumps == promised


def test_a_stage_is_fed_by_the_one_above_or_by_those_it_names() -> None:
    plant = load(next(path for path in EXAMPLES if path.name == "large-shop.toml")).plant
    assert [stage.id for stage in plant.feeds("a-ro")] == ["a-booster"]
    assert [stage.id for stage in plant.feeds("b-softener")] == ["carbon"]
    assert plant.feeds("tap") == ()


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    error = refused(tmp_path / "missing.toml")
    assert "missing.toml" in str(error)
    assert "no such file" in error.mistakes[0].found


def test_a_folder_is_not_a_site_file(tmp_path: Path) -> None:
    assert "is a directory" in refused(tmp_path).mistakes[0].found


def test_text_that_is_not_utf_8_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(SITE.replace("Example Shop", "M\xfchle").encode("latin-1"))
    (mistake,) = refused(path).mistakes
    assert (mistake.line, mistake.allowed) == (3, "text saved as UTF-8")
    assert "0xfc" in mistake.found


def test_an_empty_file_is_told_what_it_needs(tmp_path: Path) -> None:
    places = {mistake.place for mistake in refused(written(tmp_path, "")).mistakes}
    assert places == {"site", "instrument", "person"}


@pytest.mark.parametrize(
    "text", ["x = " + "[" * 5000, "x = 1" + "0" * 5000, "x = 2026-02-30", "x = 1e999", "\0"]
)
def test_what_breaks_parsers_is_refused_in_words(tmp_path: Path, text: str) -> None:
    assert refused(written(tmp_path, text)).mistakes


WRONG = (
    ('timezone = "UTC"', 'timezone = "Nowhere"'),
    ('kind = "tap"', 'kind = "tab"'),
    ('after = "ro"', 'after = "r0"'),
    ('volume = "200 L"', 'volume = "200 bar"'),
    ("[0.0, 200.0]", "[200.0, 0.0]"),
    ('unit = "uS/cm"', 'unit = "furlong"'),
    ('flow = "ro.flow"', 'flow = "ro.t"'),
    ("range = [0.0, 20.0]\nresolution = 0.1", "range = [0.0, 20.0]\nresolution = 0.1\njump = 5"),
    ('port = "cabinet"', 'port = "kitchen"'),
    ('id = "tap.tds"', 'id = "ro.flow"'),
    ('above = "20 uS/cm"', 'above = "20 degC"'),
    ('via = "office"', 'via = "post"'),
    ('id = "silent"', 'id = "ro-high"\npriority = "low"'),
)


def test_every_mistake_is_told_in_one_go_in_the_order_of_the_file(tmp_path: Path) -> None:
    error = refused(written(tmp_path, changed(*WRONG)))
    places = [mistake.place for mistake in error.mistakes]
    expected = [
        "site > timezone",
        'stage "tap" > kind',
        'point "permeate" > after',
        'sump "m1" > volume',
        'instrument "ro-node" > channel "ro.ec" > unit',
        'instrument "ro-node" > channel "ro.ec" > range',
        'instrument "ro-node" > channel "ro.ec" > gate > flow',
        'instrument "ro-node" > channel "ro.flow" > jump',
        'instrument "tap-meter" > wire > port',
        'instrument "tap-meter" > wire',
        'instrument "tap-meter" > channel "ro.flow" > id',
        'rule "ro-high" > id',
        'rule "ro-high" > priority',
        'person "lead" > way number 1 > via',
    ]
    assert sorted(places) == sorted(expected)
    lines = [mistake.line for mistake in error.mistakes]
    assert lines == sorted(lines) and lines[0] > 0
    assert str(error).startswith(f"{tmp_path / 'site.toml'}: {len(expected)} mistakes")


def test_a_wrong_unit_hides_neither_its_siblings_nor_a_rule_on_another_channel(tmp_path: Path) -> None:
    text = changed(
        ('unit = "uS/cm"', 'unit = "furlong"'),
        ('channel = "ro.ec"\nabove = "20 uS/cm"', 'channel = "ro.t"\nabove = "20 L/min"'),
    )
    places = [mistake.place for mistake in refused(written(tmp_path, text)).mistakes]
    assert places == ['instrument "ro-node" > channel "ro.ec" > unit', 'rule "ro-high" > above']


def test_a_rule_on_a_channel_with_a_mistake_of_its_own_is_not_a_second_mistake(tmp_path: Path) -> None:
    text = changed(('unit = "uS/cm"', 'unit = "furlong"'))
    assert len(refused(written(tmp_path, text)).mistakes) == 1


def test_no_word_of_the_library_reaches_a_person(tmp_path: Path) -> None:
    told = str(refused(written(tmp_path, changed(*WRONG))))
    assert not re.search(r"pydantic|Input|Value error|validation|Extra inputs|Literal|None\b", told)


def with_another_meter(topic: str) -> str:
    """SITE with a second instrument and a third that take one bare number from the given topic."""
    meter = """[[instrument]]
id = "meter-{n}"
sump = "m1"
expected_interval = "1 min"
wire = {{ kind = "mqtt", broker = "hall", topic = "{topic}", payload = {{ kind = "number" }} }}
[[instrument.channel]]
id = "level-{n}"
quantity = "level"
unit = "mm"
range = [0, 100]
resolution = 1

"""
    meters = meter.format(n=1, topic="sump/1") + meter.format(n=2, topic=topic)
    return SITE.replace('[[rule]]\nkind = "limit"', meters + '[[rule]]\nkind = "limit"')


def test_two_meters_may_share_a_broker_but_not_the_value_of_a_topic(tmp_path: Path) -> None:
    assert len(load(written(tmp_path, with_another_meter("sump/2"))).plant.instrument) == 4
    (mistake,) = refused(written(tmp_path, with_another_meter("sump/1"))).mistakes
    assert mistake.place == 'instrument "meter-2" > wire'
    assert mistake.found == 'topic "sump/1" of broker "hall" for channel "level-2"'
    assert '"level-1" already takes this one' in mistake.allowed


def test_a_mail_server_may_go_unnamed_only_where_there_is_just_one(tmp_path: Path) -> None:
    unnamed = changed((', via = "office"', ""))
    assert load(written(tmp_path, unnamed)).plant.person[0].way[0].via is None
    spare = '[[mail_server]]\nid = "spare"\nhost = "::1"\nsecurity = "none"\nsender = "g@shop.example"\n\n'
    two = unnamed.replace("[[stage]]", spare + "[[stage]]", 1)
    (mistake,) = refused(written(tmp_path, two)).mistakes
    assert mistake.place == 'person "lead" > way number 1 > via'
    assert '"office", "spare"' in mistake.allowed
    none = re.sub(r"\[\[mail_server\]\].*?\n\n", "", unnamed, flags=re.DOTALL)
    (mistake,) = refused(written(tmp_path, none)).mistakes
    assert "a [[mail_server]]" in mistake.allowed


def test_a_password_is_never_repeated(tmp_path: Path) -> None:
    text = changed(('host = "127.0.0.1"\n\n[[serial', 'host = "127.0.0.1"\npassword = 4711\n\n[[serial'))
    error = refused(written(tmp_path, text))
    assert [mistake.place for mistake in error.mistakes] == ['broker "hall" > password']
    assert "4711" not in str(error)
