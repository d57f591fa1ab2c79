"""The page to hold when calling the coolant's supplier."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.reports.rendered import rendered
from monitor.reports.sumps import Account
from monitor.reports.supplier import SupplierPage, as_text, supplier_page
from tests.reports.shop import DAY, HOUR, SITE, WEEK, Shop, shop
from tests.reports.test_made import NASTY, Outside, valid

LAST = WEEK.earlier()
TEXT = SITE.replace(
    'kind = "tap"', 'kind = "tap"\nhardness = "17 dH"\nalkalinity = "140 mg/L"\nph = 7.6', 1
).replace('id = "mix"', 'id = "mix"\nname = "Emulsion 7"\nfactor = 1.1\nband = ["6 %", "9 %"]', 1)


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path, TEXT) as made:
        made.said("di.ec", LAST, lambda n: 3.0)
        made.said("di.ec", WEEK, lambda n: 2.0)
        made.told(WEEK.from_ms + HOUR, "top-off", "m01", 20.0)
        made.told(LAST.from_ms + HOUR, "smell", "m01", 2.0)
        made.told(LAST.from_ms + 2 * HOUR, "resin-change", "di")
        made.by_hand("m01.brix", (LAST.from_ms + DAY, 8.0), (WEEK.from_ms + DAY, 6.5))
        made.alarm(WEEK.from_ms + DAY)
        yield made


def page(one: Shop) -> SupplierPage:
    accounts = {"m01": [Account(WEEK.from_ms + DAY, 24.0, 31.0, 0.0)]}
    (sump,) = one.plant.sump
    return supplier_page(
        one.store.writer.connection,
        one.plant,
        sump,
        WEEK,
        accounts=accounts,
        first_line=lambda t: t.condition,
    )


def test_each_week_has_make_up_losses_water_and_what_was_read(one: Shop) -> None:
    found = page(one)
    assert found.columns == ("Week", "Make-up, L", "Lost, L", "Make-up water", "concentration")
    assert found.rows[0] == ("2031-W07", "20", "31", "2.0 µS/cm", "6.5 °Brix")
    assert found.rows[1] == ("2031-W06", "", "", "3.0 µS/cm", "8.0 °Brix")
    assert len(found.rows) == 2  # nothing is known of earlier weeks


def test_it_says_what_the_supplier_asks_and_names_no_person(one: Shop) -> None:
    text = as_text(page(one))
    for said in ("300 L", "Emulsion 7", "6 % to 9 %", "500 mg/L as CaCO3", "hardness 303 mg/L", "pH 7.6",
                 "RO, then DI bed", "smell 2", "batch on the drum", "only by their label"):  # fmt: skip
        assert said in text, said
    assert "lead" not in text
    assert "resin" not in text  # of another place
    assert "di-high" not in text


def test_it_is_one_page_of_valid_html_that_loads_nothing_whatever_the_names(tmp_path: Path) -> None:
    with shop(tmp_path, SITE.replace('name = "lathe 1"', f"name = {NASTY!r}".replace("\\u202e", ""))) as one:
        found = page(one)
    html = rendered("supplier.html", page=found)
    valid(html)
    assert Outside(html).found == []
    assert "<script" not in html
    assert "{{ 7 * 7 }}" in html
    assert len(as_text(found).splitlines()) <= 66


def test_the_command_prints_text_or_writes_a_page_and_overwrites_nothing(
    one: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.toml"
    path.write_text(TEXT, encoding="utf-8")
    asked = ["supplier-report", str(path), "m01", "--week", "2031-W07"]
    assert main(asked) == 0
    assert "2031-W07  20" in capsys.readouterr().out
    out = tmp_path / "page.html"
    assert main([*asked, "--out", str(out)]) == 0
    valid(out.read_text(encoding="utf-8"))
    assert main([*asked, "--out", str(out)]) == 2
    assert "there already" in capsys.readouterr().err
    assert main(["supplier-report", str(path), "m99"]) == 2
    assert 'no sump "m99"' in capsys.readouterr().err
