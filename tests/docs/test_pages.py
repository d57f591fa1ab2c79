"""The pages hold together: links lead somewhere, commands are described, no path of ours is in them."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from monitor.cli import COMMANDS

ROOT = Path(__file__).parents[2]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("docs/**/*.md")])
LINK = re.compile(r"\[[^\]]*\]\(([^)#\s]+)(?:#[^)]*)?\)")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_of_a_page_leads_to_a_file_of_the_repository(page: Path) -> None:
    links = [link for link in LINK.findall(page.read_text(encoding="utf-8")) if "://" not in link]
    missing = [link for link in links if not (page.parent / link).exists()]
    assert missing == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"`goodwater {command} " in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readme_opens_with_the_job_and_two_commands() -> None:
    first_screen = (ROOT / "README.md").read_text(encoding="utf-8")[:2500]
    for needed in ("sh deploy/demo.sh", "sh tests/run.sh", "What no such tool can see", "hardness"):
        assert needed in first_screen


def test_no_tracked_file_holds_an_address_of_a_registry_or_a_path_of_a_developers_machine() -> None:
    tracked = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, text=True, check=True
    ).stdout.split("\0")
    bad = re.compile(
        "|".join(["py" + r"pi\.org", "/" + r"work/(main|shared)", "/root/" + r"\.", "index" + "-url ="])
    )
    hits = []
    for name in filter(None, tracked):
        path = ROOT / name
        if path.is_file() and path.suffix not in (".png", ".gz"):
            hits += [name] if bad.search(path.read_text(encoding="utf-8", errors="ignore")) else []
    assert hits == []
