"""The published check values hold, and the runner that says so cannot be fooled."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.water.errors import OutOfRange
from tests.reference import check, left_out

HERE = Path(__file__).resolve().parent
PARTS = ("conductivity", "treatment", "sump", "statistics")
MAPPED = check.quantities()


def cases(part: str) -> list[check.Case]:
    return check.read_cases(HERE / f"{part}_open.csv")


@pytest.mark.parametrize("part", PARTS)
def test_every_covered_open_case_passes_but_those_listed_with_a_reason(part: str) -> None:
    problems = {
        case.id: outcome.problem
        for case in cases(part)
        if case.quantity in MAPPED and (outcome := check.run(case, MAPPED[case.quantity])).problem
    }
    listed = left_out.known_different()
    assert {id_: text for id_, text in problems.items() if id_ not in listed} == {}


def test_a_case_listed_as_different_really_differs() -> None:
    by_id = {case.id: case for part in PARTS for case in cases(part)}
    for id_ in left_out.known_different():
        assert check.run(by_id[id_], MAPPED[by_id[id_].quantity]).problem, id_


@pytest.mark.parametrize("part", PARTS)
def test_a_quantity_without_a_function_is_listed_with_its_reason(part: str) -> None:
    wanted = {case.quantity for case in cases(part)}
    assert wanted - MAPPED.keys() == left_out.left_out()[part].keys()


def test_nine_quantities_in_ten_are_covered() -> None:
    wanted = {case.quantity for part in PARTS for case in cases(part)}
    assert len(wanted & MAPPED.keys()) >= 0.9 * len(wanted)


def test_the_page_lists_what_is_left_out() -> None:
    page = left_out.PAGE.read_text(encoding="utf-8")
    assert left_out.with_section(page) == page


def one(value: Any, tolerance: str) -> check.Case:
    return check.Case("X-1", "thing", {}, value, "", tolerance, "")


def raising(error: Exception) -> check.Compute:
    def compute(inputs: dict[str, Any]) -> Any:
        raise error

    return compute


@pytest.mark.parametrize(
    ("value", "tolerance", "got", "passes"),
    [
        (100.0, "rel:0.01", 101.0, True),
        (100.0, "rel:0.01", 101.1, False),
        (-100.0, "rel:0.01", -100.9, True),
        (0.0, "abs:0.1", 0.1, True),
        (0.0, "abs:0.1", -0.11, False),
        (1.0, "abs:0.1", float("nan"), False),
        (1.0, "rel:0.1", "1.0", False),
        ("never", "exact", "never", True),
        ("never", "exact", "Never", False),
        (14, "exact", 14, True),
        (14, "exact", 15, False),
        (1, "exact", True, True),
        ([1.0, 2.0], "abs:0.1", (1.05, 1.95), True),
        ([1.0, 2.0], "abs:0.1", (1.05, 2.2), False),
        ([1.0, 2.0], "abs:0.1", (1.0, 2.0, 3.0), False),
        (1.0, "within:3", 1.0, False),
    ],
)
def test_each_form_of_tolerance_passes_what_it_says_and_no_more(
    value: Any, tolerance: str, got: Any, passes: bool
) -> None:
    assert (check.run(one(value, tolerance), lambda _: got).problem == "") is passes


@pytest.mark.parametrize(
    ("answer", "passes"),
    [
        (raising(OutOfRange("temperature_c", 36.5, "0 to 36 °C")), True),
        (raising(ValueError("some value")), False),
        (raising(KeyError("T_C")), False),
        (lambda inputs: 0.8, False),
    ],
)
def test_only_our_own_range_error_counts_as_a_refusal(answer: check.Compute, passes: bool) -> None:
    assert (check.run(one("OUT_OF_RANGE", "error"), answer).problem == "") is passes


def test_an_error_where_a_value_is_due_is_a_failure() -> None:
    problem = check.run(one(1.0, "rel:0.1"), raising(OutOfRange("x", 2, "0 to 1"))).problem
    assert problem == "raised OutOfRange: x = 2 is out of range: 0 to 1"


def test_an_unmapped_quantity_is_named_and_not_counted_as_covered() -> None:
    lines, good = check.report([one(1.0, "exact"), one(1.0, "exact")], {})
    assert good
    assert lines == [
        "NOT COVERED thing: no function is mapped, 2 case(s) not run",
        "covered 0 of 1 quantities, passed 0 of 0 cases",
    ]


def script(path: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The runner as a stranger would call it: from elsewhere, with nothing on the path."""
    return subprocess.run(
        [sys.executable, str(HERE / "check.py"), str(path)],
        cwd=cwd,
        capture_output=True,
        text=True,
        env={name: text for name, text in os.environ.items() if name != "PYTHONPATH"},
        check=False,
    )


def write_cases(path: Path, value: str) -> Path:
    columns = ["id", "quantity", "inputs", "value", "unit", "tolerance", "source"]
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(columns)
        rows.writerow(
            [
                "A-1",
                "kappa_ref_linear",
                '{"T_C": 15, "kappa_T_uS_cm": 12.5}',
                value,
                "uS/cm",
                "rel:0.001",
                "t",
            ]
        )
    return path


def test_the_script_runs_from_another_folder_and_ends_well(tmp_path: Path) -> None:
    done = script(write_cases(tmp_path / "some.csv", "15.625"), tmp_path)
    assert (done.returncode, done.stdout) == (0, "covered 1 of 1 quantities, passed 1 of 1 cases\n"), (
        done.stderr
    )


def test_the_script_ends_with_one_on_a_failing_case_and_names_it(tmp_path: Path) -> None:
    done = script(write_cases(tmp_path / "some.csv", "16"), tmp_path)
    assert done.returncode == 1
    assert done.stdout.splitlines()[0].startswith("FAIL A-1 kappa_ref_linear: got 15.625, expected 16 within")


def test_the_script_says_in_one_line_that_a_file_is_not_there(tmp_path: Path) -> None:
    done = script(tmp_path / "none.csv", tmp_path)
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)


@pytest.mark.parametrize(
    ("quantity", "inputs", "value"),
    [
        ("unit_conversion", {"value": 0.055, "from": "µS/cm", "to": "MOhm-cm"}, 18.1818),
        ("unit_conversion", {"value": 2.0, "from": "MΩ·cm", "to": "kohm.cm"}, 2000.0),
        ("labelled_standard_at_T", {"label_at_25C": "1413 uS", "T_C": 25}, 1413.0),
        ("tds_scale_conversion", {"ec25_uS_cm": 1413, "scale": 442}, 1000.0),
        ("limiting_equivalent_conductivity_25C", {"ion": "Ca+2"}, 59.47),
        ("di_anion_load", {"mgL": {"HCO3": 61.0168}}, 1.0),
        ("wet_bulb_C", {"T_C": 25, "RH": 0.5}, 17.889),
        ("ewma_arl_two_sided", {"lambda": 0.3, "L": 3, "limits": "asymptotic limits"}, 465.6),
        ("theil_sen_intercept", {"t": [0, 1, 2, 6], "y": [0, 1, 2, 9], "definition": "joint"}, 0.0),
    ],
)
def test_a_case_may_spell_a_label_otherwise_or_leave_out_an_optional_key(
    quantity: str, inputs: dict[str, Any], value: float
) -> None:
    assert MAPPED[quantity](inputs) == pytest.approx(value, rel=1e-3, abs=0.3)


@pytest.mark.parametrize(
    ("quantity", "inputs"),
    [
        ("unit_conversion", {"value": 0, "from": "uS/cm", "to": "Mohm.cm"}),
        ("unit_conversion", {"value": float("nan"), "from": "uS/cm", "to": "mS/cm"}),
        ("evaporated_L", {"V0_L": 300, "V1_L": 240, "brix0": 6, "brix1": 7, "no_additions": False}),
    ],
)
def test_what_a_mapping_itself_cannot_answer_is_a_range_error(quantity: str, inputs: dict[str, Any]) -> None:
    with pytest.raises(OutOfRange):
        MAPPED[quantity](inputs)
