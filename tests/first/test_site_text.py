"""Whatever a shop answers, the site file made of it is right, and says what it was told."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.check import report
from monitor.first.answers import UNKNOWN, Answers
from monitor.first.clashes import clashes
from monitor.first.sections import questions
from monitor.rules.breakthrough import Breakthrough
from monitor.rules.creep import Creep
from tests.first.shops import EYE, TWELVE, filled, site_of, twelve, without


def test_twelve_sumps_become_a_site_file_that_check_passes(tmp_path: Path) -> None:
    site = site_of(tmp_path, twelve())
    assert [sump.label for sump in site.plant.sump][:3] == ["lathe 1", "mill 2", "grinder 3"]
    assert [round(sump.volume_l) for sump in site.plant.sump][:3] == [303, 303, 470]
    # 48 x 24 in is 0.743 m2; the sixth was said to differ and Enter took what the third has
    assert [sump.surface_m2 for sump in site.plant.sump[1:6]] == [0.743, 1.5, 0.743, 0.743, 1.5]
    kinds = sorted({rule.kind for rule in site.rules})
    told_by_process = ["breakthrough", "creep", "limit", "loss"]
    assert kinds == sorted([*told_by_process, "instrument", "not-judged", "silent", "softener", "stuck"])
    assert "The file is right." in " ".join(report(site, {}).split())


def test_what_was_told_of_tap_bed_and_coolant_stands_in_the_file(tmp_path: Path) -> None:
    plant = site_of(tmp_path, twelve()).plant
    tap, softener, bed = (
        next(s for s in plant.stage if s.kind == kind) for kind in ("tap", "softener", "di")
    )
    assert tap.hardness is not None and tap.hardness.in_unit("mg/L") == pytest.approx(308.1, abs=0.1)
    assert (tap.ph, softener.regeneration, softener.regenerates_every) == (7.6, "timed", 3 * 86_400_000)
    assert softener.salt_g_l == pytest.approx(128.1, abs=0.1)  # 8 lb/ft3
    assert bed.resin is not None and bed.resin.canonical("volume") == 20.0
    (coolant,) = plant.coolant
    assert (coolant.factor, coolant.band and str(coolant.band[1])) == (1.3, "9 %")


def test_the_rules_are_wired_to_what_is_there(tmp_path: Path) -> None:
    site = site_of(tmp_path, twelve())
    rules = {rule.settings.id: rule for rule in site.rules}
    bed, membrane = rules["bed"], rules["membrane"]
    assert isinstance(bed, Breakthrough) and isinstance(membrane, Creep)
    assert (bed.settings.outlet, bed.settings.inlet, bed.settings.flow) == (
        "di.ec",
        "permeate.ec",
        "treated.flow",
    )
    assert [str(day) for day in bed.settings.installed] == ["2026-05-04"]
    assert (membrane.settings.feed, membrane.settings.temperature) == ("tap.ec", "water.t")
    gates = {c.gate.flow for c in site.plant.channels.values() if c.gate is not None}
    assert gates == {"treated.flow"}
    thin = rules["m01-thin"].settings  # 6 % with factor 1.3
    assert str(getattr(thin, "below", "")) == "4.6 °Brix"


def test_one_display_read_by_eye_is_enough(tmp_path: Path) -> None:
    site = site_of(tmp_path, filled(EYE))
    (instrument,) = site.plant.instrument
    assert (instrument.wire.kind, instrument.expected_interval) == ("hand", 4 * 86_400_000)
    assert {rule.kind for rule in site.rules} == {"limit", "stuck", "silent", "instrument"}
    assert "reach nobody" in report(site, {})


def test_what_is_not_known_is_written_down_with_what_it_costs(tmp_path: Path) -> None:
    site_of(tmp_path, filled(EYE))
    text = (tmp_path / "site.toml").read_text(encoding="utf-8")
    for key in ("tap.alkalinity", "di.resin", "treated.limit"):
        question = next(q for q in questions(filled(EYE)) if q.key == key)
        assert question.unknown.split(";")[0].split(" is taken")[0] in text
    assert "# taken: ask the coolant's supplier" in text
    assert "# Rule breakthrough is left out." in text


WIRES = {
    "line": {"meter.di.line": "EC 3.21 uS/cm T 21.4 C", "meter.di.value": "1"},
    "modbus": {"meter.di.scale": "0.1"},
    "tcp": {"server.host": "192.0.2.7", "meter.di.type": "float32"},
    "logger": {
        "logger.header": "Time;EC DI",
        "logger.row": "14.05.2026 06:30:00;12,3",
        "meter.di.column": "EC DI",
    },
    "eye": {},
}


@pytest.mark.parametrize("wire", WIRES)
def test_every_wire_can_be_asked_for(tmp_path: Path, wire: str) -> None:
    given = {"meters.which": "di", "meter.di.wire": wire, "train.stages": "RO, DI bed", "sump.count": "0"}
    site = site_of(tmp_path, filled(given | WIRES[wire]))
    (instrument,) = site.plant.instrument
    kinds = {
        "line": "serial-line",
        "modbus": "modbus-rtu",
        "tcp": "modbus-tcp",
        "logger": "logger-file",
        "eye": "hand",
    }
    assert instrument.wire.kind == kinds[wire]
    if wire == "line":
        assert instrument.wire.pattern.startswith(r"EC\s+(?P<v>")


SHOWS = [
    ("ppm 999 1", "tds", "above 9.29 ppm"),  # the trade's salt scale at 20 uS/cm, as on the science page
    ("MΩ·cm 18.2 0.01", "resistivity", "below 0.05 MΩ·cm"),
    ("uS/cm 50 0.1", "conductivity", "above 20 µS/cm"),
]


@pytest.mark.parametrize(("shows", "quantity", "limit"), SHOWS)
def test_the_coolants_limit_is_turned_into_what_the_meter_shows(
    tmp_path: Path, shows: str, quantity: str, limit: str
) -> None:
    site = site_of(tmp_path, filled(EYE | {"meter.di.shows": shows, "treated.limit": "20 uS/cm"}))
    (channel,) = site.plant.channels.values()
    assert channel.quantity == quantity
    assert limit in " ".join(report(site, {}).split())


def test_a_name_in_any_script_gives_an_id(tmp_path: Path) -> None:
    for name, known in (
        ("Hall 1, Süd", "hall-1-sud"),
        ("工場", "shop"),
        ('A "quoted" \\ shop', "a-quoted-shop"),
    ):
        site = site_of(tmp_path, filled(EYE | {"shop.name": name}))
        assert (site.plant.site.id, site.plant.site.name) == (known, name)


# what a shop may type, by the end of the question's key
PLAUSIBLE = {
    "stages": ["none", "RO", "softener, DI bed", "all", "1 2 3 5", "RO, tank, DI bed"],
    "tank": ["before", "after"],
    "hardness": ["0 ppm", "18 gpg", "31 fH"],
    "alkalinity": ["140 ppm", "8 dH"],
    "ph": ["7.6", "9"],
    "dissolved": ["240 ppm", "0.6 mS/cm", "4000 uS/cm"],
    "chlorine": ["none", "0.5 ppm"],
    "resin": ["20 L", "1.5 ft3"],
    "salt": ["5 kg", "128 g/L", "12 lb"],
    "start": ["metered", "timed"],
    "same_wire": ["yes", "no"],
    "same_message": ["yes", "no"],
    "every": ["3 days", "10 min", "1 week"],
    "rated": ["4 L/min", "1500 gpd", "0.2 m3/h"],
    "recovery": ["60", "75 %"],
    "service": ["own", "exchanged"],
    "since": ["2026-05-04"],
    "limit": ["20 uS/cm", "10 ppm", "0.05 mS/cm"],
    "count": ["0", "1", "3"],
    "names": ["machine", "press"],
    "litres": ["300 L", "80 gal"],
    "size": ["1200 x 600 mm", "4 ft x 2 ft"],
    "differ": ["none", "1"],
    "name": ["x", 'A "b" \\ c', "Kühl 5"],
    "factor": ["1", "1.3"],
    "band": ["6 to 9", "3-5 %"],
    "minerals": ["600 ppm"],
    "hours": ["0", "60", "168"],
    "which": ["1", "all", "2 4 6", "1 3 5"],
    "wire": ["mqtt", "line", "modbus", "tcp", "logger", "eye"],
    "message": ["12.3", '{"t": 1790000000000, "a": {"v": 1.25}}', '{"x": 1, "y": 2}', "7,5 C"],
    "value": ["1", "2"],
    "line": ["EC=12.3 uS", "A 1 B 2.5"],
    "accuracy": ["2 %", "1 % FS"],
    "closed": ["yes", "no"],
    "compensated": ["yes", "no"],
    "scale_of": ["nacl", "0.7"],
    "low": ["80 mm", "3 inch"],
    "header": ["Time;A;B;C;D;E"],
    "row": ["2026-05-04 06:30:00;1,5;2;3;4;5"],
    "column": ["A", "1"],
    "host": ["192.0.2.7:8883", "broker.shop.example"],
    "user": ["none", "goodwater"],
    "mail": ["lead@shop.example"],
    "second": ["two@shop.example"],
    "security": ["none", "starttls", "tls"],
    "sender": ["gw@shop.example"],
    "port": ["25"],
    "table": ["1", "2"],
    "type": ["float32", "int16"],
    "unit": ["1", "7"],
    "register": ["0", "12"],
    "scale": ["1", "0.1"],
}
SHOWN = {
    "di": ["uS/cm 50 0.1", "ppm 999 1", "Mohm 18 0.01"], "tap": ["mS/cm 2 0.001"], "flow": ["gpm 5 0.01"],
    "temperature": ["F 140 1"], "tank": ["cm 200 1"], "level": ["inch 20 0.1"], "topoff": ["gal 9999 1"],
    "hardness": ["dH 30 1"], "brix": ["% 20 0.2"],
}  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_any_plausible_answers_give_a_right_site_file(tmp_path: Path, seed: int) -> None:
    drawn, answers = random.Random(seed), Answers()
    for _ in range(200):
        question = next((q for q in questions(answers) if not q.answered(answers)), None)
        if question is None:
            break
        *_, owner, last = question.key.split(".")
        own = SHOWN.get(owner, []) if last == "shows" else PLAUSIBLE.get(last, [])
        typed = [text for text in (*own, question.default, UNKNOWN) if text and not question.why_not(text)]
        answers.put(question.key, question.kept(drawn.choice(typed)))
        assert question.answered(answers), f"{question.key}: {answers.get(question.key)}"
        for key, _ in clashes(answers):
            answers.put(key.rpartition(".")[0] + ".wire", "mqtt")
    site_of(tmp_path, answers)


def test_every_question_has_been_tried() -> None:
    keys = {q.key.rpartition(".")[2] for q in questions(twelve())} - {
        "shows",
        "timezone",
        "topic",
        "baud",
    }
    assert keys - set(PLAUSIBLE) == set()


def test_without_a_softener_nothing_is_asked_of_it() -> None:
    answers = filled(without(TWELVE, ("meters.which",)) | {"train.stages": "RO", "meters.which": "permeate"})
    assert not [q.key for q in questions(answers) if q.key.startswith(("softener", "di."))]
