"""The systemd unit is one that systemd accepts, and names only what the installation puts there."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
UNIT = REPOSITORY / "deploy" / "systemd" / "goodwater.service"
GUARD = UNIT.with_name("goodwater-guard.service")
PAGE = UNIT.with_name("goodwater-page.service")
UNITS = pytest.mark.parametrize("unit", [UNIT, GUARD, PAGE], ids=["watch", "guard", "page"])


def setting(key: str) -> list[str]:
    """Return the values that the unit gives a key, in order."""
    return re.findall(rf"(?m)^{key}=(.*)$", UNIT.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def analyse(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The command line of systemd-analyze: the machine's, else unpacked from its Debian package.

    Where systemd is not installed its folders in /run are missing and only root makes them, so the unpacked
    one reads the unit as a user's, with folders of its own; the keys are the same.
    """
    found = shutil.which("systemd-analyze")
    if found:
        return [found]
    folder = tmp_path_factory.mktemp("systemd")
    subprocess.run(["sh", "deploy/unpack.sh", str(folder), "systemd"], cwd=REPOSITORY, check=True)
    shared = next(folder.glob("**/libsystemd-shared-*.so")).parent
    return [
        "env",
        f"LD_LIBRARY_PATH={shared}:{shared.parent}",
        f"XDG_RUNTIME_DIR={folder}",
        f"SYSTEMD_UNIT_PATH={folder}/usr/lib/systemd/user:{folder}/lib/systemd/user",
        str(next(folder.glob("**/bin/systemd-analyze"))),
        "--user",
    ]


@UNITS
def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path, analyse: list[str], unit: Path) -> None:
    """The program is not in /opt here, so another one stands in its place; all else is as shipped."""
    text = unit.read_text(encoding="utf-8").replace("/opt/goodwater/.venv/bin/goodwater", sys.executable)
    copy = tmp_path / unit.name
    copy.write_text(text, encoding="utf-8")
    found = subprocess.run([*analyse, "verify", str(copy)], capture_output=True, text=True, check=False)
    assert (found.returncode, found.stderr) == (0, "")


@UNITS
def test_systemd_rates_the_sandbox_as_well_closed(analyse: list[str], unit: Path) -> None:
    """systemd-analyze(1): 0 is fully closed, 10 fully open; 2.0 leaves serial ports and the network."""
    asked = [*analyse, "security", "--no-pager", "--offline=true", "--threshold=20", str(unit)]
    found = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout[-300:]


def test_the_command_it_starts_is_the_one_that_pyproject_declares() -> None:
    program, verb, site = setting("ExecStart")[0].split()
    scripts = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]["scripts"]
    assert Path(program).name in scripts
    assert verb == "run"
    assert Path(site).suffix == ".toml"


def test_the_guard_is_started_by_the_same_program_and_told_to_systemd_as_the_watch_is() -> None:
    text = GUARD.read_text(encoding="utf-8")
    assert "\nExecStart=/opt/goodwater/.venv/bin/goodwater guard /etc/goodwater/guard.toml\n" in text
    for same in ("Type", "Restart", "RestartPreventExitStatus", "WatchdogSec"):
        assert f"\n{same}={setting(same)[0]}\n" in text


def test_the_places_it_names_are_those_that_the_installation_makes(tmp_path: Path) -> None:
    installed = subprocess.run(
        ["sh", "deploy/install.sh", "--root", str(tmp_path)],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=True,
    )
    program, _, site = setting("ExecStart")[0].split()
    assert (tmp_path / site.lstrip("/")).is_file()
    assert (tmp_path / "etc/systemd/system/goodwater.service").read_text() == UNIT.read_text()
    assert (tmp_path / "etc/systemd/system/goodwater-page.service").read_text() == PAGE.read_text()
    assert f"\nExecStart={program} page {site}\n" in PAGE.read_text()
    # The environment is made on the gateway itself, by the env.sh installed there, in that folder's .venv.
    assert "would run: sh /opt/goodwater/deploy/env.sh runtime" in installed.stdout
    assert Path(program).parents[2] == Path("/opt/goodwater")
    assert f"useradd --system --user-group --home-dir {setting('WorkingDirectory')[0]}" in installed.stdout
    site_tables = tomllib.loads((tmp_path / site.lstrip("/")).read_text(encoding="utf-8"))
    assert [site_tables["site"]["data"]] == setting("WorkingDirectory")
    assert setting("User") == ["goodwater"]
    assert setting("WorkingDirectory") == [f"/var/lib/{setting('StateDirectory')[0]}"]
    assert Path(site).parent == Path("/etc") / setting("ConfigurationDirectory")[0]


def test_serial_ports_and_the_network_stay_in_reach() -> None:
    assert setting("SupplementaryGroups") == ["dialout"]
    assert {"char-ttyUSB rw", "char-ttyACM rw", "char-ttyS rw"} <= set(setting("DeviceAllow"))
    assert setting("PrivateDevices") == []
    assert setting("PrivateNetwork") == []
    assert {"AF_INET", "AF_INET6", "AF_UNIX"} == set(setting("RestrictAddressFamilies")[0].split())


def test_a_second_installation_keeps_what_the_shop_wrote(tmp_path: Path) -> None:
    command = ["sh", "deploy/install.sh", "--root", str(tmp_path)]
    subprocess.run(command, cwd=REPOSITORY, capture_output=True, check=True)
    for kept in ("etc/goodwater/site.toml", "etc/mosquitto/conf.d/goodwater.conf"):
        (tmp_path / kept).write_text("# ours\n", encoding="utf-8")
    (tmp_path / "opt/goodwater/monitor/left_over.py").write_text("", encoding="utf-8")
    second = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=True)
    assert (tmp_path / "etc/goodwater/site.toml").read_text() == "# ours\n"
    assert (tmp_path / "etc/mosquitto/conf.d/goodwater.conf").read_text() == "# ours\n"
    assert not (tmp_path / "opt/goodwater/monitor/left_over.py").exists()
    assert "would run: systemctl restart goodwater.service" in second.stdout


def test_installing_without_being_root_is_refused_in_one_sentence(tmp_path: Path) -> None:
    """An ``id`` of the test's own says so, since another user may have no way into this clone."""
    (tmp_path / "id").write_text("#!/bin/sh\necho 1000\n", encoding="utf-8")
    (tmp_path / "id").chmod(0o755)
    refused = subprocess.run(
        ["sh", "deploy/install.sh"],
        cwd=REPOSITORY,
        env={**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert refused.returncode == 1
    assert refused.stderr == "goodwater: installing needs root: sudo sh deploy/install.sh\n"
