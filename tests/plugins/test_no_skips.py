"""A test that did not run counts as a failed one, whatever excuse it brings."""

import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]


def closing_line(folder: Path, text: str, *options: str) -> str:
    """Run one test file under the plugin in a pytest of its own and return that run's last line."""
    (folder / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    (folder / "test_excused.py").write_text(text, encoding="utf-8")
    words = ["-q", "-p", "tests.plugins.no_skips", "--rootdir", str(folder), *options, str(folder)]
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", *words], cwd=REPOSITORY, capture_output=True, text=True, check=False
    )
    return ran.stdout.splitlines()[-1]


@pytest.mark.parametrize(
    ("text", "counted"),
    [
        ("import pytest\n\ndef test_it():\n    pytest.skip('no broker')\n", "1 failed"),
        ("import pytest\n\n@pytest.mark.skip\ndef test_it():\n    pass\n", "1 error"),
        ("import pytest\n\n@pytest.mark.xfail\ndef test_it():\n    assert False\n", "1 failed"),
        ("import pytest\n\n@pytest.mark.xfail\ndef test_it():\n    pass\n", "1 failed"),
        ("def test_it():\n    assert False\n", "1 failed"),
    ],
    ids=["skip inside", "skip mark", "expected failure", "unexpected success", "plain failure"],
)
def test_an_excused_test_fails_like_any_other(tmp_path: Path, text: str, counted: str) -> None:
    assert closing_line(tmp_path, text).startswith(f"{counted} in")


def test_a_file_that_skips_itself_is_an_error(tmp_path: Path) -> None:
    text = "import pytest\n\npytest.importorskip('no_such_module')\n\ndef test_it():\n    pass\n"
    assert closing_line(tmp_path, text).startswith("1 error in")


def test_an_excused_test_fails_in_a_parallel_run_too(tmp_path: Path) -> None:
    text = "import pytest\n\ndef test_it():\n    pytest.skip('no broker here')\n"
    assert closing_line(tmp_path, text, "-n", "1").startswith("1 failed in")


def test_a_test_that_passes_still_passes(tmp_path: Path) -> None:
    assert closing_line(tmp_path, "def test_it():\n    pass\n").startswith("1 passed in")
